"""Decisions on check shims: the rule from options to record and sheet, digits in print, what the rule lets through."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import stdtr, stdtrit

import labkit
from labkit import format as text
from labkit.bench.conditions import Conditions
from labkit.bench.read_about import read_about
from labkit.calibration.checks import Check, say_capability
from labkit.calibration.in_print import printed_check
from labkit.calibration.operating import in_words, least_known, operating
from labkit.calibration.tolerable import say_tolerable
from labkit.cli import main
from labkit.metrology import decide
from labkit.metrology.conformity import RULES, outcome_of, room
from labkit.metrology.risk import Process
from labkit.paths import sample_data
from labkit.problems import BadFile, BadInput
from labkit.sheet.content import content
from labkit.sheet.decisions import _global

LIMITS = (-0.01, 0.01)
RISK = {"rule": "guard-band-risk", "risk": 0.05}


def check(deviation_mm: float, u_mm: float, limits_mm=LIMITS, name: str = "C-1", **how) -> Check:
    decision = decide(deviation_mm, u_mm, limits_mm, **how)
    return Check(
        name, (name,), 5, 1.0, 1.0 + deviation_mm, deviation_mm, u_mm, 2 * u_mm, 2.0, limits_mm,
        deviation_mm / (2 * u_mm), decision, False, False,
    )  # fmt: skip


@pytest.fixture(scope="module")
def readings() -> labkit.Readings:
    folder = sample_data() / "hinge_day"
    return labkit.read_readings(folder / "readings.csv", shims=folder / "shims.csv")


@pytest.fixture(scope="module")
def result(readings) -> labkit.Calibration:
    return labkit.calibrate(readings, tolerance=0.005, process=(0.001, 0.004), **RISK)


# ---- from the options to record and sheet ----


def test_a_stated_risk_reaches_every_decision(result):
    for each in result.checks:
        expected = decide(each.deviation_mm, each.u_mm, (-0.005, 0.005), k=each.k, dof=each.dof, **RISK)
        assert each.decision == expected
        assert 10 < each.dof < 1000
        quantile = float(stdtrit(math.floor(each.dof), 0.95))
        assert quantile > 1.647
        assert each.decision.guard_band_mm == pytest.approx(quantile * each.u_mm, rel=1e-6)


def test_the_record_keeps_risk_and_process(result):
    record = json.loads(json.dumps(result.to_dict()))
    assert record["inputs"]["options"]["risk"] == 0.05
    assert record["inputs"]["options"]["process_mm"] == [0.001, 0.004]
    again = labkit.Calibration.from_dict(record)
    assert again.options == result.options
    assert again.checks == result.checks


def test_a_record_from_before_has_no_risk_and_is_read_all_the_same(readings):
    record = labkit.calibrate(readings, tolerance=0.005).to_dict()
    for options in (record["inputs"]["options"], record["inputs"]["about"]):
        del options["risk"], options["process_mm"]
    for each in record["results"]["checks"] + record["results"]["as_found"]:
        del each["decision"]["risk"], each["dof"]
    assert labkit.Calibration.from_dict(record).options.risk is None
    assert "Guard band w, µm" in said(content(record).to_dict())


def said(sheet: object) -> str:
    if isinstance(sheet, dict):
        return " ".join(said(each) for each in sheet.values())
    if isinstance(sheet, list | tuple):
        return " ".join(said(each) for each in sheet)
    return str(sheet)


def test_the_sheet_says_rule_guard_band_risks_and_indices(result):
    words = said(content(result.to_dict()).to_dict())
    assert "Guard band w for a stated risk, four outcomes (JCGM 106:2012, clause 8)" in words
    assert "outside the limits with a probability of 5 %" in words
    assert "Limits: ±5.0 µm." in words
    for heading in ("Guard band w, µm", "Decision is wrong", "Cm", "TUR", "Outside, passes", "Inside, does not pass"):
        assert heading in words
    assert "truly off by +1.0 µm in the mean with a standard deviation of 4.0 µm" in words


def test_the_sheet_states_no_index_for_one_limit(readings):
    words = said(content(labkit.calibrate(readings, tolerance=(None, 0.005)).to_dict()).to_dict())
    assert "Guard band w, µm" in words
    assert "TUR" not in words
    assert "Outside, passes" not in words


def test_a_limit_is_printed_with_all_its_digits(readings):
    words = said(content(labkit.calibrate(readings, tolerance=(-0.00375, 0.01)).to_dict()).to_dict())
    assert "Limits: −3.75 µm to +10.0 µm." in words


@pytest.mark.parametrize(
    ("options", "code"),
    [
        ({"rule": "guard-band-risk"}, "decision.risk_missing"),
        ({"rule": "guard-band-risk", "risk": 0.7}, "decision.risk"),
        ({"rule": "guard-band-risk", "risk": -0.1}, "decision.risk"),
        ({"rule": "simple", "risk": 0.1}, "decision.risk_unused"),
        ({"process": (0.0, 0.0)}, "decision.process"),
        ({"process": (float("nan"), 0.001)}, "decision.process"),
    ],
)
def test_a_rule_that_makes_no_sense_is_refused_before_anything_is_computed(readings, options, code):
    with pytest.raises(BadInput) as caught:
        labkit.calibrate(readings, tolerance=0.01, **options)
    assert caught.value.code == code


# ---- the file and the command line ----


def procedure(lines: str) -> str:
    return f'[procedure]\nrule = "guard-band-risk"\n{lines}\n'


def test_the_particulars_hold_risk_and_process():
    about = read_about(procedure('risk = 0.025\nprocess_mean = "-1 µm"\nprocess_sd = 0.004'))
    assert (about.rule, about.risk) == ("guard-band-risk", 0.025)
    assert about.process_mm == pytest.approx((-0.001, 0.004))
    assert type(about).from_dict(json.loads(json.dumps(about.to_dict()))) == about


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("risk = 0", "procedure.risk must be above 0 and at most 0.5"),
        ("risk = 2.5", "procedure.risk must be above 0 and at most 0.5"),
        ('risk = "much"', "procedure.risk must be a number"),
        ("process_mean = 0.001", "procedure.process_sd is missing"),
        ("process_sd = 0.001", "procedure.process_mean is missing"),
        ("process_mean = 0\nprocess_sd = 0", "procedure.process_sd is missing"),
    ],
)
def test_a_bad_risk_in_the_file_is_named(lines, words):
    with pytest.raises(BadFile) as caught:
        read_about(procedure(lines))
    assert words in str(caught.value)


@pytest.fixture
def day(tmp_path):
    folder = sample_data() / "hinge_day"
    return ["calibrate", str(folder / "readings.csv"), "--shims", str(folder / "shims.csv"), "--tolerance", "5um"]


@pytest.mark.parametrize(
    ("typed", "rule", "risk"),
    [
        ([], "guard-band-risk", 0.025),
        (["--risk", "5%"], "guard-band-risk", 0.05),
        (["--rule", "simple"], "simple", None),
        (["--rule", "guard-band-risk", "--risk", "0.1", "--outcomes", "two"], "guard-band-risk", 0.1),
    ],
)
def test_the_command_takes_rule_and_risk(day, tmp_path, typed, rule, risk):
    about, record = tmp_path / "about.toml", tmp_path / "record.json"
    about.write_text(procedure("risk = 0.025"), encoding="utf-8")
    assert main([*day, "--about", str(about), "--json", str(record), *typed]) == 0
    options = json.loads(record.read_text(encoding="utf-8"))["inputs"]["options"]
    assert (options["rule"], options["risk"]) == (rule, risk)
    assert options["outcomes"] == ("two" if "two" in typed else "four")


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (["--risk", "some"], "“some” is no share."),
        (["--risk", "60%"], "The risk must be above 0 and at most 50 %; it is 0.6000."),
        (["--rule", "guard-band-risk"], "no risk is stated"),
        (["--rule", "simple", "--risk", "0.1"], "the rule simple has none"),
        (["--rule", "generous"], "There is no decision rule generous."),
    ],
)
def test_the_command_names_what_is_wrong_with_a_risk(day, capsys, typed, words):
    assert main([*day, *typed]) == 2
    assert words in capsys.readouterr().err


# ---- digits in print ----


def test_a_decision_is_printed_with_the_usual_digits_where_they_tell_the_same():
    printed = printed_check(0.0031, 0.0014, LIMITS, decide(0.0031, 0.0007, LIMITS))
    assert (printed.deviation, printed.U, printed.guard_band) == ("+3.1", "1.4", "1.4")


@pytest.mark.parametrize(
    ("deviation_mm", "u_mm", "outcome", "deviation", "guard_band"),
    [
        (0.010_04, 0.002, "conditional fail", "+10.04", "4.00"),  # +10.0 would lie on the limit
        (0.006_04, 0.002, "conditional pass", "+6.04", "4.00"),  # +6.0 and 4.0 would pass
        (0.006_07, 0.001_955, "pass", "+6.07", "3.91"),  # +6.1 and 4.0 would not
        (-0.010_004, 0.002, "conditional fail", "−10.004", "4.000"),
    ],
)
def test_where_rounding_would_contradict_more_digits_are_printed(deviation_mm, u_mm, outcome, deviation, guard_band):
    decision = decide(deviation_mm, u_mm, LIMITS)
    assert decision.outcome == outcome
    printed = printed_check(deviation_mm, 2 * u_mm, LIMITS, decision)
    assert (printed.deviation, printed.guard_band) == (deviation, guard_band)
    assert guard_band == printed.U


def test_what_lies_on_the_edge_for_any_gauge_ends_the_digits():
    decision = decide(0.01 + 1e-12, 0.002, LIMITS)
    assert decision.outcome == "conditional fail"
    assert printed_check(0.01 + 1e-12, 0.004, LIMITS, decision).deviation == "+10.0000"


def test_without_a_decision_nothing_asks_for_digits():
    printed = printed_check(0.010_04, 0.004, (None, None), None, "in")
    assert (printed.deviation, printed.U, printed.guard_band) == ("+0.395", "0.16", "–")


@given(
    deviation=st.floats(-0.02, 0.02), u=st.floats(1e-5, 0.02), rule=st.sampled_from(RULES),
    outcomes=st.sampled_from(["two", "four"]), unit=st.sampled_from(["mm", "in"]),
    limits=st.sampled_from([LIMITS, (None, 0.01), (-0.0075, None)]),
)  # fmt: skip
def test_who_decides_again_from_what_is_printed_decides_the_same(deviation, u, rule, outcomes, unit, limits):
    how = {"risk": 0.025} if rule == "guard-band-risk" else {}
    decision = decide(deviation, u, limits, rule=rule, outcomes=outcomes, **how)
    printed = printed_check(deviation, 2 * u, limits, decision, unit)
    if len(printed.deviation.partition(".")[2]) == (6 if unit == "in" else 4):
        return  # it lies on the edge
    scale = 1 / 0.0254 if unit == "in" else 1000.0
    shown = float(printed.deviation.replace("−", "-"))
    lower, upper = (None if each is None else each * scale for each in limits)
    inside = round(room(shown, (lower, upper)), 9)
    assert outcome_of(inside, float(printed.guard_band), decision.outcomes) == decision.outcome


def test_record_and_sheet_print_the_digits_that_the_decision_needs(readings):
    deviation = abs(labkit.calibrate(readings, tolerance=0.005).checks[0].deviation_mm)
    # rounded to a tenth of a micrometre it lies on one side of both limits, unrounded between them
    digits = set()
    for limit, outcome in ((deviation - 1e-6, "fail"), (deviation + 1e-6, "pass")):
        record = labkit.calibrate(readings, tolerance=limit, rule="simple").to_dict()
        printed = record["printed"]["checks"][0]
        assert printed["decision"] == outcome
        assert printed["deviation"] in said(content(record).to_dict())
        digits.add(len(printed["deviation"].partition(".")[2]))
    assert min(digits) == 1
    assert max(digits) > 1


# ---- doubts about tolerance and uncertainty ----


@pytest.mark.parametrize(
    ("u_mm", "how", "codes"),
    [
        (0.001, {}, []),
        (0.003, {}, ["check.narrow"]),
        (0.006, {}, ["check.nothing_passes"]),
        (0.003, {"limits_mm": (None, 0.01)}, []),
        (0.003, {"rule": "simple"}, ["check.low_ratio"]),
        (0.001, {"rule": "simple"}, []),
        (0.003, {"rule": "simple", "limits_mm": (None, 0.01)}, []),
        (0.03, RISK, ["check.nothing_passes"]),
    ],
)
def test_an_uncertainty_too_large_for_tolerance_or_rule_is_said(u_mm, how, codes):
    cautions: list = []
    say_capability([check(0.0, u_mm, **how)], cautions)
    assert [each.code for each in cautions] == codes
    assert all("C-1" in str(each) and "{" not in str(each) for each in cautions)


def test_a_rule_of_thumb_says_that_it_is_one():
    cautions: list = []
    say_capability([check(0.0, 0.003, rule="simple")], cautions)
    assert "only 1.7 times as wide as ±U" in str(cautions[0])
    assert "Common practice asks for 4" in str(cautions[0])
    assert "no standard says so" in str(cautions[0])


@pytest.mark.parametrize(("dof", "percent"), [(4.0, "91 %"), (6.9, "92 %"), (math.inf, None), (60.0, None)])
def test_what_the_preset_of_165_u_protects_with_few_repeats_is_said(dof, percent):
    cautions: list = []
    say_capability([replace(check(0.0, 0.001, rule="guard-band-1.65u"), dof=dof)], cautions)
    assert [each.code for each in cautions] == ([] if percent is None else ["check.preset_protects_less"])
    if percent is not None:
        assert f"At C-1 the guard band of 1.65·u protects {percent} only, not 95 %" in str(cautions[0])
    others: list = []
    say_capability([replace(check(0.0, 0.001), dof=dof)], others)
    assert others == []


def test_what_a_rule_lets_through_knows_how_few_repeats_u_rests_on(readings):
    few = replace(check(0.0, 0.002, **RISK), dof=5.0)
    few = replace(few, decision=decide(0.0, 0.002, LIMITS, dof=5.0, **RISK))
    at_limit = operating(few, [0.01])
    assert at_limit.guard_band_mm == few.decision.guard_band_mm
    assert at_limit.probability["pass"][0] == pytest.approx(0.05, abs=1e-3)
    w = few.decision.guard_band_mm
    assert at_limit.probability["pass"][0] == pytest.approx(
        float(stdtr(5, -w / 0.002) - stdtr(5, -(0.02 - w) / 0.002)), rel=1e-9
    )
    process = Process(0.0, 0.005)
    known = replace(few, dof=math.inf)
    assert few.global_risk(process).consumer > 1.1 * known.global_risk(process).consumer
    # the sheet, from the record, says what the page says from the result
    result = labkit.calibrate(readings, tolerance=0.005, process=(0.001, 0.004), **RISK)
    for mine, theirs in zip(result.checks, result.to_dict()["results"]["checks"], strict=True):
        found = mine.global_risk(result.options.process)
        assert _global(theirs, result.options.process) == [
            text.probability(found.consumer), text.probability(found.producer)
        ]  # fmt: skip


def test_indices_and_global_risk_of_a_check():
    two, one = check(0.0, 0.0025), check(0.0, 0.0025, (None, 0.01))
    assert (two.capability, two.ratio) == (pytest.approx(2.0), pytest.approx(2.0))
    assert (one.capability, one.ratio) == (None, None)
    assert two.global_risk(Process(0.0, 0.005)).consumer > 0
    assert replace(two, decision=None).global_risk(Process(0.0, 0.005)) is None


def doubt_of_tolerance(x, U, limits=LIMITS):
    cautions: list = []
    say_tolerable(np.array(x), np.array(U), limits, cautions)
    return cautions


def test_where_U_is_larger_than_the_tolerance_the_place_is_said():
    x, U = [0.5, 1.0, 1.5, 2.0, 2.5], [0.012, 0.008, 0.0101, 0.013, 0.009]
    (found,) = doubt_of_tolerance(x, U)
    assert found.code == "tolerance.below_U"
    assert found.params == {"low_mm": 1.5, "high_mm": 2.0, "at_mm": 2.0, "U_mm": 0.013, "tolerance_mm": 0.01}
    assert "from 1.5000 mm to 2.0000 mm, 13 µm at 2.0000 mm: no decision there can be a pass" in str(found)
    assert found.hint.startswith("Read a shim near 2.0000 mm")
    # no deviation passes there, and one does where U is smaller
    assert decide(0.0, 0.013 / 2, LIMITS).outcome != "pass"
    assert decide(0.0, 0.009 / 2, LIMITS).outcome == "pass"
    assert doubt_of_tolerance(x, [0.012, *U[1:2], 0.005, 0.005, 0.005])[0].params["high_mm"] == 0.5
    assert doubt_of_tolerance(x, [0.02] * 5)[0].code == "tolerance.below_U_everywhere"


@pytest.mark.parametrize("limits", [(None, 0.01), (-0.01, None), (None, None), (-0.01, 0.02)])
def test_a_U_within_the_tolerance_or_without_one_is_no_doubt(limits):
    assert doubt_of_tolerance([1.0, 2.0], [0.0149, 0.01], limits) == []


def test_a_calibration_says_where_its_U_is_larger_than_the_tolerance(readings):
    x = np.linspace(0.3, 2.5, 60)
    plain = labkit.calibrate(readings)
    U = plain.expanded(x)[0]
    between = float(U.min() + U.max()) / 2
    (found,) = (
        each
        for each in labkit.calibrate(readings, tolerance=between).cautions
        if each.code.startswith("tolerance.below_U")
    )
    assert found.params["U_mm"] == pytest.approx(plain.budget.U_mm)
    low, high = found.params["low_mm"], found.params["high_mm"]
    at, inside = np.linspace(low, high, 20), plain.expanded(np.linspace(low, high, 20))[0]
    assert at[0] <= found.params["at_mm"] <= at[-1]
    assert np.all(inside > between * (1 - 1e-9))
    loose = labkit.calibrate(readings, tolerance=1.01 * plain.budget.U_mm)
    assert not any(each.code.startswith("tolerance.") for each in loose.cautions)


# ---- what the rule lets through ----


def test_the_operating_curve_is_that_of_the_check_known_least_well():
    checks = [check(0.0, 0.001, name="C-1"), check(0.0, 0.002, name="C-2")]
    assert least_known(checks).point == "C-2"
    assert least_known([replace(each, decision=None) for each in checks]) is None
    curve = operating(checks[1], np.array([0.01]))
    assert curve.guard_band_mm == pytest.approx(0.004)
    assert curve.probability["pass"][0] == pytest.approx(0.02275, abs=1e-5)


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (check(0, 0.002), "A rig that is truly off by +10.0 µm, just at the limit, passes 23 times in 1000. "
                          "One that is truly off by +2.7 µm passes 95 times in 100."),
        (check(0, 0.002, rule="simple"), "A rig that is truly off by +10.0 µm, just at the limit, passes 50 times in 100. "
                                         "One that is truly off by +6.7 µm passes 95 times in 100."),
        (check(0, 0.002, (-0.01, None)), "A rig that is truly off by −10.0 µm, just at the limit, passes 23 times in 1000. "
                                         "One that is truly off by −2.7 µm passes 95 times in 100."),
        (check(0, 0.0035), "A rig that is truly off by +10.0 µm, just at the limit, passes 23 times in 1000. "
                           "Even one in the middle of the limits passes only 61 times in 100."),
        (check(0, 0.01), "A rig that is truly off by +10.0 µm, just at the limit, passes less than once in 1000. "
                         "Even one in the middle of the limits passes less than once in 1000."),
        (check(0, 0.002, rule="guard-band-risk", risk=0.025), "passes 25 times in 1000. One"),
        (check(0, 0.002, rule="guard-band-risk", risk=0.05), "passes 5 times in 100. One"),
        (check(0, 0.002, rule="guard-band-risk", risk=0.01), "passes once in 100. One"),
        (check(0, 0.0001, rule="guard-band-risk", risk=0.001), "passes once in 1000. One"),
        (check(0, 0.0001, rule="guard-band-risk", risk=0.0001), "passes less than once in 1000. One"),
    ],
)  # fmt: skip
def test_how_often_rigs_pass_is_said_in_words(made, words):
    assert words in " ".join(str(each) for each in in_words(made))


SHARED = "shim,thickness [mm],U [mm],k,shared u [mm],set\n" + "".join(
    f"{name},{x},0.04,2,0.02,one\n" for name, x in zip("ABCDEF", (0.5, 1.0, 1.5, 2.0, 2.5, 1.2), strict=True)
)
READ = "shim,role,indication [mm]\n" + "".join(
    f"{name},{role},{x + step:.4f}\n"
    for name, role, x in zip("ABCDEF", (*["fit"] * 5, "check"), (0.5, 1.0, 1.5, 2.0, 2.5, 1.2), strict=True)
    for step in (-0.0005, 0.0004)
)


def shared(**conditions):
    readings = labkit.read_readings(READ.encode(), SHARED.encode())
    return labkit.calibrate(readings, "line", tolerance=0.02, reason="habit", conditions=Conditions(**conditions))


def test_what_is_left_of_u_without_the_shared_error_has_its_own_few_degrees_of_freedom():
    """The master's 20 µm cancel; what remains was learnt from two readings a shim, so that k is not 2."""
    result = shared(resolution=0.0001)
    (check,) = result.checks
    assert check.u_mm < result.budget.u_mm / 10
    assert result.budget.k == pytest.approx(2.0, abs=0.01)
    assert check.k > 2.2
    assert check.U_mm == pytest.approx(check.k * check.u_mm)


def test_no_check_states_a_smaller_u_than_the_laboratory_is_accredited_for():
    (check,) = shared(resolution=0.0001, smallest_U_mm=0.01).checks
    assert check.U_mm >= 0.01
