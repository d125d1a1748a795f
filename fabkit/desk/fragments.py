"""Parts of the page, made of the report's own sections."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from fabkit.base.tables import Record
from fabkit.board.model import Board
from fabkit.keyboard.ordered import describe_order
from fabkit.outputs import money
from fabkit.outputs.formats import plain
from fabkit.outputs.model import JudgedBoard, OrderContents
from fabkit.outputs.pricing import Compared
from fabkit.outputs.records import keyboard_record
from fabkit.outputs.report.board_view import compare_section
from fabkit.outputs.report.page import board_view, cost_values, pointed, rest_values, with_headlines
from fabkit.outputs.report.shell import render_part
from fabkit.outputs.verdict import SHOWN_CAUSES
from fabkit.pictures.options import PreviewOptions
from fabkit.sheets.house import House
from fabkit.sheets.order import Order

_RANKS: Final = {"fit to order": 0, "decide before ordering": 1, "do not order": 2}

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
