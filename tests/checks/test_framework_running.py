"""Declaring, selecting and running checks, whatever they check."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import pytest
from shapely.geometry import MultiPolygon, box

from fabkit.base.errors import UsageError
from fabkit.base.findings import Consequence, Finding, Rule, Severity, Source
from fabkit.board.model import Board, BoardSlots, Holes
from fabkit.checks.catalogue import CHECKS, _collect, all_rules
from fabkit.checks.declare import NEEDS, check
from fabkit.checks.model import Case, CheckOptions, CheckResult, NotJudged, Outcome, State
from fabkit.checks.runner import gather, matches, run_check, run_checks, select
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member, Package
from fabkit.rules import load_rule
from fabkit.sheets.house import load_house
from fabkit.sheets.order import Silence


def rule_of(name, severity=Severity.WARNING):
    """A rule for these tests."""
    return Rule(
        id=name,
        title="t",
        why="w",
        source=Source("common practice"),
        severity=severity,
        advice="do",
    )


ODD = rule_of("test/odd")
BAD = rule_of("test/bad", Severity.ERROR)


def board_of(*, profile=None, problems=(), package_problems=()):
    """A board without layers or holes."""
    return Board(
        name="b",
        package=Package("b", "b", (), (), tuple(package_problems)),
        profile=profile,
        layers=(),
        holes=Holes.empty(),
        slots=BoardSlots.empty(),
        drill_names=(),
        hole_functions=(),
        components=(),
        thickness_mm=None,
        problems=tuple(problems),
    )


def case_of(board=None, **options):
    """A case judged by the bundled sheet."""
    return Case(board or board_of(), load_house(), CheckOptions(**options))


@check(id="test/finds", rules=(ODD,))
def finds(case):
    """It finds."""
    yield Finding.of(ODD, "odd")


@check(id="test/silent", rules=(ODD,))
def silent(case):
    """It is silent."""
    return iter(())


@check(id="test/needy", rules=(ODD,), needs=("profile",))
def needy(case):
    """It needs a profile."""
    return iter(())


@check(id="test/stops", rules=(ODD,))
def stops(case):
    """It finds, then cannot go on."""
    yield Finding.of(ODD, "odd")
    raise NotJudged("the rest is missing")


@check(id="other/broken", rules=(ODD,))
def broken(case):
    """It breaks."""
    raise ZeroDivisionError("oops")


@check(id="other/strange", rules=(ODD,))
def strange(case):
    """It applies a rule it does not declare."""
    yield Finding.of(BAD, "bad")


ALL = (finds, silent, needy, stops, broken, strange)


@pytest.mark.parametrize(
    ("one", "state", "count"),
    [
        (finds, State.FOUND, 1),
        (silent, State.PASSED, 0),
        (needy, State.NOT_JUDGED, 0),
        (stops, State.NOT_JUDGED, 1),
        (broken, State.BROKEN, 0),
        (strange, State.BROKEN, 0),
    ],
    ids=lambda value: getattr(value, "id", None),
)
def test_the_four_outcomes(one, state, count):
    """A check passes, finds, is not judged, or is broken; what it had found is kept."""
    outcome = run_check(one, case_of())

    assert (outcome.state, len(outcome.findings)) == (state, count)


def test_a_blind_spot_says_what_is_missing():
    """Not judged names the missing need in words."""
    assert "profile" in run_check(needy, case_of()).reason
    assert run_check(stops, case_of()).reason == "the rest is missing"


def test_a_met_need_lets_the_check_pass():
    """Silence is a pass only when the needs are met."""
    case = case_of(board_of(profile=MultiPolygon([box(0, 0, 1, 1)])))

    assert run_check(needy, case).state is State.PASSED


def test_a_broken_check_keeps_its_traceback_and_the_others():
    """One broken check does not lose the others, and its traceback is kept."""
    outcomes = run_checks(ALL, case_of())

    assert [o.check.id for o in outcomes] == [c.id for c in ALL]
    assert "ZeroDivisionError: oops" in outcomes[4].reason
    assert "test_framework_running" in outcomes[4].trace


@pytest.mark.parametrize(
    ("only", "without", "ids"),
    [
        ((), (), [c.id for c in ALL]),
        (("test/finds",), (), ["test/finds"]),
        (("other/",), (), ["other/broken", "other/strange"]),
        ((), ("test/", "other/broken"), ["other/strange"]),
        (("test/",), ("test/finds",), ["test/silent", "test/needy", "test/stops"]),
    ],
)
def test_selection(only, without, ids):
    """Checks are chosen by exact id or by group, never by a part of a name."""
    chosen = select(ALL, CheckOptions(only=only, without=without))

    assert [c.id for c in chosen] == ids


@pytest.mark.parametrize("name", ["test", "test/fin", "finds", "/", ""])
def test_part_of_a_name_selects_nothing(name):
    """A name that is no id and no group is refused."""
    assert not matches(name, "test/finds")
    with pytest.raises(UsageError, match="no check is called"):
        select(ALL, CheckOptions(only=(name,)))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"id": "Test/Finds"}, "group/kebab-case"),
        ({"id": "finds"}, "group/kebab-case"),
        ({"rules": ()}, "no rule"),
        ({"needs": ("magic",)}, "no board can have"),
    ],
)
def test_incomplete_declarations_fail_at_import(changes, said):
    """A declaration that is not complete is a ValueError."""
    good = {"id": "test/x", "rules": (ODD,), "needs": ()}
    with pytest.raises(ValueError, match=said):
        check(**{**good, **changes})


def test_a_check_needs_a_docstring():
    """The title is the docstring's first line, so there must be one."""
    with pytest.raises(ValueError, match="no docstring"):
        check(id="test/x", rules=(ODD,))(lambda _: ())


def module_of(name, *checks):
    """A rule module with checks."""
    module = ModuleType(name)
    for number, one in enumerate(checks):
        one.function.__module__ = name
        setattr(module, f"check_{number}", one)
    return module


def made(name, rule):
    """A new check."""

    def function(case):
        """Nothing."""
        return ()

    return check(id=name, rules=(rule,))(function)


def test_double_ids_fail_at_import():
    """Two checks, or two rules, of one id are refused."""
    one, two = made("test/x", ODD), made("test/x", ODD)
    with pytest.raises(ValueError, match="check test/x is declared twice"):
        _collect((module_of("m1", one, two),))
    three, four = made("test/y", ODD), made("test/z", rule_of("test/odd"))
    with pytest.raises(ValueError, match="rule test/odd is declared twice"):
        _collect((module_of("m2", three), module_of("m3", four)))


def test_the_catalogue_is_complete():
    """Every check has a title, limits the sheet knows, known needs, and rules with reasons."""
    house = load_house()
    for one in CHECKS:
        assert one.title
        assert set(one.needs) <= set(NEEDS)
        assert all(house.limit(key) for key in one.limits)
    for rule in all_rules():
        for text in (rule.title, rule.why, rule.advice, str(rule.source)):
            assert text.strip(), rule.id
        assert not rule.title.endswith("."), rule.id


def test_rule_ids_are_unique_and_well_formed():
    """Every rule that readers or checks can apply has its own group/kebab-case id."""
    ids = [rule.id for rule in all_rules()]

    assert len(ids) == len(set(ids))
    assert all(r.count("/") == 1 and r == r.lower() and " " not in r for r in ids)


def test_shared_facts_are_built_once():
    """A shared fact is computed once for all checks of a case."""
    calls = []

    def fact(case):
        calls.append(case)
        return 42

    case = case_of()
    assert case.shared(fact) == case.shared(fact) == 42
    assert len(calls) == 1


def heavy_fact(case):
    """Ask for more memory than there is, as native code reports it."""
    case.board.tried.append(1)
    raise RuntimeError("could not allocate 999 GiB")


@check(id="test/heavy", rules=(ODD,))
def heavy(case):
    """It finds, then asks for too much."""
    yield Finding.of(ODD, "odd")
    case.shared(heavy_fact)


@check(id="test/heavy-too", rules=(ODD,))
def heavy_too(case):
    """It asks for the same."""
    yield from case.shared(heavy_fact)


def test_what_is_too_heavy_is_no_pass():
    """Tried once, not judged, told once as a decision, status 2; what was found is kept."""
    case = case_of()
    vars(case.board)["tried"] = []
    outcomes = run_checks((heavy, heavy_too, silent), case)
    result = gather(case, outcomes)

    assert len(case.board.tried) == 1
    assert [o.state for o in outcomes] == [State.NOT_JUDGED, State.NOT_JUDGED, State.PASSED]
    assert [f.id for f in result] == ["package/too-heavy", "test/odd"]
    assert "2 checks not judged: too heavy: heavy fact of b" in result[0].message
    assert result.exit_status(None) == 2


@pytest.mark.parametrize(
    ("limit_class", "measured", "severity"),
    [
        ("standard", 0.30, None),
        ("standard", 0.25, Severity.WARNING),
        ("standard", 0.20, Severity.WARNING),
        ("standard", 0.19, Severity.ERROR),
        ("fine", 0.25, None),
        ("fine", 0.20, None),
        ("fine", 0.19, Severity.ERROR),
    ],
)
def test_judging_by_both_classes(limit_class, measured, severity):
    """Between the classes is a warning, below both an error; at the limit is silent.

    The figures are the bundled sheet's smallest plated hole: 0.30 standard, 0.20 fine.
    """
    judged = case_of(limit_class=limit_class).judge("drill_min_plated_mm", measured)

    assert (judged[0] if judged else None) is severity


def test_findings_are_gathered_once_and_worst_first():
    """Readers' and checks' findings come together, each once, worst first."""
    shared, note = Finding.of(BAD, "bad"), Finding.of(rule_of("a/n", Severity.NOTE), "n")
    board = board_of(package_problems=[note, shared], problems=[shared])
    case = case_of(board)
    result = gather(case, run_checks((finds,), case))

    assert [f.id for f in result] == ["test/bad", "test/odd", "a/n"]


def test_what_a_drawing_holds_is_told_once():
    """A fault in a drawing, from which nothing is made, is told once and is only to know."""
    head = b"%TF.FileFunction,Drillmap*%\n%FSLAX46Y46*%\n%MOMM*%\n"
    drawing = Member(name="map.gbr", data=head + b"%ADD10R,0X1*%\nD10*\nX0Y0D03*\nM02*\n")
    package = read_package(Intake(name="p", source="p", members=(drawing,), left_out=()))
    case = case_of(replace(board_of(), package=package))

    told = [f.severity for f in gather(case, ()) if f.id == "gerber/size-zero"]

    assert told == [Severity.NOTE]


def test_silenced_findings_are_counted_not_lost():
    """A silenced rule leaves the findings, is kept with its reason, and shows in the verdict."""
    case = case_of(silenced=(Silence(rule="test/odd", reason="on purpose"),))
    result = gather(case, run_checks((finds,), case))

    assert len(result) == 0
    assert [(f.id, reason) for f, reason in result.silenced] == [("test/odd", "on purpose")]
    assert "1 silenced" in result.verdict


@pytest.mark.parametrize("name", ["hole/duplicate", "drill/duplicate-hit"])
def test_a_retired_id_silences_and_leaves_out_the_rule_in_its_place(name):
    """Orders and scripts that name a rule by its former id go on doing what they did."""
    board = board_of(problems=[Finding.of(load_rule("hole/duplicate"), "drilled twice")])
    silenced = gather(case_of(board, silenced=(Silence(rule=name, reason="meant"),)), ())

    assert [(f.id, reason) for f, reason in silenced.silenced] == [("hole/duplicate", "meant")]
    assert len(gather(case_of(board, without=(name,)), ())) == 0
    assert len(gather(case_of(board, only=(name,)), ())) == 1


def test_rules_can_be_left_out():
    """``without`` also leaves out rules of readers."""
    case = case_of(board_of(problems=[Finding.of(BAD, "bad")]), without=("test/bad",))

    assert len(gather(case, ())) == 0


@pytest.mark.parametrize(
    ("severities", "verdict", "status"),
    [
        ([], "fit to order", [0, 0, 0, 0]),
        ([Severity.NOTE], "fit to order", [0, 0, 0, 1]),
        ([Severity.WARNING] * 2, "decide before ordering: 2 decisions", [0, 0, 1, 1]),
        (
            [Severity.ERROR, Severity.NOTE],
            "do not order: 1 stop",
            [0, 1, 1, 1],
        ),
    ],
)
def test_verdict_and_exit_status(severities, verdict, status):
    """The verdict follows the worst finding; the status follows the level asked for."""
    findings = tuple(Finding.of(rule_of(f"a/r{n}", s), "m") for n, s in enumerate(severities))
    result = CheckResult(findings, ())

    levels = [None, Severity.ERROR, Severity.WARNING, Severity.NOTE]
    assert result.verdict == verdict
    assert [result.exit_status(level) for level in levels] == status
    assert verdict.startswith(result.opening)


def test_what_every_reader_takes_in_one_way_is_form():
    """A rule that is never more than form leaves the verdict alone, whatever its severity."""
    formal = replace(rule_of("gerber/r", Severity.ERROR), at_most=Consequence.KNOW)
    case = case_of(board_of(problems=[Finding.of(formal, "m"), Finding.of(ODD, "odd")]))
    result = gather(case, ())
    (found,) = [f for f in result if f.id == "gerber/r"]

    assert (found.consequence, found.severity) == (Consequence.FORM, Severity.NOTE)
    assert formal.severity is Severity.ERROR
    assert [f.id for group in result.causes(Consequence.FORM) for f in group] == ["gerber/r"]


def test_a_check_for_what_the_board_does_not_have_does_not_apply():
    """Without slots nothing is left unjudged; without net names something is."""
    for need, state in (("slots", State.APART), ("nets", State.NOT_JUDGED)):
        one = replace(finds, needs=(need,))
        assert run_check(one, case_of()).state is state


def test_a_broken_check_is_never_a_pass():
    """A broken check gives status 3 and takes the verdict with it."""
    outcome = Outcome(check=broken, state=State.BROKEN, reason="r")
    result = CheckResult((), (outcome,))

    assert result.exit_status(None) == 3
    assert "not to be trusted" in result.verdict


def test_a_result_is_a_sequence():
    """A result can be indexed, sliced, counted and searched like any sequence."""
    first, second = Finding.of(BAD, "bad"), Finding.of(ODD, "odd")
    result = CheckResult((first, second), ())

    assert (result[0], result[1:], list(result)) == (first, (second,), [first, second])
    assert (result.count(Severity.ERROR), result.count(second), second in result) == (1, 1, True)
