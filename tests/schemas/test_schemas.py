"""Every JSON document fits its schema, and TOML schemas judge as the loaders do.

The judge is jsonschema, an implementation of JSON Schema draft 2020-12 that is not ours.
"""

from __future__ import annotations

import importlib.util
import json
import re
import shutil
import tomllib
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from fabkit.base.errors import SheetError
from fabkit.cli.group import cli
from fabkit.outputs.formats import FORMATS
from fabkit.parts.book import EXAMPLE as PARTS
from fabkit.parts.book import book_from
from fabkit.schemas import load_schema, schema_names
from fabkit.sheets.house import EXAMPLE, house_from
from fabkit.sheets.order import order_from
from fabkit.sheets.toml_text import SheetText, key_lines

ROOT = Path(__file__).parents[2]
FIXTURES = ROOT / "fixtures"
DEMO = Path(__file__).resolve().parents[2] / "fabkit" / "demo" / "rev-b"


def closed(part):
    """The same schema, where keys it does not name are refused."""
    if isinstance(part, dict):
        made = {key: closed(value) for key, value in part.items()}
        if isinstance(made.get("properties"), dict) and "type" in made:
            made.setdefault("additionalProperties", False)
        return made
    return [closed(value) for value in part] if isinstance(part, list) else part


def faults(document):
    """What the schema of a document has against it, keys it does not name included."""
    kind = document["format"].split("/")[1]
    judge = Draft202012Validator(closed(load_schema(kind)))
    return [f"{e.json_path}: {e.message[:120]}" for e in judge.iter_errors(document)]


def maker():
    """The script that writes the schemas of files."""
    spec = importlib.util.spec_from_file_location("make_schemas", ROOT / "docs/make_schemas.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", schema_names())
def test_schemas_are_schemas(name):
    """The metaschema of draft 2020-12 has nothing against them."""
    Draft202012Validator.check_schema(load_schema(name))


def test_every_format_has_a_schema():
    """Documents and files: one schema each, and none besides; each asks for its own format."""
    files = {"order-file", "house-file", "parts-file"}
    assert set(schema_names()) == set(FORMATS) | files
    for kind, version in FORMATS.items():
        wanted = load_schema(kind)
        assert wanted["properties"]["format"] == {"const": f"fabkit/{kind}/{version}"}
        assert wanted["required"][0] == "format"


CALLS = {
    "check": ["check", DEMO, "--thicknesses", "--silence", "mask/web-thin=the house does it"],
    "check houses": [
        "check",
        FIXTURES / "defects/gap-small",
        *("--house", DEMO.parent / "house.toml"),
        *("--house", DEMO.parent / "house-b.toml"),
    ],
    "checks": ["checks"],
    "house": ["house"],
    "parts": ["parts", DEMO.parent / "order.toml"],
    "settings": ["settings"],
    "quote": ["quote", DEMO.parent / "order.toml"],
    "wiring": ["wiring", DEMO],
    "wiring matrix": ["wiring", FIXTURES / "linnet"],
    "compare": ["compare", DEMO.parent / "rev-a", DEMO, "--expect", "meant.toml"],
    "carry": ["carry", DEMO.parent / "rev-a", DEMO],
    "mend": ["mend", FIXTURES / "defects/legend-on-pad", "--out", "mended.zip"],
    "pack": ["pack", FIXTURES / "defects/clean", "--out", "zip"],
    "order": ["order", FIXTURES / "pair/order.toml", "--out", "folder"],
    "preview": ["preview", FIXTURES / "card", "--out", "pictures", "--scale", "2"],
    "sheet": ["sheet", "drills", FIXTURES / "card", "--out", "drills.svg"],
    "paper": ["paper", FIXTURES / "card", "--out", "paper.pdf"],
    "no such file": ["check", "nowhere"],
    "wrong key": ["house", "wrong.toml"],
}


MEANT = """format = 1
[[change]]
kind = "key/moved"
moved_mm = [0, 1]
reason = "reach"
[[change]]
kind = "key/added"
subject = "key SW99"
"""
"""Changes of the demonstration that are expected, and one that is missing."""


@pytest.mark.parametrize("call", CALLS.values(), ids=CALLS)
def test_output_fits_its_schema(call, tmp_path, monkeypatch, read_once):
    """What --json prints has every key its schema asks for, and no other."""
    monkeypatch.chdir(tmp_path)
    Path("meant.toml").write_text(MEANT)
    Path("wrong.toml").write_text("format = 1\nnmae = 'x'\n")
    words = [str(word) for word in call]
    result = CliRunner().invoke(cli, [*words, "--json"], prog_name="fabkit")
    document = json.loads(result.stdout)

    assert faults(document) == []
    assert json.dumps(document, ensure_ascii=False, indent=2) + "\n" == result.stdout
    shutil.rmtree("folder", ignore_errors=True)


def test_a_strict_schema_sees_a_strange_key():
    """The strictness the tests above rest on: a key too many and one too few are both seen."""
    good = {"format": "fabkit/files/1", "files": ["a.png"]}
    assert faults(good) == []
    assert faults({**good, "more": 1})
    assert faults({"format": "fabkit/files/1"})
    assert faults({**good, "files": [1]})


@pytest.mark.parametrize("name", ["order-file", "house-file", "parts-file"])
def test_schemas_of_files_are_current(name):
    """What is committed is what `python docs/make_schemas.py` writes."""
    written = (ROOT / f"fabkit/schemas/{name}.json").read_text(encoding="utf-8")
    assert written == maker().rendered(name)


SAMPLES = {
    "house-file": (EXAMPLE, DEMO.parent / "house-b.toml"),
    "parts-file": (PARTS,),
    "order-file": (DEMO.parent / "order.toml", FIXTURES / "pair/order.toml"),
}
LOADERS = {
    "house-file": house_from,
    "parts-file": book_from,
    "order-file": lambda table: order_from(table, base=Path()),
}
ABOUT_FORM = re.compile(
    r": (unknown key|missing|not a list.*|.* is not (text|a |true or false).*|.* is negative)$"
)
"""How a loader refuses a key or a type; rules over several keys are beyond a schema."""


def refusal(name, data):
    """Why the loader refuses data; empty when it does not."""
    text = SheetText(data=data, file="x.toml", lines={})
    try:
        LOADERS[name](text)
    except SheetError as error:
        return error.message
    return ""


def as_json(value):
    """As an editor sees TOML: dates are strings, exact numbers are numbers."""
    if isinstance(value, dict):
        return {key: as_json(one) for key, one in value.items()}
    if isinstance(value, list):
        return [as_json(one) for one in value]
    return value.isoformat() if isinstance(value, date) else value


def places(value, path=()):
    """Every table and key of a document."""
    if isinstance(value, dict):
        for key, below in value.items():
            yield (*path, key)
            yield from places(below, (*path, key))
    elif isinstance(value, list):
        for number, below in enumerate(value):
            yield from places(below, (*path, number))


def kind_of(path):
    """Keys on the way to a place, without numbers of items."""
    return tuple(step for step in path if isinstance(step, str))


def thinned(value, path=(), known=None):
    """The same sample without tables of a list whose kinds of keys stand in one before."""
    known = set() if known is None else known
    if isinstance(value, dict):
        return {key: thinned(below, (*path, key), known) for key, below in value.items()}
    if not isinstance(value, list):
        return value
    kept = []
    for below in value:
        kinds = {kind_of(place) for place in places(below, path)}
        if not isinstance(below, dict) or not kinds <= known:
            known |= kinds
            kept.append(thinned(below, path, known))
    return kept


CHANGES = ("rename", "remove", "text", "number", "flag", "list", "negative")


def change_in(document, path, change):
    """Put one thing wrong into a document: a key unknown, gone, of another type, out of bounds.

    Gives what puts it right again.
    """
    *way, key = path
    around = document
    for step in way:
        around = around[step]
    before = dict(around)
    old = around.pop(key)
    if change == "rename":
        around[f"{key}_x"] = old
    elif change == "negative":
        around[key] = -7
    elif change != "remove":
        around[key] = {"text": "some text", "number": 3, "flag": True, "list": [[]]}[change]

    def undo():
        around.clear()
        around.update(before)

    return old, undo


@pytest.mark.parametrize("name", SAMPLES)
def test_schemas_judge_as_the_loaders_do(name):
    """Whole samples pass both; of mistakes planted in every kind of key both see the same."""
    from decimal import Decimal

    judge = Draft202012Validator(load_schema(name))
    known = set()
    for sample in SAMPLES[name]:
        text = sample.read_text(encoding="utf-8")
        whole = tomllib.loads(text, parse_float=Decimal)
        assert key_lines(text)
        assert judge.is_valid(as_json(exact_to_float(whole)))
        assert refusal(name, whole) == ""

        thin = thinned(whole)
        exact = whole if refusal(name, thin) else thin  # sums that tables give may be asked for
        seen = as_json(exact_to_float(exact))
        kinds = {kind_of(path): path for path in [*places(exact)][::-1]}
        for kind, path in kinds.items():
            if kind in known:
                continue
            known.add(kind)
            for change in CHANGES:
                old, undo = change_in(exact, path, change)
                _, undo_seen = change_in(seen, path, change)
                why, fits = refusal(name, exact), judge.is_valid(seen)
                undo()
                undo_seen()
                if isinstance(old, date) and change == "text":
                    continue  # an editor sees a date as text
                if not fits:
                    assert why, (path, change, "only the schema refuses it")
                elif ABOUT_FORM.search(why):
                    pytest.fail(f"only the loader refuses {path} {change}: {why}")


def exact_to_float(value):
    """Numbers as JSON has them."""
    from decimal import Decimal

    if isinstance(value, dict):
        return {key: exact_to_float(one) for key, one in value.items()}
    if isinstance(value, list):
        return [exact_to_float(one) for one in value]
    return float(value) if isinstance(value, Decimal) else value
