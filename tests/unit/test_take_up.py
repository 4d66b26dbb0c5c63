"""A rig taken up again: numbers against an independent computation, outcomes, and what is refused."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import jsonschema
import numpy as np
import pytest

import labkit
from labkit import Check, Conditions, calibrate, read_readings, take_up
from labkit.bench.readings import Readings
from labkit.bench.rig import Part, Rig
from labkit.check.record import schema
from labkit.problems import BadInput

SAMPLES = Path(__file__).resolve().parents[2] / "sample_data"
CONDITIONS = Conditions(
    resolution=0.001, temperature_start_degC=21.4, u_temperature_degC=0.3, background_limit=0.05, zero_u_mm=0.0004
)
TODAY = "2026-11-26T07:16:00Z"
AGAIN = {"background", "zero", "check"}


def sample(folder: str, file: str = "readings.csv") -> Readings:
    # the table of a check names no shim of the fit
    return read_readings(SAMPLES / folder / file, shims=SAMPLES / folder / "shims.csv", whole=file == "readings.csv")


@pytest.fixture(scope="module")
def hinge():
    return calibrate(sample("hinge_day"), "flexible", (0.25, 2.5), 0.005, conditions=CONDITIONS, reason="habit")


@pytest.fixture(scope="module")
def ball():
    """Counts, of which the background is subtracted."""
    conditions = replace(CONDITIONS, resolution=1.0, background_limit=5.0, background="subtract")
    return calibrate(sample("raw_ball"), "flexible", (0.3, 2.0), 0.01, conditions=conditions, reason="habit")


def rows_of(calibration, *roles):
    """What was read at the calibration, as if it had been read today."""
    return replace(calibration.readings, rows=calibration.readings.with_role(*(roles or AGAIN)))


def moved(readings, by, *points):
    """The same readings with the gauge showing more, at all points or at some."""
    rows = tuple(
        replace(row, value=row.value + by) if not points or row.point in points else row for row in readings.rows
    )
    return replace(readings, rows=rows)


def check(calibration, readings, **more):
    return take_up(calibration, readings, calibration.about.conditions, created=TODAY, **more)


def codes(found):
    return [each.code for each in found.cautions]


# ---- the numbers ----


def test_the_same_readings_are_judged_as_the_calibration_judged_them(hinge):
    found = check(hinge, rows_of(hinge))
    assert found.shims == hinge.checks
    assert found.outcome == "fit to measure" and str(found.says) == "Fit to measure."


def test_a_reading_of_another_day_has_the_background_of_that_day_with_its_own_u(ball):
    """Curve and reading err with two backgrounds now; computed from the weights of the curve with numpy alone."""
    found = check(ball, rows_of(ball))
    table, curve, now = ball.table, ball.curve, ball.table.background
    for before, after in zip(ball.checks, found.shims, strict=True):
        assert after.corrected_mm == pytest.approx(before.corrected_mm, abs=1e-12)
        x = np.array([after.corrected_mm])
        whole, steep = curve.weights(x).sum(), abs(curve.slope(x)[0])
        shared = (now.u * (1 - whole) / steep) ** 2
        apart = (now.u * whole / steep) ** 2 + (now.u / steep) ** 2
        assert after.u_mm**2 == pytest.approx(before.u_mm**2 - shared + apart, rel=1e-9)
        assert after.u_mm > before.u_mm
    assert table.common_variance == now.u**2


def test_deviation_u_and_e_n_of_a_morning_by_hand(hinge):
    """The check of the next morning, from the curve, the shims' certificates and the readings in its file."""
    readings = sample("hinge_day", "check.csv")
    found = check(hinge, readings)
    assert [each.point for each in found.shims] == ["C-1", "C-3"]
    shims = {shim.name: shim for shim in readings.shims}
    for each in found.shims:
        mean = np.mean([row.value for row in readings.rows if row.point == each.point])
        grid = np.linspace(each.corrected_mm - 0.002, each.corrected_mm + 0.002, 4001)
        x = np.interp(mean, hinge.curve.value(grid), grid)
        shim = shims[each.point]
        reference = shim.thickness_mm * (1 + shim.expansion_per_K * 1.4)
        assert each.deviation_mm == pytest.approx(x - reference, abs=1e-9)
        terms = hinge.uncertainty.terms(hinge.curve, np.array([x]), 5, on_parts=False)
        u = np.sqrt(sum(term.u_mm[0] ** 2 for term in terms) + (0.0006 / 2) ** 2)  # set C shares no master with A
        assert each.u_mm == pytest.approx(u, rel=1e-6)
        assert each.e_n == pytest.approx((x - reference) / (each.k * u), abs=1e-5)


def test_a_shim_of_the_fit_lowers_u_by_its_covariance(hinge):
    rows = [replace(row, role="check") for row in hinge.readings.with_role("fit") if row.point in ("A-3", "A-7")]
    found = check(hinge, replace(hinge.readings, rows=(*rows_of(hinge, "background", "zero").rows, *rows)))
    assert [each.in_fit for each in found.shims] == [True, True]
    assert codes(found).count("check.in_fit") == 2
    for each in found.shims:
        x = np.array([each.corrected_mm])
        stacks = [*hinge.table.stacks, each.shims]
        V = hinge.readings.shims.covariance(stacks)
        w = hinge.curve.weights(x)[0] * hinge.curve.slope(hinge.curve.points.x) / hinge.curve.slope(x)
        terms = hinge.uncertainty.terms(hinge.curve, x, 5, on_parts=False)
        u2 = sum(term.u_mm[0] ** 2 for term in terms) + V[-1, -1] - 2 * w @ V[:-1, -1]
        assert each.u_mm**2 == pytest.approx(u2, rel=1e-9)
        assert w @ V[:-1, -1] > 0


def test_a_shim_that_was_certified_anew_counts_with_the_new_value_and_no_covariance(hinge):
    rows = [replace(row, role="check") for row in hinge.readings.with_role("fit") if row.point in ("A-3", "A-7")]
    readings = replace(hinge.readings, rows=(*rows_of(hinge, "background", "zero").rows, *rows))
    before = check(hinge, readings).shims[0]
    shims = tuple(
        replace(shim, thickness_mm=shim.thickness_mm - 0.0008, certificate="PD-30001") if shim.name == "A-3" else shim
        for shim in readings.shims
    )
    found = check(hinge, replace(readings, shims=replace(readings.shims, shims=shims)))
    after = found.shims[0]
    assert after.deviation_mm == pytest.approx(before.deviation_mm + 0.0008, abs=1e-7)
    assert after.u_mm > before.u_mm and after.in_fit
    assert [each.params["shim"] for each in found.cautions if each.code == "take_up.recertified"] == ["A-3"]


def test_a_background_that_moved_is_taken_off_the_readings_of_the_day(ball):
    """Steel near the bench adds the same counts everywhere: the thicknesses stay, and the background is said."""
    found = check(ball, moved(rows_of(ball), 40.0))
    for before, after in zip(check(ball, rows_of(ball)).shims, found.shims, strict=True):
        assert after.deviation_mm == pytest.approx(before.deviation_mm, abs=1e-12)
    assert found.background.moved == pytest.approx(40.0) and found.background.exceeded
    assert found.outcome == "check again"
    assert "take_up.background_moved" in codes(found)


def test_contact_zero_shows_a_worn_tip(hinge):
    readings = rows_of(hinge)
    still, worn = check(hinge, readings).zero, check(hinge, moved(readings, 0.003, "zero")).zero
    slope = hinge.curve.slope(np.array([0.0]))[0]
    n = next(point.n for point in hinge.table.points if not point.shims)
    u2 = 2 * float(hinge.table.variance.variance_of_mean(0.0, n)) / slope**2 + 2 * 0.0004**2
    assert still.shift_mm == pytest.approx(0.0, abs=1e-12) and not still.moved
    assert worn.shift_mm == pytest.approx(0.003 / slope) and worn.u_mm == pytest.approx(np.sqrt(u2))
    assert worn.moved and "take_up.zero_moved" in codes(check(hinge, moved(readings, 0.003, "zero")))


def test_a_zero_of_counts_carries_both_backgrounds(ball):
    found = check(ball, rows_of(ball)).zero
    slope = ball.curve.slope(np.array([0.0]))[0]
    n = next(point.n for point in ball.table.points if not point.shims)
    read = 2 * float(ball.table.variance.variance_of_mean(0.0, n)) + 2 * ball.table.background.u**2
    assert found.u_mm == pytest.approx(np.sqrt(read / slope**2 + 2 * 0.0004**2))


# ---- the outcome ----

OFF = {"pass": 0.0, "conditional pass": 0.0045, "conditional fail": 0.0055, "fail": 0.009}


@pytest.mark.parametrize(
    ("off", "again", "outcome"),
    [
        ("pass", "", "fit to measure"),
        ("conditional pass", "", "check again"),
        ("conditional fail", "", "check again"),
        ("fail", "", "calibrate fully"),
        ("pass", "0094-08", "fit to measure"),
        ("conditional pass", "0094-08", "calibrate fully"),
        ("conditional fail", "0094-08", "calibrate fully"),
    ],
)
def test_what_is_not_clear_is_read_again_once(hinge, off, again, outcome):
    found = check(hinge, moved(rows_of(hinge), OFF[off], "C-2"), again=again)
    assert found.shims[1].outcome == off
    assert found.outcome == outcome


def test_a_shim_that_fails_while_the_background_has_moved_is_read_again_first(hinge):
    readings = moved(moved(rows_of(hinge), 0.009, "C-2"), 0.2, "background")
    assert check(hinge, readings).outcome == "check again"
    assert check(hinge, readings, again="0094-08").outcome == "calibrate fully"


@pytest.mark.parametrize(
    ("days", "outcome", "says"),
    [
        (30, "fit to measure", "Fit to measure."),
        (2, "today only", "Today only, calibrate by 2026-11-28."),
        (0, "today only", "Today only, calibrate by 2026-11-26."),
        (-1, "calibrate fully", "Calibrate fully. Do not measure parts."),
    ],
)
def test_a_calibration_serves_no_longer_than_it_is_relied_upon(hinge, days, outcome, says):
    due = date(2026, 11, 26) + timedelta(days=days)
    found = check(hinge, rows_of(hinge), due=due)
    assert (found.outcome, str(found.says)) == (outcome, says)


def test_the_day_is_that_of_the_laboratory(hinge):
    """At half past eleven in the evening UTC it is tomorrow in Auckland."""
    about = replace(hinge.about, zone="Pacific/Auckland")
    found = take_up(hinge, rows_of(hinge), about=about, due=date(2026, 11, 26), created="2026-11-26T23:30:00Z")
    assert found.outcome == "calibrate fully"


def test_without_a_tolerance_e_n_decides(hinge):
    plain = replace(hinge, options=replace(hinge.options, tolerance_mm=None))
    assert check(plain, rows_of(plain)).outcome == "fit to measure"
    off = check(plain, moved(rows_of(plain), 0.003, "C-2"))
    assert off.shims[1].e_n > 1 and off.outcome == "calibrate fully"
    assert "take_up.no_tolerance" in codes(off)


def test_a_shim_that_passes_but_has_moved_is_said(hinge):
    found = check(hinge, moved(rows_of(hinge), 0.003, "C-2"))
    assert found.shims[1].outcome == "pass" and found.shims[1].e_n > 1
    assert "take_up.e_n" in codes(found)


def test_readings_that_scatter_as_never_before_are_said(hinge):
    readings = rows_of(hinge)
    rows = tuple(replace(row, value=row.value + 0.004 * (i % 2)) for i, row in enumerate(readings.rows))
    assert "take_up.noisy" in codes(check(hinge, replace(readings, rows=rows)))
    assert "take_up.noisy" not in codes(check(hinge, readings))


# ---- what is still to be read ----


@pytest.mark.parametrize(
    ("roles", "points", "missing"),
    [
        (("zero", "check"), (), ["take_up.no_background"]),
        (("background", "check"), (), ["take_up.no_zero"]),
        (("background", "zero", "check"), ("C-1", "C-3"), ["take_up.second_shim"]),
        (("background", "zero"), (), ["take_up.two_shims"]),
        (("background",), (), ["take_up.no_zero", "take_up.two_shims"]),
    ],
)
def test_there_is_no_outcome_before_everything_is_read(hinge, roles, points, missing):
    readings = rows_of(hinge, *roles)
    found = check(hinge, replace(readings, rows=tuple(row for row in readings.rows if row.point not in points)))
    assert [each.code for each in found.missing] == missing
    assert found.outcome is None and found.says is None


def test_a_reading_that_was_left_out_is_no_reading(hinge):
    readings = rows_of(hinge)
    rows = tuple(replace(row, left_out="steel near") if row.role == "background" else row for row in readings.rows)
    assert [each.code for each in check(hinge, replace(readings, rows=rows)).missing] == ["take_up.no_background"]


def test_nothing_is_corrected_before_the_background_of_counts_is_re_read(ball):
    found = check(ball, rows_of(ball, "zero", "check"))
    assert found.shims == () and found.zero is None
    assert [each.code for each in found.missing] == ["take_up.no_background", "take_up.two_shims"]


def test_a_shim_outside_the_working_range_is_shown_and_not_counted(hinge):
    narrow = replace(hinge, options=replace(hinge.options, working_range_mm=(0.5, 2.5)))
    readings = rows_of(narrow)
    found = check(narrow, replace(readings, rows=tuple(row for row in readings.rows if row.point != "C-2")))
    assert [each.point for each in found.shims] == ["C-1", "C-3"]
    assert [each.code for each in found.missing] == ["take_up.second_shim"]
    assert [each.params["shim"] for each in found.cautions if each.code == "take_up.outside"] == ["C-1"]


# ---- what is refused ----


def test_another_kind_of_indication_is_refused(hinge, ball):
    with pytest.raises(BadInput) as caught:
        check(hinge, rows_of(ball))
    assert caught.value.code == "take_up.other_signal"
    with pytest.raises(BadInput) as caught:
        check(ball, replace(rows_of(ball), unit="mV"))
    assert caught.value.code == "take_up.other_signal"


def test_another_probe_is_refused(hinge):
    then = replace(hinge.about, rig=Rig("Rig 2", Part("G-07"), Part("P2")))
    now = replace(then, rig=Rig("Rig 2", Part("G-07"), Part("P5")))
    with pytest.raises(BadInput, match=r"stands for probe P2, not for P5"):
        take_up(replace(hinge, about=then), rows_of(hinge), about=now)


# ---- the record ----


def test_a_record_computes_again(hinge, ball):
    for calibration in (hinge, ball):
        found = check(calibration, rows_of(calibration), certificate="0094", due=date(2026, 12, 24), again="0094-08")
        record = found.to_dict()
        jsonschema.Draft202012Validator.check_schema(schema())
        again = Check.from_dict(json.loads(json.dumps(record)))
        assert again.to_dict() == record
        assert record["results"]["verdict"] == "fit to measure"
        assert record["inputs"]["calibration"]["number"] == "0094"


def test_a_record_of_the_calibration_serves_as_well(hinge):
    record = hinge.to_dict() | {"labkit": "0.0.1"}
    found = take_up(record, rows_of(hinge), CONDITIONS, created=TODAY)
    assert found.shims == hinge.checks
    assert found.to_dict()["inputs"]["calibration"]["record"] == record, "kept as it was signed"


BROKEN = {
    "no schema": lambda record: record.pop("schema"),
    "a calibration": lambda record: record.update(schema="labkit.calibration/1"),
    "newer": lambda record: record.update(schema="labkit.check/2"),
    "another method": lambda record: record["method"].update(check="take-up/2"),
    "no readings": lambda record: record["inputs"].pop("readings"),
    "a key too many": lambda record: record["inputs"].update(secret=1),
    "no number": lambda record: record["inputs"]["readings"]["rows"][0].update(value="1.2"),
    "an unknown rule": lambda record: record["inputs"]["options"].update(rule="as we like"),
    "no calibration": lambda record: record["inputs"]["calibration"].update(record={}),
    "a damaged calibration": lambda record: record["inputs"]["calibration"]["record"]["inputs"].pop("options"),
    "an outcome of its own": lambda record: record["results"].update(verdict="good enough"),
    "a day that no calendar has": lambda record: record["inputs"]["options"].update(due="2026-02-31"),
}


@pytest.mark.parametrize("change", BROKEN.values(), ids=BROKEN)
def test_a_damaged_record_is_refused(hinge, change):
    record = copy.deepcopy(check(hinge, rows_of(hinge)).to_dict())
    change(record)
    with pytest.raises(BadInput) as caught:
        Check.from_dict(record)
    assert caught.value.code.startswith("record.")


def test_the_public_face_has_it():
    assert labkit.take_up is take_up and {"Check", "take_up"} <= set(labkit.__all__)
