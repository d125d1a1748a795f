"""How several packages are judged: how many at once, how long, and where the records go."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.base.errors import UsageError
from fabkit.base.streams import STANDARD_STREAM
from fabkit.cli import options
from fabkit.cli.bundles import option
from fabkit.cli.printing import Printed
from fabkit.cli.reading import Reading

if TYPE_CHECKING:
    from fabkit.outputs.judged import Settings
    from fabkit.outputs.many import Engine
    from fabkit.outputs.terminal import Terminal


@dataclass(frozen=True, kw_only=True)
class Several:
    """What is asked for where several packages are given."""

    jobs: int | None = option(
        "--jobs", type=options.COUNT, metavar="N", help="Packages to judge at once."
    )
    seconds: int = option(
        "--seconds",
        type=click.IntRange(min=1),
        default=600,
        show_default=True,
        metavar="N",
        help="Longest time for one of several packages.",
    )
    jsonl: Path | None = option(
        "--jsonl",
        type=options.FILE,
        is_flag=False,
        flag_value="-",
        metavar="[FILE]",
        help="Write a line of JSON for each package as it ends.",
    )
    cluster: str | None = option(
        "--cluster",
        metavar="ADDRESS",
        help="Judge on the Dask cluster of this scheduler.",
    )
    resume: bool = option(
        "--resume", is_flag=True, help="Go on with the FILE of --jsonl of a stopped run."
    )

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
        from fabkit.outputs.many import judge_many
        from fabkit.outputs.summary import print_summary
        from fabkit.outputs.terminal import Terminal
        from fabkit.package.gathering import gather

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
        from fabkit.outputs.many import in_processes, on_cluster, processors

        if self.cluster is None:
            return in_processes(self.jobs or processors())
        if self.jobs is not None:
            raise UsageError("--jobs is for this machine", hint="leave it out beside --cluster")
        return on_cluster(self.cluster)
