"""Running the published cases: what is judged how, what a failing computation becomes, and the report."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from datetime import datetime

import pytest

import labkit
from labkit.validation import Case, PublishedValue, case, cases, check, judge, register, run, topics
from labkit.validation.report import ALL_DIGITS

PUBLISHED = {
    "printed": PublishedValue("0.465"),
    "tolerated": PublishedValue("0.2357", abs_tol=0.0001),
    "reachable": PublishedValue("-2316.37108160893", digits=7),
}
GOOD = {"printed": 0.4652, "tolerated": 0.2358, "reachable": -2316.3710816}


def invented(**changes: object) -> Case:
    one = Case("invented", "line", "Invented; for this test", False, "three numbers", {}, PUBLISHED)
    return replace(one, **changes)  # type: ignore[arg-type]


def computed_by(monkeypatch: pytest.MonkeyPatch, function: register.Computation) -> None:
    register.computation(case("Norris"))  # all that are shipped are entered first
    monkeypatch.setitem(register._COMPUTATIONS, "invented", function)


def test_each_value_is_judged_by_its_own_rule() -> None:
    found = judge(invented(), GOOD)
    assert found.agrees
    assert found.disagreements() == ()
    assert [(each.rule, each.limit) for each in found.values] == [
        ("printed digits", 0.0005),
        ("tolerance", 0.0001),
        ("digits", 7),
    ]
    assert found.digits == min(each.digits for each in found.values if each.digits is not None)
    assert found.values[0].digits == pytest.approx(-math.log10(0.0002 / 0.465))


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("printed", 0.4656, "printed: published 0.465, obtained 0.4656"),
        ("tolerated", 0.2359, "tolerated: published 0.2357, obtained 0.2359"),
        ("reachable", -2316.38, "7 digits wanted"),
        ("printed", math.nan, "printed: published 0.465, nothing obtained"),
        ("printed", math.inf, "nothing obtained"),
    ],
)
def test_one_value_that_does_not_agree_is_named(name: str, value: float, said: str) -> None:
    found = judge(invented(), GOOD | {name: value})
    assert not found.agrees
    assert (found.agreeing, len(found.values)) == (2, 3)
    (line,) = found.disagreements()
    assert said in line


def test_nothing_published_may_be_left_out_and_nothing_else_computed() -> None:
    short = judge(invented(), {"printed": 0.465, "tolerated": 0.2357})
    assert not short.agrees
    assert short.digits is None
    assert short.disagreements() == ("reachable: published -2316.37108160893, nothing obtained",)
    long = judge(invented(), GOOD | {"slope": 1.0})
    assert not long.agrees
    assert long.disagreements() == ("computed, but not published: slope",)


def test_digits_end_where_double_precision_does() -> None:
    found = judge(invented(), GOOD | {"printed": 0.465, "tolerated": 99.0})
    assert [each.digits for each in found.values][:2] == [ALL_DIGITS, 0.0]


def test_a_case_is_computed_by_what_is_registered(monkeypatch: pytest.MonkeyPatch) -> None:
    computed_by(monkeypatch, lambda one: GOOD)
    found = check(invented())
    assert found.agrees
    assert found.seconds > 0


@pytest.mark.parametrize(
    ("error", "said"),
    [(ValueError("no such limit"), "no such limit (ValueError)"), (KeyError("u_a"), "u_a (KeyError)")],
)
def test_a_computation_that_fails_is_a_case_that_does_not_agree(
    monkeypatch: pytest.MonkeyPatch, error: Exception, said: str
) -> None:
    def failing(one: Case) -> dict[str, float]:
        raise error

    computed_by(monkeypatch, failing)
    found = check(invented())
    assert not found.agrees
    assert found.disagreements() == (f"could not be computed: {said}",)
    assert json.loads(json.dumps(found.to_dict()))["error"] == found.error


def test_a_case_that_nothing_computes_does_not_agree() -> None:
    found = check(invented(name="nobody computes this"))
    assert found.disagreements() == ("could not be computed: nothing computes case 'nobody computes this' (KeyError)",)


def test_a_name_is_entered_once(monkeypatch: pytest.MonkeyPatch) -> None:
    computed_by(monkeypatch, lambda one: GOOD)
    with pytest.raises(KeyError, match="computed twice"):
        register.computes("invented")(lambda one: GOOD)


def test_report_of_one_topic_says_that_it_is_a_part() -> None:
    seen: list[tuple[int, int, str]] = []
    report = run(["line", "iso_28037"], lambda done, total, one: seen.append((done, total, one.name)))
    names = [each.name for topic in ("line", "iso_28037") for each in cases(topic)]
    assert seen == [(done, len(names), name) for done, name in enumerate(names)]
    assert [each.case.name for each in report.checked] == names
    assert report.agrees
    assert not report.complete
    assert "of line, iso_28037 only agree" in str(report)
    with pytest.raises(KeyError, match="no topic 'lines'"):
        run(["lines"])


def test_report_as_data_has_everything_and_says_on_what() -> None:
    report = run(["line"])
    found = json.loads(json.dumps(report.to_dict(), allow_nan=False))
    assert found["schema"] == "labkit.validation/1"
    assert found["labkit"] == labkit.__version__
    assert datetime.fromisoformat(found["created"]).utcoffset() is not None
    assert re.fullmatch("[0-9a-f]{64}", found["files_sha256"])
    assert found["machine"].keys() == {"Python", "numpy", "scipy", "BLAS", "System", "Processor"}
    (topic,) = found["topics"]
    published = {each.name: set(each.published) for each in cases("line")}
    assert {each["name"]: {value["name"] for value in each["values"]} for each in topic["cases"]} == published
    assert found["counts"] == topic["counts"]
    assert found["counts"]["values"] == found["counts"]["values_agreeing"] == sum(map(len, published.values()))
    assert all(each["source"] == case(each["name"]).source for each in topic["cases"])


def test_a_disagreement_is_shown_in_full(monkeypatch: pytest.MonkeyPatch) -> None:
    register.computation(case("walpole_myers"))
    good = register._COMPUTATIONS["walpole_myers"]
    monkeypatch.setitem(register._COMPUTATIONS, "walpole_myers", lambda one: {**good(one), "b": 0.5})
    report = run(["line"])
    assert not report.agrees
    assert report.to_dict()["verdict"] == "does not agree"
    said = str(report)
    assert f"Does not agree: walpole_myers, {case('walpole_myers').source}" in said
    assert f"b: published {case('walpole_myers').published['b'].text}, obtained 0.5" in said
    assert said.splitlines()[-1].startswith("1 of 19 values do not agree, in 1 of 4 cases of line only")


def test_every_topic_has_a_title_and_says_what_it_covers() -> None:
    assert {each.name for each in topics()} == {each.topic for each in cases()}
    for each in topics():
        assert each.title != each.name
        assert each.covers.endswith(".")


def test_sources_are_short_on_screen() -> None:
    assert case("H3_thermometer").reference == "JCGM 100:2008 annex H.3, table H.6"
    assert case("cl07_gdr").reference == "ISO/TS 28037:2010 clause 7"
    assert case("graybill_iyer_crystal").reference == "Graybill & Iyer (1996) p. 434"
