"""What every command answers about one board: what it is, and the keys of each half."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import fabkit
from fabkit.board.model import Board
from fabkit.keyboard.model import Keyboard, fitted_range
from fabkit.keyboard.ordered import order_of
from fabkit.outputs.comparison import compare_record
from fabkit.outputs.drawings import paper_halves
from fabkit.outputs.money import bill_record, cost_record
from fabkit.outputs.records import check_record
from fabkit.outputs.wiring import wiring_record

Record = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Answer:
    """What one command says.

    Parameters
    ----------
    use
        What one board is, in the record that its first line is made of.
    keys
        Keys by hand, as the command counts, lists or numbers them.
    """

    use: str
    keys: Mapping[str, int]

    @property
    def words(self) -> str:
        """``reversible 18/18``."""
        return f"{self.use} " + ("/".join(str(n) for n in self.keys.values()) or "0")


def answers(board: Board) -> dict[str, Answer]:
    """Ask every command about one board, by the records that its JSON is made of.

    Returns
    -------
    By command: ``check``, ``quote`` and ``compare`` count keys, ``parts`` lists them, ``wiring``
    numbers them.
    """
    # What is said of the board does not hang on what is found: one check is enough.
    result = fabkit.check(board, options=fabkit.CheckOptions(only=("package/legend",)))
    return {
        "check": _first_line(check_record(board, result, fabkit.load_house())),
        "parts": _parts(bill_record(fabkit.list_parts(board))),
        "wiring": _wiring(wiring_record(fabkit.list_wiring(board))),
        "compare": _first_line(compare_record(fabkit.compare_boards(board, board))),
        "quote": _first_line(cost_record(fabkit.quote(board, results=[result]))),
    }


def paper_keys(board: Board) -> int:
    """How many places for keys a paper template shows, a place that both halves show once."""
    halves = paper_halves((board,), order_of((board,), None))
    return len({(key.x_mm, key.y_mm) for half in halves for key in half.keys})


def _first_line(record: Record) -> Answer:
    said = record["boards"][-1]
    keys: Counter[str] = Counter()
    for group in said["groups"]:
        keys[group["hand"]] += group["keys"][1]
    return Answer(said["is"], keys)


def _parts(record: Record) -> Answer:
    lines = [a for a in record["lines"] if a["class"] == "switch" or a["key"] == "key switch"]
    keys = {hand: sum(a[hand] for a in lines) for hand in ("left", "right")}
    keys["whole"] = sum(a["per_keyboard"] for a in lines) - sum(keys.values())
    return Answer(record["boards"][0]["is"], {hand: n for hand, n in keys.items() if n})


def _wiring(record: Record) -> Answer:
    # Of places that overlap, one is fitted: the largest set that never stands for one another.
    keys: Counter[str] = Counter()
    for half in record["halves"]:
        keys[half["hand"]] += _fitted(half["keys"])
    return Answer(record["boards"][0]["is"], keys)


def _fitted(keys: list[Record]) -> int:
    at = {key["ref"]: row for row, key in enumerate(keys)}
    others = [tuple(at[r] for r in key["instead_of"] if r in at) for key in keys]
    return fitted_range(others)[1]


def disagreements(said: Mapping[str, Answer], keyboard: Keyboard) -> list[str]:
    """What commands say that the keyboard of the board does not, a sentence each.

    A plate's switches are soldered to another board: none is bought or wired for it.
    """
    hands = keyboard.hands
    counts: Counter[str] = Counter()
    for group in hands.groups:
        counts[group.hand] += keyboard.group_counts(group)[1]
    out = []
    for command, answer in said.items():
        plate = hands.use == "plate" and command in ("parts", "wiring")
        wanted = Answer(hands.use, {} if plate else counts)
        if (answer.use, dict(answer.keys)) != (wanted.use, dict(wanted.keys)):
            out.append(f"{command}: {answer.words}, not {wanted.words}")
    return out
