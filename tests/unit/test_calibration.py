"""One calibration, whole: the sample sets end to end against their truth, the record, and what is refused."""

from __future__ import annotations

import copy
import json
import sys
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from labkit import Calibration, Conditions, calibrate, read_readings
from labkit.bench.conditions import OwnLine
from labkit.calibration.record import schema
from labkit.curves.plan import SHORT, end_shims
from labkit.panels.result_tables import say_recommendation
from labkit.problems import BadInput

SAMPLES = Path(__file__).resolve().parents[2] / "sample_data"
sys.path.insert(0, str(SAMPLES))

import make  # noqa: E402

READINGS = {
    "raw_ball": "readings.csv",
    "indication_disc_inch": "readings.tsv",
    "mislabelled": "readings.csv",
    "ends_only": "readings.tsv",
    "hinge_day": "readings.csv",
}
SETS = list(READINGS)
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))


def readings_of(name):
    return read_readings(SAMPLES / name / READINGS[name], shims=SAMPLES / name / "shims.csv")


def conditions_of(name):
    temperature = TRUTH[name]["temperature_degC"]
    return Conditions(temperature_start_degC=temperature["start"], temperature_end_degC=temperature["end"])


@pytest.fixture(scope="module")
def results():
    return {name: calibrate(readings_of(name), tolerance=0.01, conditions=conditions_of(name)) for name in SETS}


@pytest.fixture(scope="module")
def sessions():
    """The simulated session that wrote each set: its gauge shows the true indication of any thickness."""
    kept = []

    class Recorded(make.Session):
        def __init__(self, *arguments, **options):
            super().__init__(*arguments, **options)
            kept.append(self)

    plain, make.Session = make.Session, Recorded
    try:
        for made in make.SETS.values():
            made()
    finally:
        make.Session = plain
    return dict(zip(make.SETS, kept, strict=True))


def true_indication(session, x):
    """In mm for a thickness indication, else in the unit of the readings."""
    temperature = (session.start_degC + session.temperature_degC()) / 2
    if session.gauge:
        return session.gauge.true_indication(x, temperature)
    return (session.probe.true_response(x, temperature) + session.probe.background_counts) / session.per_unit


def codes(result):
    return [caution.code for caution in result.cautions]


# ---- the sample sets, against their truth ----


@pytest.mark.parametrize("name", SETS)
def test_true_indications_are_corrected_to_the_true_thickness_within_u(results, sessions, name):
    result = results[name]
    x = np.linspace(*result.curve.range, 81)
    found, u = result.correct(true_indication(sessions[name], x), outside="mask")
    expanded, k = result.expanded(x)
    assert not np.ma.getmaskarray(found).any()
    assert k * np.ma.getdata(u) == pytest.approx(expanded, rel=0.05)
    assert np.mean(np.abs(found - x) <= expanded) > 0.9
    assert np.all(np.abs(found - x) <= 1.3 * expanded)


@pytest.mark.parametrize("name", ["raw_ball", "hinge_day"])
def test_check_shims_come_out_at_their_true_thickness_within_u(results, sessions, name):
    result, session = results[name], sessions[name]
    warm = 1 + session.expansion_per_K * (result.table.conditions.temperature_degC - 20)
    assert len(result.checks) == {"raw_ball": 2, "hinge_day": 3}[name]
    for check in result.checks:
        assert abs(check.corrected_mm - TRUTH[name]["true_thickness_mm"][check.point] * warm) <= check.U_mm
        assert check.deviation_mm == pytest.approx(check.corrected_mm - check.reference_mm)
        assert abs(check.e_n) < 1
        assert (check.outcome, check.in_fit, check.shares_master) == ("pass", False, False)
    assert result.verdict == "pass"


def test_a_good_day_recommends_a_formula_and_says_why(results):
    result = results["hinge_day"]
    assert result.curve.family == result.comparison.recommended
    assert result.reason.code == "recommend.formula"
    assert result.comparison[result.curve.family].departure <= 1
    assert "points.order_broken" not in codes(result)
    assert result.next_points.stop in ("no longer helps", "go on")
    assert {each.name for each in result.next_points.ranking} == {"A-5", "A-6", "A-8", "A-10"}
    assert [each.point for each in result.as_found] == ["C-1", "C-2", "C-3"]
    assert result.as_found[0].outcome == "conditional pass"  # the film on the tip, and the gauge's own error
    assert {each.point for each in result.closing} == {"A-1", "zero"}
    assert str(result).startswith(result.curve.family)


def test_swapped_shims_get_no_recommendation_and_are_named(results):
    result = results["mislabelled"]
    assert result.comparison.recommended is None
    assert result.reason.code == "recommend.order_broken"
    swapped = next(each for each in result.cautions if each.code == "points.order_swapped")
    assert {swapped.params["shim"], swapped.params["other"]} == set(TRUTH["mislabelled"]["swapped"])
    straggler = next(each for each in result.cautions if each.code == "points.straggler")
    truth = TRUTH["mislabelled"]["stands_apart"]
    assert (straggler.params["point"], straggler.params["index"]) == (truth["shim"], truth["reading"])


def test_ends_only_says_so_and_asks_for_a_shim_between(results):
    result = results["ends_only"]
    assert "points.ends_only" in codes(result)
    assert all("points.ends_only" not in codes(results[name]) for name in SETS if name != "ends_only")
    best = result.next_points.best
    assert result.next_points.stop == "go on"
    assert 0.3 < best.x_mm < 2.0
    assert best.U_after_mm < 0.7 * best.U_before_mm
    foretold = result.expanded_with([best.name], np.linspace(0.25, 2.0, 30))
    assert foretold.max() < result.expanded(np.linspace(0.25, 2.0, 30))[0].max()


def test_inches_and_millimetres_are_one_calibration(results):
    from_text = results["indication_disc_inch"]
    workbook = SAMPLES / "indication_disc_inch" / "readings.xlsx"
    readings = read_readings(workbook, shims=SAMPLES / "indication_disc_inch" / "shims.csv")
    from_workbook = calibrate(readings, tolerance=0.01, conditions=conditions_of("indication_disc_inch"))
    assert from_workbook.curve.family == from_text.curve.family
    assert from_workbook.curve.parameters == pytest.approx(from_text.curve.parameters, rel=1e-6, abs=1e-9)
    assert [point.x_mm for point in from_text.table.points][0:2] == pytest.approx([0.0, 0.5002], abs=2e-4)
    assert from_text.table.variance.resolution == pytest.approx(0.0001 * 25.4)


# ---- uncertainty ----


@pytest.mark.parametrize("name", SETS)
def test_no_curve_claims_a_smaller_u_than_the_flexible_one(results, name):
    result = results[name]
    flexible = result.uncertainty.flexible
    x = np.linspace(*result.curve.range, 60)
    least = result.uncertainty.expanded(flexible, x)[0]
    compared = [row.curve for row in result.comparison.rows if row.curve is not None and row.curve.monotonic]
    assert len(compared) > 4
    for curve in compared:
        for repeats in (1, 5, None):
            stated, _ = result.uncertainty.expanded(curve, x, repeats)
            floor = least if repeats == 1 else result.uncertainty.expanded(flexible, x, repeats)[0]
            assert np.all(stated >= floor * (1 - 1e-9)), curve.family


def test_the_flexible_curve_has_no_line_for_its_form(results):
    assert "budget.model" not in [line.code for line in results["ends_only"].budget.lines]
    assert "budget.model" in [line.code for line in results["hinge_day"].budget.lines]


@pytest.mark.parametrize("name", SETS)
def test_lines_of_the_flexible_curve_make_up_its_own_uncertainty(results, name):
    result = results[name]
    flexible = result.uncertainty.flexible
    x = np.linspace(*flexible.range, 20)
    besides = ("budget.closing", "budget.closing_gain", "budget.background_drift", "budget.temperature")
    summed = sum(t.u_mm**2 for t in result.uncertainty.terms(flexible, x, None) if t.code not in besides)
    # the background is in the curve's own uncertainty; in use it is taken off the reading as well
    whole = flexible.weights(x).sum(axis=1)
    cancelled = result.table.common_variance * (np.square(whole) - np.square(1 - whole))
    own = np.sqrt(flexible.standard_uncertainty(x) ** 2 - cancelled) / np.abs(flexible.slope(x))
    assert np.sqrt(summed) == pytest.approx(own, rel=0.05)


def test_a_background_taken_off_points_and_reading_alike_moves_no_thickness():
    """A background read wrongly by its own u: the thickness moves by no more than its line says."""
    readings = readings_of("raw_ball")
    right = calibrate(readings, "flexible", conditions=conditions_of("raw_ball"), reason="habit")
    u = np.sqrt(right.table.common_variance)
    rows = tuple(replace(row, value=row.value + 10 * u) if row.role == "background" else row for row in readings.rows)
    wrong = calibrate(replace(readings, rows=rows), "flexible", conditions=conditions_of("raw_ball"), reason="habit")
    x = np.linspace(0.3, 2.0, 9)
    shown = right.table.indication_of(right.curve.value(x))
    line = next(t.u_mm for t in right.uncertainty.terms(right.curve, x, 1) if t.code == "budget.background")
    assert np.all(np.abs(wrong.correct(shown)[0] - x) <= 10 * line + 2e-5)
    assert np.max(line) < np.max(u / np.abs(right.curve.slope(x))) / 3


def test_a_curve_through_the_points_is_as_unsure_as_the_flexible_one_and_their_distance():
    result = calibrate(readings_of("hinge_day"), "piecewise-line", reason="habit")
    flexible = result.uncertainty.flexible
    x = np.array([0.3, 0.75, 1.5])
    apart = np.abs(result.curve.value(x) - flexible.value(x)) / flexible.slope(x)
    u = result.uncertainty.standard(result.curve, x)
    assert u == pytest.approx(np.hypot(result.uncertainty.standard(flexible, x), apart))
    assert result.comparison["piecewise-line"].largest_U_mm is None
    assert result.reason.code == "recommend.chosen"
    assert "curve.no_reason" not in codes(result)


def test_the_mean_of_more_readings_is_surer(results):
    result = results["hinge_day"]
    y = float(result.table.indication_of(result.curve.value(np.array([1.0])))[0])
    one, five = (float(result.correct(y, repeats)[1]) for repeats in (1, 5))
    assert five < one
    with pytest.raises(BadInput) as caught:
        result.correct(y, 0)
    assert caught.value.code == "correct.repeats"


def test_budget_is_given_where_u_is_largest(results):
    for result in results.values():
        x = np.linspace(*result.curve.range, 200)
        x = x[(x >= result.options.working_range_mm[0]) & (x <= result.options.working_range_mm[1])]
        assert result.budget.U_mm >= result.expanded(x)[0].max() * 0.999
        assert result.budget.U_mm == pytest.approx(result.budget.k * result.budget.u_mm)


def test_own_lines_temperature_and_closing_difference_are_in_the_budget():
    own = Conditions(own_lines=(OwnLine("Magnet", 0.003, "trial", 8.0),), u_temperature_degC=2.0)
    result = calibrate(readings_of("hinge_day"), conditions=own)
    lines = {line.code: line for line in result.budget.lines}
    assert (lines["budget.own"].u_mm, lines["budget.own"].dof) == (0.003, 8.0)
    expansion = [shim.expansion_per_K for shim in result.readings.shims if shim.name in ("A-1", "A-9")]
    assert lines["budget.temperature"].u_mm == pytest.approx(result.budget.at_mm * np.mean(expansion) * 2.0)
    largest = max(abs(each.difference_mm) for each in result.closing)
    assert lines["budget.closing"].u_mm == pytest.approx(largest / np.sqrt(3))


def test_readings_that_leave_no_scatter_state_the_resolution_where_nothing_is_known():
    rows = "".join(f"{x},{x}\n" for x in (0.3, 0.6, 1.0, 1.5, 2.0, 2.5))
    result = calibrate(read_readings(f"reference [mm],indication [mm]\n{rows}".encode()))
    assert result.curve.scale == "estimated"
    assert result.budget.u_mm >= 0.1 / np.sqrt(12)
    assert result.to_dict()["results"]["budget"]["U_mm"] > 0.05


# ---- using it ----


def test_outside_is_refused_by_place_or_masked(results):
    result = results["hinge_day"]
    with pytest.raises(BadInput) as caught:
        result.correct([0.5, 9.0, 1.0, -1.0, np.nan])
    assert caught.value.code == "curve.outside_range"
    assert caught.value.params["places"] == [2, 4, 5]
    x, u = result.correct([[0.5, 9.0], [1.0, 1.5]], outside="mask")
    assert x.mask.tolist() == u.mask.tolist() == [[False, True], [False, False]]
    assert np.ma.getdata(u)[0, 0] > 0


def test_noise_at_the_end_shim_is_not_outside_but_more_is():
    result = calibrate(readings_of("hinge_day"), "flexible", reason="habit")
    low, high = result.reach_mm
    ends = result.curve.range
    assert ends[0] - 0.01 < low < ends[0]
    assert ends[1] < high < ends[1] + 0.01
    slack = result.expanded(np.array(ends))[0]
    assert (ends[0] - low, high - ends[1]) == pytest.approx(tuple(slack))
    shown = result.curve.value(np.array([low + 1e-6, high - 1e-6]))
    assert result.correct(shown)[0] == pytest.approx([low, high], abs=1e-5)
    with pytest.raises(BadInput):
        result.correct(result.curve.value(np.array([high + 0.005])))


def test_many_readings_of_few_different_numbers_are_quick_and_alike(results):
    result = results["hinge_day"]
    shown = np.round(np.random.default_rng(1).uniform(0.2, 2.9, 300_000), 3)
    x, u = result.correct(shown)
    assert x.shape == u.shape == (300_000,)
    for i in (0, 1234, 299_999):
        one, u_one = result.correct(shown[i])
        assert (x[i], u[i]) == pytest.approx((float(one), float(u_one)), rel=1e-9)


def test_as_found_is_judged_by_the_curve_that_was_in_force(results):
    result = calibrate(readings_of("hinge_day"), tolerance=0.01, in_force=results["hinge_day"])
    shown = results["hinge_day"].as_found
    assert [check.point for check in result.as_found] == [check.point for check in shown]
    assert all(abs(now.deviation_mm) < abs(then.deviation_mm) for now, then in zip(result.as_found, shown, strict=True))
    assert all(0.0 < check.deviation_mm < 0.004 for check in result.as_found)  # the film of 1.5 µm


def test_a_check_on_a_shim_of_the_fit_says_so():
    text = "shim,indication [mm],role\n" + "".join(
        f"{shim},{x + step:.3f},{role}\n"
        for shim, x, role in (
            ("A-1", 0.101, "fit"), ("A-2", 0.251, "fit"), ("A-4", 1.0, "fit"), ("A-7", 2.0, "fit"),
            ("A-4", 1.0, "check"), ("A-6", 1.501, "check"), ("C-2", 1.25, "check"),
            ("A-2 + C-1", 0.604, "check"),
        )
        for step in (-0.001, 0.0, 0.001)
    )  # fmt: skip
    readings = read_readings(text.encode(), shims=SAMPLES / "hinge_day" / "shims.csv")
    conditions = Conditions(joint_gap_mm=0.003, joint_u_mm=0.005)
    result = calibrate(readings, "line", tolerance=0.01, conditions=conditions, reason="habit")
    found = {check.point: check for check in result.checks}
    assert (found["A-4"].in_fit, found["A-6"].in_fit, found["A-2 + C-1"].in_fit) == (True, False, True)
    assert (found["A-6"].shares_master, found["C-2"].shares_master) == (True, False)
    assert {"check.in_fit", "check.shares_master"} <= set(codes(result))
    assert found["A-2 + C-1"].reference_mm == pytest.approx(0.2498 + 0.3502 + 0.003)
    # the joint is in the reference, so it is in its uncertainty
    assert found["A-2 + C-1"].u_mm > 0.005
    # what fit and reference share moves their difference less
    check, curve = found["A-6"], result.curve
    at = np.array([check.corrected_mm])
    moved = curve.weights(at)[0] * curve.slope(curve.points.x) / curve.slope(at)
    apart = result.uncertainty.standard(curve, at, 3)[0] ** 2 + 0.0003**2
    assert check.u_mm**2 == pytest.approx(apart - 2 * moved.sum() * 0.0001**2, rel=1e-9)
    assert moved.sum() == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("family", ["piecewise-line", "monotone-cubic"])
def test_a_curve_through_the_points_shares_its_error_with_a_check_as_the_flexible_one_does(family):
    """Its u is the flexible curve's: so is the share of it that a shim of the fit, or of the same master, has too."""
    text = "shim,indication [mm],role\n" + "".join(
        f"{shim},{x + step:.4f},{role}\n"
        for shim, x, role in (
            ("A-1", 0.1, "fit"), ("A-2", 0.25, "fit"), ("A-4", 1.0, "fit"), ("A-6", 1.5, "fit"), ("A-7", 2.0, "fit"),
            ("A-4", 1.0, "check"), ("A-5", 1.25, "check"),
        )
        for step in (-0.0001, 0.0, 0.0001)
    )  # fmt: skip
    readings = read_readings(text.encode(), shims=SAMPLES / "hinge_day" / "shims.csv")
    result = calibrate(readings, family, conditions=Conditions(resolution=0.0001), reason="habit")
    flexible = result.uncertainty.flexible
    for check in result.checks:
        at = np.array([check.corrected_mm])
        moved = flexible.weights(at)[0] * flexible.slope(flexible.points.x) / flexible.slope(at)
        V = result.table.covariance([*result.table.stacks, check.shims])
        shared = float(moved @ V[:-1, -1])
        u = result.uncertainty.standard(result.curve, at, 3)[0]
        assert shared > 0
        assert check.u_mm**2 == pytest.approx(u**2 + V[-1, -1] - 2 * shared, rel=1e-9)


@pytest.mark.parametrize(
    ("unit", "judged"),
    [("counts", True), ("mV", False), ("mm", False)],
)
def test_as_found_is_not_judged_by_a_curve_for_another_kind_of_indication(unit, judged):
    """Counts of 3000 through a curve of millivolts gave a thickness that meant nothing, or were called outside."""
    later = "0.6,10081,as-found\n"
    now = read_readings(f"reference [mm],indication [counts],role\n{of_roles()}{later}".encode())
    slope = {"counts": 1.0, "mV": 0.5}
    rows = "".join(
        f"{x},{x + 0.01 if unit == 'mm' else slope[unit] * 30000 / (1 + x / 1.8) ** 5:.3f},fit\n"
        for x in (0.3, 0.6, 1.0, 1.5, 2.2)
        for _ in range(2)
    )
    then = calibrate(read_readings(f"reference [mm],indication [{unit}],role\n{rows}".encode()))
    result = calibrate(now, in_force=then)
    assert bool(result.as_found) == judged
    assert ("as_found.other_signal" in codes(result)) == (not judged)
    assert "as_found.no_curve" not in codes(result)
    if not judged:
        said = next(each for each in result.cautions if each.code == "as_found.other_signal")
        assert f"{unit})" in str(said)
        assert "counts)" in str(said)


def test_a_thickness_gauge_with_a_curve_for_counts_in_force_is_judged_by_what_it_shows(results):
    day = {"conditions": conditions_of("hinge_day"), "tolerance": 0.01}
    result = calibrate(readings_of("hinge_day"), in_force=results["raw_ball"], **day)
    assert "as_found.other_signal" in codes(result)
    assert result.as_found == results["hinge_day"].as_found


def of_roles():
    """Five raw readings, twice each, with their role."""
    return "".join(f"{x},{30000 / (1 + x / 1.8) ** 5 + s:.0f},fit\n" for x in (0.3, 0.6, 1.0, 1.5, 2.2) for s in (0, 3))


def test_a_check_without_tolerance_decides_nothing():
    result = calibrate(readings_of("hinge_day"))
    assert result.verdict is None
    assert all(check.decision is None and check.e_n is not None for check in result.checks)


@pytest.mark.parametrize(
    ("rule", "outcomes"), [("simple", "two"), ("guard-band-U", "two"), ("guard-band-1.65u", "four")]
)
def test_rule_and_outcomes_reach_the_decision(rule, outcomes):
    result = calibrate(readings_of("hinge_day"), tolerance=(-0.02, None), rule=rule, outcomes=outcomes)
    assert {(check.decision.rule, check.decision.outcomes) for check in result.checks} == {(rule, outcomes)}
    assert {check.limits_mm for check in result.checks} == {(-0.02, None)}


# ---- the record ----


@pytest.mark.parametrize("name", SETS)
def test_a_record_gives_the_same_calibration_back(results, name):
    record = results[name].to_dict()
    jsonschema.validate(record, schema())
    through_text = json.loads(json.dumps(record, allow_nan=False))
    assert Calibration.from_dict(through_text).to_dict() == record


def test_a_record_keeps_every_option():
    result = calibrate(
        readings_of("hinge_day"),
        "polynomial-3",
        (0.2, 2.5),
        (-0.01, 0.02),
        0.005,
        Conditions(resolution=0.001, own_lines=(OwnLine("Magnet", 0.001, "trial"),)),
        "guard-band-1.65u",
        "two",
        7,
        reason="as last year",
    )
    again = Calibration.from_dict(result.to_dict())
    assert again.options == result.options
    assert again.about == result.about
    assert again.readings == result.readings
    assert (again.id, again.created) == (result.id, result.created)
    assert again.to_dict()["printed"] == result.to_dict()["printed"]


def test_records_of_other_makes_are_refused(results):
    record = results["ends_only"].to_dict()

    def refused(change):
        broken = copy.deepcopy(record)
        change(broken)
        with pytest.raises(BadInput) as caught:
            Calibration.from_dict(broken)
        assert "{" not in str(caught.value)
        return caught.value.code

    assert refused(lambda r: r.update(schema="labkit.calibration/2", labkit="9.0")) == "record.newer"
    assert refused(lambda r: r.update(schema="something")) == "record.not_one"
    assert refused(lambda r: r.clear()) == "record.not_one"
    assert refused(lambda r: r.pop("inputs")) == "record.broken"
    assert refused(lambda r: r["inputs"]["readings"].pop("rows")) == "record.broken"
    assert refused(lambda r: r["method"].update(curve="flexible/2")) == "record.method"
    assert refused(lambda r: r["inputs"]["options"].update(family="our-own")) == "record.own_family"
    with pytest.raises(BadInput) as caught:
        Calibration.from_dict([])
    assert caught.value.code == "record.not_one"


def test_printed_values_are_text_with_u_rounded_up(results):
    record = results["hinge_day"].to_dict()
    rows = record["printed"]["table"]
    assert len(rows) == len(record["results"]["table"])
    for row, full in zip(rows, record["results"]["table"], strict=True):
        assert float(row["U"]) >= 1000 * full["U_mm"] * (1 - 1e-9)
        assert len(row["U"].replace(".", "").lstrip("0")) == 2
    assert [check["decision"] for check in record["printed"]["checks"]] == ["pass"] * 3
    assert len(record["results"]["fine_table"]) == 200


# ---- what is refused, and what is said ----

FIVE = "".join(f"{x},{30000 / (1 + x / 1.8) ** 5 + s:.0f},0.001,2\n" for x in (0.3, 0.6, 1.0, 1.5, 2.2) for s in (0, 3))
HEADING = "reference [mm],indication [counts],U [mm],k\n"


def five():
    return read_readings((HEADING + FIVE).encode())


@pytest.mark.parametrize(
    ("options", "code"),
    [
        ({"working_range": (2.0, 1.0)}, "options.working_range"),
        ({"working_range": (-1.0, 1.0)}, "options.working_range"),
        ({"working_range": (0.0, float("nan"))}, "options.working_range"),
        ({"working_range": (5.0, 6.0)}, "options.range_outside"),
        ({"tolerance": 0.0}, "options.tolerance"),
        ({"tolerance": float("nan")}, "options.tolerance"),
        ({"tolerance": (0.1, -0.1)}, "decision.limits_order"),
        ({"tolerance": (None, None)}, "decision.no_limits"),
        ({"tolerance": (1.0, 2.0, 3.0)}, "options.tolerance_pair"),
        ({"target_u": 0.0}, "options.target_u"),
        ({"rule": "generous"}, "decision.rule"),
        ({"outcomes": "three"}, "decision.outcomes"),
        ({"family": "spline of my own"}, "curve.unknown_family"),
        ({"family": "polynomial-5"}, "curve.too_few_points"),
        ({"conditions": Conditions(resolution=0.0)}, "conditions.number"),
        ({"conditions": Conditions(resolution=float("nan"))}, "conditions.number"),
        ({"conditions": Conditions(zero_u_mm=-1.0)}, "conditions.number"),
        ({"conditions": Conditions(own_lines=(OwnLine("x", float("inf")),))}, "conditions.number"),
    ],
)
def test_options_that_make_no_sense_are_refused(options, code):
    with pytest.raises(BadInput) as caught:
        calibrate(five(), **options)
    assert caught.value.code == code
    assert "{" not in str(caught.value)


def of_points(rows, unit="counts"):
    return read_readings(f"reference [mm],indication [{unit}]\n{rows}".encode())


def test_two_thicknesses_of_which_nothing_is_known_are_refused():
    for family in ("auto", "line", "piecewise-line"):
        with pytest.raises(BadInput) as caught:
            calibrate(of_points("0.3,900\n1.0,200\n"), family)
        assert caught.value.code == "curve.no_u"


def test_two_thicknesses_that_are_known_make_a_line():
    result = calibrate(
        read_readings(f"{HEADING}0.3,900,0.001,2\n0.3,902,0.001,2\n1.0,200,0.001,2\n1.0,203,0.001,2\n".encode())
    )
    assert result.curve.family == "line"
    assert result.comparison.recommended is None
    assert {"curve.no_flexible", "points.ends_only"} <= set(codes(result))
    assert result.budget.U_mm > 0.001
    assert Calibration.from_dict(result.to_dict()).to_dict() == result.to_dict()


@pytest.mark.parametrize("count", [3, 4, 5, 6])
def test_few_points_of_which_nothing_is_known_state_a_u_and_make_a_record(count):
    x = np.array([0.3, 1.0, 2.2, 0.6, 1.5, 1.9])[:count]
    rows = "".join(f"{one},{30000 / (1 + one / 1.8) ** 5:.0f}\n" for one in x)
    result = calibrate(of_points(rows))
    record = result.to_dict()
    assert result.budget.U_mm > 0
    assert np.isfinite(result.budget.U_mm)
    jsonschema.validate(record, schema())


def test_a_working_range_beyond_the_points_is_said_and_judged_where_there_are_points():
    result = calibrate(five(), working_range=(0.25, 50.0))
    assert "curve.range_not_covered" in codes(result)
    assert 0.3 <= result.budget.at_mm <= 2.2
    assert np.isfinite(result.to_dict()["results"]["budget"]["U_mm"])


@pytest.mark.parametrize("end", [0, 1])
@pytest.mark.parametrize(("short", "said"), [(0.9 * SHORT, False), (1.2 * SHORT, True)])
def test_the_plan_and_the_calibration_agree_on_what_spans_the_working_range(end, short, said):
    """A shim that the plan takes as an end shim is not said to leave the range uncovered afterwards."""
    x = [0.3, 0.6, 1.0, 1.5, 2.2]
    working = (0.3 / (1 + short), 2.2) if end == 0 else (0.3, 2.2 / (1 - short))
    box = [0.1, *x, 9.0]
    taken = end_shims(box, working)[end]
    assert (box[taken] in x) is not said
    assert ("curve.range_not_covered" in codes(calibrate(five(), working_range=working))) is said


def test_indications_that_do_not_move_are_not_used_backwards():
    rows = "".join(f"{x},500,0.001,2\n" for x in (0.3, 0.6, 1.0, 1.5, 2.2) for _ in range(3))
    result = calibrate(read_readings((HEADING + rows).encode()))
    assert not result.usable
    assert result.comparison.recommended is None
    assert "curve.turns" in codes(result)
    assert (result.budget, result.next_points, result.checks, result.results) == (None, None, (), ())
    jsonschema.validate(result.to_dict(), schema())
    with pytest.raises(BadInput) as caught:
        result.correct(500.0)
    assert caught.value.code == "curve.not_monotonic"


def test_a_curve_chosen_without_a_reason_is_said():
    assert "curve.no_reason" in codes(calibrate(five(), "polynomial-3"))
    assert "curve.no_reason" not in codes(calibrate(five(), "polynomial-3", reason="as last year"))
    assert calibrate(five(), "polynomial-3").reason.params["family"] == "polynomial-3"


def test_a_formula_that_disagrees_with_its_points_names_the_worst_shim():
    result = calibrate(five(), "line", reason="habit")
    (found,) = (each for each in result.cautions if each.code == "curve.disagrees")
    assert found.params["chi2"] > found.params["limit"]
    off = np.abs(result.curve.standardised_residuals)
    assert found.params["shim"] == result.table.points[np.argmax(off)].name
    assert set(found.params["shims"]) == {
        point.name for point, far in zip(result.table.points, off, strict=True) if far > 2
    }


def nine_on_a_line(thicker_mm):
    """A straight line, u of each shim 1 µm, and one of nine shims 5 µm thicker than its certificate says."""
    rows = [
        f"{x:.3f},0.002,2,{x + (0.005 if x == thicker_mm else 0.0) + step:.4f}"
        for x in np.arange(0.25, 2.5, 0.25).round(3)
        for step in (-0.0002, 0.0002)
    ]
    text = "reference [mm],U [mm],k,indication [mm]\n" + "\n".join(rows)
    return calibrate(read_readings(text.encode()), "line", reason="habit")


def doubt_of_agreement(result):
    (found,) = (each for each in result.cautions if each.code in ("curve.disagrees", "curve.none_fits"))
    return found


def test_where_one_point_alone_lies_off_the_caution_names_it_alone():
    found = doubt_of_agreement(nine_on_a_line(2.25))
    assert found.code == "curve.disagrees"
    assert found.params["shims"] == ["2.250 mm"]
    assert 0.003 < found.params["off_mm"][0] < 0.005
    assert str(found).endswith("Furthest off: 2.250 mm (3.1 µm).")
    assert found.hint.startswith(
        "Read 2.250 mm again first. If it stays so, choose a curve that fits: the flexible one"
    )


def test_where_no_curve_fits_there_is_one_doubt_and_one_shim_to_read_first():
    result = nine_on_a_line(1.25)
    assert not any(row.fits for row in result.comparison.rows if row.chi2_limit is not None)
    found = doubt_of_agreement(result)
    assert found.code == "curve.none_fits"
    assert found.params["shim"] == "1.250 mm"
    assert found.hint.startswith("Read 1.250 mm again first. ")
    assert "flexible" not in found.hint
    # through the points nothing is tested, and the points disagree all the same
    through = calibrate(result.readings, "piecewise-line", reason="habit")
    assert doubt_of_agreement(through) == found
    # the page says it once more, in the same words
    shown = say_recommendation(result)
    assert str(found) in shown
    assert shown.count("again first") == 1


def test_a_closing_difference_beyond_its_limit_is_said(results):
    largest = max(abs(each.difference_mm) for each in results["raw_ball"].closing)
    tight = replace(conditions_of("raw_ball"), closing_limit_mm=largest / 2)
    result = calibrate(readings_of("raw_ball"), "flexible", conditions=tight, reason="habit")
    assert "closing.exceeded" in codes(result)
    assert any(each.exceeded for each in result.closing)
    assert "closing.exceeded" not in codes(results["raw_ball"])


def test_the_sign_and_the_background_of_a_raw_signal_do_not_matter():
    turned = "".join(
        f"{x},{-y - 500},0.001,2\n" for x, y, *_ in (line.split(",") for line in FIVE.split()) for y in [int(y)]
    )
    plain, mirrored = (
        calibrate(read_readings((HEADING + rows).encode()), "flexible", reason="habit")
        for rows in (FIVE, turned + "background,-500,,\nbackground,-500,,\n")
    )
    x = np.linspace(0.3, 2.2, 9)
    assert mirrored.curve.value(x) == pytest.approx(plain.curve.value(x), rel=1e-3)
    y = mirrored.table.indication_of(mirrored.curve.value(x))
    assert np.all(y < -500)
    assert mirrored.correct(y)[0] == pytest.approx(x)


def test_readings_far_too_good_for_their_stated_uncertainty_are_said_and_lucky_ones_are_not():
    def with_u(U, off):
        rows = "".join(
            f"{x},{x * 1.004 + step + shift:.5f},{U},2\n"
            for x, shift in zip((0.3, 0.5, 0.8, 1.1, 1.5, 1.9, 2.4), off, strict=True)
            for step in (-0.00001, 0.00001)
        )
        return calibrate(read_readings(f"reference [mm],indication [mm],U [mm],k\n{rows}".encode()), "line", reason="x")

    off = np.array([1, -1, 1, -1, 1, -1, 1]) * 0.0005
    honest, boastful = with_u(0.001, off), with_u(0.05, off)
    assert "curve.too_good" not in codes(honest)
    assert "curve.too_good" in codes(boastful)
    lucky = with_u(0.001, off * 0.4)
    assert lucky.comparison["line"].chi2_per_dof < 0.3
    assert "curve.too_good" not in codes(lucky)


@pytest.mark.parametrize("name", ["hinge_day", "raw_ball"])
def test_the_comparison_and_the_budget_state_the_same_largest_u(name: str) -> None:
    """Both hold the closing difference: two numbers for one thing contradict each other."""
    found = calibrate(readings_of(name), working_range=(0.25, 2.5))
    assert found.closing
    assert found.budget is not None
    assert found.comparison[found.curve.family].largest_U_mm == pytest.approx(found.budget.U_mm, rel=1e-12)
