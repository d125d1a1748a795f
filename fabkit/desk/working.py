"""What a process of the desk does for one order: what ``fabkit order`` does, step by step.

Each step keeps what it made beside what it was made of.  A change of the order runs all steps
again, and those whose inputs are the same give what they made before: a price follows at once.
"""

from __future__ import annotations

import io
import time
import zipfile
from collections.abc import Callable, Hashable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from functools import partial
from itertools import takewhile
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final, TypeVar

from fabkit.base.errors import FabkitError, UsageError
from fabkit.base.steps import at, listening
from fabkit.base.tables import Record
from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.checks.judging import set_aside
from fabkit.checks.model import OPENINGS, CheckOptions
from fabkit.desk.ordering import (
    Design,
    changes_since,
    houses_of,
    judge_designs,
    read_designs,
    reckon,
    settle_order,
    source_bytes,
)
from fabkit.desk.store import SHEETS, OrderFolder
from fabkit.desk.wanted import changed, error_record, known_record, read_order
from fabkit.keyboard.ordered import describe_order, propose_boards
from fabkit.mending.mend import MendOptions, mend
from fabkit.outputs import money
from fabkit.outputs.atomic import digest
from fabkit.outputs.drawings import look_of_order
from fabkit.outputs.formats import plain
from fabkit.outputs.mended import render_mended_page, write_mended
from fabkit.outputs.model import JudgedBoard, OrderContents
from fabkit.outputs.order_folder import pack_board, stem_of, write_order
from fabkit.outputs.panel import panel
from fabkit.outputs.pricing import Compared
from fabkit.outputs.records import keyboard_record
from fabkit.outputs.report.board_view import compare_section
from fabkit.outputs.report.page import (
    board_view,
    cost_values,
    picture_view,
    pointed,
    rest_values,
    with_headlines,
)
from fabkit.outputs.report.shell import render_part
from fabkit.outputs.terminal import SHOWN_CAUSES
from fabkit.outputs.whole_folder import settle_place
from fabkit.package.naming import file_stem, names_something
from fabkit.package.reading import open_package
from fabkit.parts.listing import suggest_names
from fabkit.pictures.looks import PreviewOptions
from fabkit.sheets.house import House, load_house
from fabkit.sheets.order import Order, OrderedBoard, ordered_board
from fabkit.sheets.order_template import ProposedBoard, order_template
from fabkit.sheets.toml_text import sheet_bytes

T = TypeVar("T")
Say = Callable[[Record], None]
"""Sends a message to the desk."""

STEPS: Final = ("reading", "drawing", "checking", "pricing", "packing")
_WEIGHTS: Final = (2.0, 1.0, 10.0, 4.0, 2.0)
"""Shares of a run that its steps take on a usual board."""

_BETWEEN_SECONDS: Final = 0.2
"""Between two words on how far a step is: nobody reads faster."""


class Superseded(Exception):
    """Something newer is wanted."""


class Working:
    """One order, worked on in the folder it lies in (which is the working folder).

    Parameters
    ----------
    say
        Called with each message for the desk.
    newer
        Whether another task waits.
    """

    def __init__(self, folder: OrderFolder, *, say: Say, newer: Callable[[], bool]) -> None:
        self._folder = folder
        self._say = say
        self._newer = newer
        self._memory: dict[str, tuple[Hashable, Any]] = {}
        self._views: dict[str, str] = {}
        self._step = ("", 0.0, 0.0)
        self._said = 0.0

    # Tasks

    def do(self, task: Record) -> None:
        """Do a task; what goes wrong is said."""
        deeds: dict[str, Callable[[Record], bool | None]] = {
            "run": self._run,
            "deliver": self._deliver,
            "mend": self._mend,
            "panel": self._panel,
            "compare": self._compare,
        }
        try:
            with listening(self._hear):
                if deeds[task["do"]](task) is not False:
                    self._say({"error": None})
        except Superseded:
            return
        except Exception as error:  # noqa: BLE001 -- every error of a task is said, and the desk goes on
            self._say({"error": error_record(error)})

    def _run(self, task: Record) -> bool:
        """Work out all parts of the page; begin with an order file where there is none yet.

        Gives whether there was an order to work out.
        """
        self._tell("reading")
        new = [name for name in task.get("new", ()) if (self._folder.path / name).exists()]
        drafted = self._drafted(new)
        if drafted is not None:
            self._say({"draft": drafted, "instead_of": digest(self._folder.text())})
            return False
        if not self._folder.text():
            return False
        order, houses, designs, pictures = self._drawn()
        judged, contents = self._reckoned(order, houses, designs)
        packs = self._packed(contents)
        views = board_views(contents.order, houses[0], judged, packs, pictures)
        self._put("verdict", verdict_part(views))
        self._put("package", package_part(views))
        if since := self._folder.record("since"):
            self._renew_changes(since, judged, contents, houses[0])
        return True

    def _renew_changes(
        self, since: Record, judged: Sequence[JudgedBoard], contents: OrderContents, house: House
    ) -> None:
        """Compare again what was compared before: what changed is that of the order as it is."""
        if len(judged) == 1 and Path(since["package"]).exists():
            self._show_changes(since, judged[0], contents, house)
        else:
            self._folder.keep_record("since", {})
            self._folder.view("changed").unlink(missing_ok=True)

    def _deliver(self, task: Record) -> None:
        """Write the order folder as ``fabkit order`` does, and a zip of it."""
        del task
        asked, houses, designs, _ = self._drawn()
        _, contents = self._reckoned(asked, houses, designs)
        inputs = self._folder.inputs_digest()
        contents = replace(contents, sources=source_bytes(asked))
        settle_place(self._folder.done / "order", replace=True)
        done = write_order(
            contents, self._folder.done / "order", tell=self._tell_stage, replace=True
        )
        for packed in done.zips:
            if packed is not None:
                self._made(packed.path.name, f"order/{packed.path.name}", UPLOAD, inputs)
        whole = done.manifest["panel"]
        if whole and whole["zip"]:
            self._made(whole["zip"], f"order/{whole['zip']}", PANEL, inputs)
        stem = file_stem(contents.order.name)
        name = f"{stem}-order.zip"
        self._folder.keep(name, zipped(self._folder.done / "order", stem))
        self._made(name, name, "Everything about the order: report, parts, costs, pictures", inputs)

    def _mend(self, task: Record) -> None:
        """Mend every package of the order."""
        del task
        order, houses, _, _ = self._drawn()
        inputs = self._folder.inputs_digest()
        whole = replace(order, mend=False)
        for one in order.boards:
            self._tell_stage(f"mending {one.name}")
            # Whole files are mended, as they were exported; usually they are in memory.
            board = self._design(replace(one, edge=None), whole, houses[0]).board
            options = MendOptions(asked=order.mend_with)
            made = mend(board, houses[0], options=options, tell=self._tell_stage)
            stem = f"{stem_of(order, one)}-mended"
            (self._folder.done / "mended").mkdir(parents=True, exist_ok=True)
            write_mended(made, self._folder.done / "mended" / f"{stem}.zip", replace=True)
            self._made(f"{stem}.zip", f"mended/{stem}.zip", f"{one.name}, mended", inputs)
            self._folder.keep(f"mended/{stem}.html", render_mended_page(made).encode())
            title = f"What was mended in {one.name}, and the proof"
            self._made(f"{stem}.html", f"mended/{stem}.html", title, inputs)

    def _panel(self, task: Record) -> None:
        """Put the boards of the order on one panel."""
        del task
        order, houses, designs, _ = self._drawn()
        inputs = self._folder.inputs_digest()
        self._tell_stage("laying the panel")
        self._folder.done.mkdir(exist_ok=True)
        panel(
            [design.board for design in designs],
            self._folder.done / "panel.zip",
            order=order,
            house=houses[0],
            judged=CheckOptions(silenced=order.silenced),
            replace=True,
            tell=self._tell_stage,
        )
        self._made("panel.zip", "panel.zip", PANEL, inputs)
        self._made("panel.png", "panel.png", "Picture of the panel", inputs)

    def _compare(self, task: Record) -> None:
        """Show what changed since the package of another order."""
        order, houses, designs, _ = self._drawn()
        judged, contents = self._reckoned(order, houses, designs)
        if len(judged) != 1:
            raise UsageError(
                f"the order has {len(judged)} designs, and one package to compare with",
                hint="compare orders of one design each",
            )
        since = {"package": task["package"], "roles": task.get("roles") or {}}
        self._show_changes(since, judged[0], contents, houses[0])
        self._folder.keep_record("since", since)

    def _show_changes(
        self, since: Record, judged: JudgedBoard, contents: OrderContents, house: House
    ) -> None:
        self._tell_stage("reading the revision before")
        before = self._kept(
            "before",
            (since["package"], str(since["roles"]), digest(Path(since["package"]).read_bytes())),
            lambda: build_board(open_package(since["package"], roles=since["roles"])),
        )
        compared = changes_since(before, contents.order, judged, house, tell=self._tell_stage)
        self._put("changed", changed_part(compared, look_of_order(contents.order, house)))

    # Steps

    def _drawn(self) -> tuple[Order, tuple[House, ...], tuple[Design, ...], list[Record]]:
        """Read the order and its packages, and draw them."""
        data = self._folder.text()
        if not data:
            raise UsageError("there is no board yet", hint="add a zip or folder of exported files")
        order = read_order(data, self._folder.path)
        houses = self._kept("houses", self._sheets(order.houses), lambda: houses_of(order))
        with self._at("reading"):
            designs = tuple(self._design(one, order, houses[0]) for one in order.boards)
        look = look_of_order(order, houses[0])
        with self._at("drawing"):
            pictures = [
                self._kept(
                    f"picture {number}",
                    (self._design_key(one, order), look),
                    partial(picture_view, design.board, look, number),
                )
                for number, (one, design) in enumerate(zip(order.boards, designs, strict=True), 1)
            ]
            names = [one.name for one in order.boards]
            boards = [design.board for design in designs]
            self._put("picture", picture_part(boards, names, pictures))
        return order, houses, designs, pictures

    def _reckoned(
        self, order: Order, houses: tuple[House, ...], designs: tuple[Design, ...]
    ) -> tuple[tuple[JudgedBoard, ...], OrderContents]:
        """Judge and reckon; show the verdict as soon as it is there."""
        settled = settle_order(order, designs, houses[0])
        # Of one house rules are set aside afterwards: that takes no new check.
        checked = replace(settled, silenced=()) if len(houses) == 1 else settled
        key = (
            tuple(self._design_key(one, order) for one in order.boards),
            self._sheets(order.houses),
            tuple(
                (one.name, one.use, CheckOptions.of(checked, use=one.stated))
                for one in settled.boards
            ),
        )
        is_new = self._memory.get("verdict", ((), None))[0] != (key, settled.silenced)
        with self._at("checking"):
            judged = self._kept(
                "judged", key, lambda: judge_designs(checked, designs, houses, tell=self._tell)
            )
            judged = self._kept(
                "verdict", (key, settled.silenced), lambda: _set_aside(judged, settled, houses)
            )
        judged = tuple(
            replace(j, ordered=one) for j, one in zip(judged, settled.boards, strict=True)
        )
        views = board_views(
            settled, houses[0], judged, [UNPACKED] * len(judged), self._pictures(judged)
        )
        if is_new:
            self._put("verdict", verdict_part(views))
        with self._at("pricing"):
            contents = reckon(settled, judged, houses, today=_today(), tell=self._tell)
            for name, html in cost_parts(contents, views).items():
                self._put(name, html)
            self._folder.keep_record("summary", summary_record(contents))
            self._folder.keep_record("known", known_record(contents))
            self._say({"known": True})
        return judged, contents

    def _pictures(self, judged: Sequence[JudgedBoard]) -> list[Record]:
        return [self._memory[f"picture {n}"][1] for n in range(1, len(judged) + 1)]

    def _packed(self, contents: OrderContents) -> list[Record]:
        """Pack every board into a folder that is not kept: what is said of it is wanted."""
        with self._at("packing"), TemporaryDirectory() as folder:
            boards = money.cost_record(contents.costs)["boards"]
            return [
                pack_board(
                    contents,
                    number,
                    Path(folder) / f"{stem_of(contents.order, one.ordered)}.zip",
                    boards[number],
                )[0]
                for number, one in enumerate(contents.boards)
            ]

    def _design(self, one: OrderedBoard, order: Order, house: House) -> Design:
        key = self._design_key(one, order)
        alone = replace(order, boards=(one,))
        return self._kept(
            f"design {one.package}",
            key,
            lambda: read_designs(alone, house, tell=self._tell)[0],
        )

    def _design_key(self, one: OrderedBoard, order: Order) -> Hashable:
        """Everything that a design is read by."""
        stat = one.package.stat()
        mended = (order.mend_with, self._sheets(order.houses[:1])) if order.mend else ()
        roles = tuple(sorted(one.roles.items()))
        return (str(one.package), stat.st_size, stat.st_mtime_ns, roles, one.edge, mended)

    def _sheets(self, paths: Sequence[Path]) -> Hashable:
        return tuple((str(path), sheet_bytes(path)) for path in paths)

    def _kept(self, name: str, key: Hashable, make: Callable[[], T]) -> T:
        """Give what was made of the same, or make it; end where something newer is wanted."""
        there = self._memory.get(name)
        if there is not None and there[0] == key:
            made: T = there[1]
            return made
        made = make()
        self._memory[name] = (key, made)
        if self._newer():
            raise Superseded
        return made

    # The order file

    def _drafted(self, new: Sequence[str]) -> str | None:
        """Write an order file for packages that no one has ordered yet; None where nothing is new.

        As long as the order file is as it was drafted, all of it is drafted anew.
        """
        data = self._folder.text()
        if data and not new:
            return None
        fresh = not data or self._folder.record("draft").get("sha256") == digest(data)
        order = read_order(data, self._folder.path) if data else None
        known = [one.package.as_posix() for one in order.boards] if order else []
        names = self._folder.packages() if fresh else [*known, *new]
        read = dict(self._readable(names, keep=known))
        if not read or not set(read) - set(known):
            return None
        title = title_of(read) if fresh or order is None else order.name
        proposed = propose_boards(title, list(read.items()))
        if not fresh:
            return _added(data, len(known), [one for one in proposed if one.package in new])
        there = self._folder.sheets()
        house, parts = f"{SHEETS}/house.toml", f"{SHEETS}/parts.toml"
        chosen: Record = {"houses": [house]} if house in there else {}
        chosen |= {"parts": parts} if parts in there else {}
        return order_template(
            name=title,
            boards=proposed,
            names=suggest_names([read[one.package] for one in proposed if one.chosen]),
            chosen=chosen,
        )

    def _readable(
        self, names: Sequence[str], *, keep: Sequence[str]
    ) -> Iterator[tuple[str, Board]]:
        """Read packages; one that cannot be read is said, and removed unless it is ordered."""
        for name in names:
            self._tell(f"reading {name}")
            one = ordered_board(Path(name), name=name, use=None)
            order = Order(name=name, file="", invented=False, boards=(one,))
            try:
                yield name, self._design(one, order, load_house()).board
            except FabkitError as error:
                if name in keep:
                    raise
                (self._folder.path / name).unlink(missing_ok=True)
                self._say({"refused": {"package": name, **error_record(error)}})

    # Messages

    def _put(self, name: str, html: str) -> None:
        """Keep a part of the page, and say that it is there."""
        now = digest(html.encode())
        if self._views.get(name) != now or not self._folder.view(name).exists():
            self._folder.keep(f"{name}.html", html.encode())
            self._views[name] = now
        self._say({"view": name})

    def _made(self, name: str, path: str, title: str, inputs: str) -> None:
        """Note a file that can be downloaded, and what it was made of."""
        made = self._folder.record("made")
        made[name] = {"path": path, "title": title, "inputs": inputs}
        self._folder.keep_record("made", made)
        self._say({"known": True})

    @contextmanager
    def _at(self, step: str) -> Iterator[None]:
        """Say which step is done, and how much of all that is."""
        number, whole = STEPS.index(step), sum(_WEIGHTS)
        before = sum(_WEIGHTS[:number]) / whole
        self._step = (step, before, _WEIGHTS[number] / whole)
        self._tell(step)
        yield

    def _tell(self, words: str) -> None:
        at(words)
        self._say({"stage": words, "share": round(self._step[1], 3)})

    def _tell_stage(self, words: str) -> None:
        """Tell of a work whose length is not known."""
        at(words)
        self._step = ("", 0.0, 0.0)
        self._say({"stage": words, "share": None})

    def _hear(self, done: int, of: int, noun: str) -> None:
        step, before, weight = self._step
        now = time.monotonic()
        if step and done and now - self._said >= _BETWEEN_SECONDS:
            self._said = now
            share = before + weight * done / max(of, 1)
            self._say({"stage": f"{step}: {done} of {of} {noun}", "share": round(share, 3)})


UPLOAD: Final = "The zip to upload to the board house"
PANEL: Final = "All boards of the order on one panel"


def _today() -> date:
    return date.today()  # noqa: DTZ011 -- the user's own calendar, as the command takes it


def _set_aside(
    judged: Sequence[JudgedBoard], order: Order, houses: Sequence[House]
) -> tuple[JudgedBoard, ...]:
    if len(houses) > 1 or not order.silenced:
        return tuple(judged)
    options = [CheckOptions.of(order, use=one.stated) for one in order.boards]
    return tuple(
        replace(one, result=set_aside(one.result, one.board, houses[0], chosen))
        for one, chosen in zip(judged, options, strict=True)
    )


def _added(data: bytes, count: int, proposed: Sequence[ProposedBoard]) -> str:
    """Add boards to an order file that was edited and has so many."""
    for number, one in enumerate((one for one in proposed if one.chosen), count):
        table: Record = {"package": one.package, "name": one.name or None}
        table |= {"is": one.use} if one.stated else {}
        table |= {"per_keyboard": one.per_keyboard} if one.per_keyboard else {}
        table = {key: value for key, value in table.items() if value is not None}
        data = changed(data, {f"board.{number}": table})
    return data.decode()


def title_of(read: dict[str, Board]) -> str:
    """Name a keyboard: by what its packages are called alike, else by the one that gives halves."""
    lead = propose_boards("", list(read.items()))[0].package
    shared = _shared_start([Path(name).stem for name in read]).strip("-_. ")
    names = [read[lead].name, Path(lead).stem, *(board.name for board in read.values())]
    if len(read) > 1:
        names.insert(0, shared)
    return next((n for n in names if n and names_something(n)), read[lead].name)


def _shared_start(names: Sequence[str]) -> str:
    first, last = min(names), max(names)
    same = takewhile(lambda pair: pair[0] == pair[1], zip(first, last, strict=False))
    return "".join(letter for letter, _ in same)


def zipped(folder: Path, stem: str) -> bytes:
    """Pack a folder into a zip: the same bytes for the same files."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(folder.rglob("*")):
            if path.is_file() and not path.is_symlink():
                info = zipfile.ZipInfo(f"{stem}/{path.relative_to(folder).as_posix()}")
                info.compress_type = zipfile.ZIP_DEFLATED
                archive.writestr(info, path.read_bytes())
    return made.getvalue()


# Parts of the page, made of the report's own sections


_RANKS: Final = {opening: rank for rank, opening in enumerate(reversed(OPENINGS.values()))}
"""Verdicts, the graver the higher; that a check broke stands above all."""

UNPACKED: Final[Record] = {"zip": None, "reason": "", "accepted": {}}
"""What was packed of a board that was not packed yet."""


def picture_part(boards: Sequence[Board], names: Sequence[str], pictures: Sequence[Record]) -> str:
    """Draw the boards; beside them what can be pointed at, as data of the page's script."""
    known = {"known": True, "formal": True}
    views = [
        {"name": name, "title": name, **drawn, **pointed(board, drawn), **known}
        for board, name, drawn in zip(boards, names, pictures, strict=True)
    ]
    data = [view["script"] for view in views]
    return render_part("live/picture.html.j2", boards=views, data=plain({"boards": data}))


def board_views(
    order: Order,
    house: House,
    judged: Sequence[JudgedBoard],
    packs: Sequence[Record],
    pictures: Sequence[Record],
) -> list[Record]:
    """Give what the sections of the boards are filled with."""
    views = [
        board_view(order, house, one, pack, number, picture)
        for number, (one, pack, picture) in enumerate(zip(judged, packs, pictures, strict=True), 1)
    ]
    said = describe_order(order, [one.board for one in judged])
    return with_headlines(views, [keyboard_record(one) for one in said])


def verdict_part(views: Sequence[Record]) -> str:
    """Say what each board is, whether it is fit to order, and each cause."""
    data = [{key: view["script"][key] for key in ("places", "consequences")} for view in views]
    return render_part(
        "live/verdict.html.j2",
        boards=views,
        shown_causes=SHOWN_CAUSES,
        data=plain({"boards": data}),
    )


def cost_parts(contents: OrderContents, views: Sequence[Record]) -> dict[str, str]:
    """Everything that depends on prices and parts: by the name of the part."""
    bill, costs = money.bill_record(contents.bill), money.cost_record(contents.costs)
    values = cost_values(contents, bill, costs)
    filled = {**rest_values(contents), **values, "boards": views, "price": plain(values["price"])}
    return {
        "cost": render_part("live/cost.html.j2", **filled),
        "parts": render_part("sections/parts.html.j2", **filled),
        "thickness": render_part("sections/thickness.html.j2", **filled),
        "wiring": render_part("sections/wiring.html.j2", **filled),
    }


def package_part(views: Sequence[Record]) -> str:
    """Say what goes to the board house, and what each file was taken for."""
    return render_part("sections/package.html.j2", boards=views)


def changed_part(compared: Compared, look: PreviewOptions) -> str:
    """Show what changed since a revision before."""
    section = compare_section(compared.comparison, compared.record, look)
    return render_part("sections/changes.html.j2", compared=section)


def summary_record(contents: OrderContents) -> Record:
    """Give what a list of orders says of one."""
    best = contents.costs.best
    worst = max(contents.boards, key=lambda one: _RANKS.get(one.result.opening, len(_RANKS)))
    return {
        "name": contents.order.name,
        "verdict": worst.result.verdict,
        "total": None if best is None else contents.costs.currency.format(best.total),
        "best": None if best is None else {"quantity": best.quantity, "boards": best.boards},
    }
