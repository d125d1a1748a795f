"""``fabkit check``, of one package or of several, and ``checks``, which lists what it finds."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.base.errors import UsageError
from fabkit.base.streams import STANDARD_STREAM
from fabkit.cli import options, printing
from fabkit.cli.model import argument, bundle, command, flag, valued
from fabkit.cli.printing import Printed
from fabkit.cli.reading import EdgeReading, Reading

if TYPE_CHECKING:
    from fabkit.base.findings import Severity
    from fabkit.outputs.judged import Settings
    from fabkit.outputs.many import Engine
    from fabkit.outputs.terminal import Terminal
    from fabkit.sheets.house import LimitClass
    from fabkit.sheets.order import BoardUse


@dataclass(frozen=True, kw_only=True)
class Several:
    """What is asked for where several packages are given."""

    jobs: int | None = valued("--jobs", "N", "Packages to judge at once.", type=options.COUNT)
    seconds: int = valued(
        "--seconds",
        "N",
        "Longest time for one of several packages.",
        type=options.Whole(min=1),
        default=600,
        show_default=True,
    )
    jsonl: Path | None = valued(
        "--jsonl",
        "[FILE]",
        "Write a line of JSON for each package as it ends.",
        type=options.FILE,
        is_flag=False,
        flag_value="-",
    )
    cluster: str | None = valued(
        "--cluster", "ADDRESS", "Judge on the Dask cluster of this scheduler."
    )
    resume: bool = flag("--resume", "Go on with the FILE of --jsonl of a stopped run.")

    @property
    def chosen(self) -> bool:
        """Whether one package, too, is to be judged as several are."""
        given = (self.jobs, self.jsonl, self.cluster)
        return self.resume or any(one is not None for one in given)

    def judge(
        self, packages: tuple[Path, ...], settings: Settings, printed: Printed, reading: Reading
    ) -> int:
        """Judge packages, print the summary; give the worst exit status.

        Raises
        ------
        FabkitError
            What was given makes no sense, or the records cannot be written.
        """
        from fabkit.outputs.many import judge_many, print_summary
        from fabkit.outputs.terminal import Terminal
        from fabkit.package.reading import gather

        if STANDARD_STREAM in packages:
            raise UsageError("standard input is one package", hint="check it alone")
        if self.resume and self.jsonl in (None, STANDARD_STREAM):
            raise UsageError("--resume needs the file of the stopped run", hint="give --jsonl FILE")
        # A wrong sheet is one message, not one for each package.
        settings.load_houses()
        engine = self._engine()
        with reading.progress() as tell:
            tell("looking for packages")
            gathered = gather(packages, limits=settings.limits)
            tell("checking")
            rows = judge_many(
                gathered.packages,
                settings,
                engine=engine,
                seconds=self.seconds,
                ledger=self.jsonl,
                resume=self.resume,
                replace=printed.replace,
            )

        def show(console: Terminal) -> None:
            for line in gathered.said:
                console.print(line)
            print_summary(console, rows)

        if self.jsonl == STANDARD_STREAM and printed.out is None:
            show(Terminal(sys.stderr))
        else:
            printed.show(show)
        return max((row.status for row in rows), default=0)

    def _engine(self) -> Engine:
        from fabkit.base.copies import processors
        from fabkit.outputs.many import in_processes, on_cluster

        if self.cluster is None:
            return in_processes(self.jobs or processors())
        if self.jobs is not None:
            raise UsageError("--jobs is for this machine", hint="leave it out beside --cluster")
        return on_cluster(self.cluster)


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    packages: tuple[Path, ...] = options.packages()
    use: BoardUse | None = options.board()
    house_files: tuple[Path, ...] = options.house()
    choice: options.Choice = bundle(options.Choice)
    limit_class: LimitClass = options.limit_class()
    judged: options.Judged = bundle(options.Judged)
    fail_on: Severity | None = options.fail_on()
    right: Path | None = options.right()
    files: bool = flag("--files", "Show what each file was taken for, and why.")
    thicknesses: bool = flag("--thicknesses", "Judge every thickness the house offers.")
    full: bool = options.full()
    several: Several = bundle(Several)
    printed: printing.Printed = printing.printed("markdown", "sarif", "annotations", "junit")
    reading: EdgeReading = bundle(EdgeReading)


@command("check", Asked)
def run(asked: Asked) -> None:
    """Say whether a package is fit to order, and what to do if not.

    Reads every exported file of PACKAGE (a folder or a zip), checks it against the published
    formats and against what a board house can make, and ends with a verdict. Several packages,
    or folders of them, are each judged in a process of their own and end with a summary.

    \b
    Examples:
      fabkit check gerbers.zip --thickness 1.2
      fabkit check gerbers.zip --house my-house.toml --house other-house.toml
      fabkit check gerbers.zip --silence legend/off-board="the house trims it"
      fabkit check left --right right
      fabkit check gerbers.zip left right --jobs 2 --jsonl=verdicts.jsonl
    """
    if len(asked.packages) == 1 and not asked.several.chosen:
        _check_one(asked, asked.packages[0])
        return
    if asked.printed.settle() != "text" or asked.right or asked.files:
        raise UsageError(
            "--json, --format, --right and --files are for one package",
            hint="--jsonl writes one line of JSON for each of several packages",
        )
    status = asked.several.judge(asked.packages, _settings(asked), asked.printed, asked.reading)
    click.get_current_context().exit(status)


def _settings(asked: Asked) -> Settings:
    from fabkit.checks.model import CheckOptions
    from fabkit.outputs.judged import Settings
    from fabkit.sheets.toml_text import read_sheet

    return Settings(
        houses=tuple((str(file), read_sheet(file).raw) for file in asked.house_files),
        options=CheckOptions(
            use=asked.use,
            limit_class=asked.limit_class,
            **vars(asked.judged),
            **vars(asked.choice),
        ),
        roles=tuple(asked.reading.roles.items()),
        edge=asked.reading.edge,
        thicknesses=asked.thicknesses,
        fail_on=asked.fail_on,
        limits=asked.reading.limits,
    )


def _check_one(asked: Asked, package: Path) -> None:
    from fabkit.demo import find_demo, shown_path
    from fabkit.mending.model import mend_call
    from fabkit.outputs.judged import check_given, read_given
    from fabkit.outputs.verdict import print_check, render_verdict

    asked.printed.settle()
    settings = _settings(asked)
    with asked.reading.progress() as tell:
        tell(f"reading {package}")
        given = read_given(package, limits=settings.limits)
        right = read_given(asked.right, limits=settings.limits) if asked.right else None
        source = shown_path(find_demo(package, usual="rev-b"))
        done = check_given(given, settings, source=source, right=right, tell=tell)
    asked.printed.give(
        lambda console: print_check(
            console,
            done.check,
            mend=mend_call(str(package)),
            files=asked.files,
            full=asked.full,
        ),
        lambda form: render_verdict(done.check, form, fail_on=asked.fail_on),
    )
    click.get_current_context().exit(done.status)


@dataclass(frozen=True, kw_only=True)
class Rules:
    """What the command was given."""

    entry: str | None = argument("[ID]", required=False, shell_complete=options.IDS)
    as_json: bool = options.as_json()


@command("checks", Rules)
def show_rules(asked: Rules) -> None:
    """List everything that can be found, or explain one entry.

    ID is the word in brackets behind a finding; a group with a slash lists that group.

    \b
    Examples:
      fabkit checks
      fabkit checks hole/
      fabkit checks package/missing-profile
    """
    from fabkit.checks.catalogue import find_rules
    from fabkit.outputs import records, terminal

    rules = [records.rule_record(rule) for rule in find_rules(asked.entry)]
    printing.say(
        "checks",
        {"rules": rules},
        lambda console: terminal.print_rules(console, rules),
        as_json=asked.as_json,
    )
