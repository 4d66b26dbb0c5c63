"""What else moves a reading: each influence of the catalogue against a number worked out by hand."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import jsonschema
import numpy as np
import pytest

from labkit import Calibration, calibrate, read_readings
from labkit.bench.about import About
from labkit.bench.conditions import Conditions, OwnLine
from labkit.bench.influences import (
    BY_FIELD,
    BY_KELVIN,
    BY_LIMIT,
    BY_SHARE,
    KINDS,
    Influence,
    bridged_mm,
    check_influences,
    not_considered,
    sagitta_mm,
)
from labkit.calibration.points import covariance_mm2
from labkit.calibration.record import schema
from labkit.calibration.shim_parts import shim_parts
from labkit.messages import sentence
from labkit.paths import sample_data
from labkit.problems import BadInput
from labkit.sentences import SENTENCES

X = np.array([0.5, 2.0])
PER_SHARE = np.array([0.3, 1.0])
"""|F/F'| [mm]: a signal that is 1 % too small reads 3 µm and 10 µm thick."""
PER_SIGNAL = np.array([0.00002, 0.0005])
"""1/|F'| [mm per count]."""

LIMITS = [code for code, kind in KINDS.items() if BY_LIMIT in kind.ways]
SHARES = [code for code, kind in KINDS.items() if BY_SHARE in kind.ways]


def u(code, shape="rectangular", **values):
    return Influence(code, values, shape).u_mm(X, PER_SHARE, PER_SIGNAL)


def sample(name):
    folder = sample_data() / name
    readings = next(path for path in sorted(folder.iterdir()) if path.stem == "readings")
    return read_readings(readings, folder / "shims.csv")


@pytest.fixture(scope="module")
def days():
    """Without the background read again, whose drift would be a line of its own where none is stated."""
    read = {name: sample(name) for name in ("hinge_day", "raw_ball")}
    return {
        name: replace(each, rows=tuple(row for row in each.rows if row.role != "closing-background"))
        for name, each in read.items()
    }


# ---- each line, by hand ----


@pytest.mark.parametrize("code", LIMITS)
def test_a_limit_of_thickness_is_a_rectangle(code):
    """0.6 µm/√3 = 0.346410 µm, at every thickness."""
    assert u(code, limit_mm=0.0006) == pytest.approx([0.000346410, 0.000346410], rel=1e-6)
    assert u(code, "normal", limit_mm=0.0006) == pytest.approx([0.0006, 0.0006])


@pytest.mark.parametrize("code", SHARES)
def test_a_share_of_the_signal_costs_more_where_the_curve_is_flat(code):
    """0.2 % of the signal: 0.002·0.3 mm/√3 = 0.346410 µm, and 0.002·1.0 mm/√3 = 1.154701 µm."""
    assert u(code, share=0.002) == pytest.approx([0.000346410, 0.001154701], rel=1e-6)


def test_the_temperature_of_magnet_and_sensor():
    """Signal: 0.11 %/K·2 K = 0.22 %, times 0.3 mm and 1.0 mm, over √3. Thickness: 0.65 µm/K·2 K/√3 = 0.750555 µm."""
    assert u("magnet-temperature", change_K=2.0, signal_per_K=-0.0011) == pytest.approx([0.000381051, 0.001270171])
    assert u("magnet-temperature", change_K=2.0, mm_per_K=-0.00065) == pytest.approx([0.000750555, 0.000750555])


def test_the_drift_of_the_background():
    """3 counts: 3·0.02 µm/√3 = 0.034641 µm, and 3·0.5 µm/√3 = 0.866025 µm."""
    assert u("background-drift", signal=3.0) == pytest.approx([0.000034641, 0.000866025], rel=1e-5)


def test_the_temperature_of_the_part():
    """150 ppm/K·5 K = 750 ppm of 0.5 mm and of 2 mm: 0.375 µm and 1.5 µm, over √3."""
    expected = [0.000216506, 0.000866025]
    assert u("part-temperature", change_K=5.0, expansion_per_K=150e-6) == pytest.approx(expected, rel=1e-5)


def test_a_ball_over_a_narrow_groove():
    """
    A ball of 1.5 mm between edges 0.6 mm apart sinks in by 0.75 − √(0.75² − 0.3²) = 0.0626136 mm. Of a groove 0.1 mm
    deep it leaves 37.3864 µm, which it reads too much.
    """
    assert sagitta_mm(1.5, 0.6) == pytest.approx(0.0626136, rel=1e-5)
    assert sagitta_mm(3.0, 1.8) == pytest.approx(1.5 - 1.2)
    assert sagitta_mm(1.5, 1.5) == 0.75
    assert bridged_mm(1.5, 0.6, 0.1) == pytest.approx(0.0373864, rel=1e-5)
    assert bridged_mm(1.5, 0.6, 0.05) == 0.0  # it reaches the bottom
    assert bridged_mm(1.5, 1.6, 5.0) == 0.0  # it falls in
    found = u("groove", ball_mm=1.5, width_mm=0.6, depth_mm=0.1)
    assert found == pytest.approx([0.0373864, 0.0373864], rel=1e-5)  # whole: it is known and has one sign


def test_every_influence_has_a_name_and_asks_for_something():
    for kind in KINDS.values():
        assert f"influence.{kind.code}" in SENTENCES
        assert kind.asks(kind.signal or "raw")
    assert KINDS["magnet-temperature"].asks("raw") == BY_FIELD
    assert KINDS["magnet-temperature"].asks("thickness") == BY_KELVIN
    assert KINDS["edge"].asks("raw") == BY_SHARE
    assert KINDS["edge"].asks("thickness") == BY_LIMIT


# ---- in a calibration ----

STATED = {
    "hinge_day": (
        Influence("linearisation", {"limit_mm": 0.0004}, how="the gauge's manual"),
        Influence("magnet-temperature", {"change_K": 2.0, "mm_per_K": 0.0002}),
        Influence("groove", {"ball_mm": 1.5, "width_mm": 0.6, "depth_mm": 0.1}),
        Influence("part-temperature", {"change_K": 5.0, "expansion_per_K": 150e-6}),
        Influence("time", {"limit_mm": 0.0005}, "normal", "control chart"),
        Influence("filler", off="unfilled polypropylene"),
    ),
    "raw_ball": (
        Influence("background-drift", {"signal": 3.0}),
        Influence("magnet-temperature", {"change_K": 2.0, "signal_per_K": -0.0011}, how="NdFeB"),
        Influence("magnetisation", {"share": 0.001}),
    ),
}


@pytest.mark.parametrize("name", STATED)
def test_what_is_stated_stands_in_the_budget_and_in_the_record(days, name):
    conditions = Conditions(influences=STATED[name])
    plain, result = calibrate(days[name]), calibrate(days[name], conditions=conditions)
    valued = [each for each in conditions.influences if not each.off]
    lines = [line for line in result.budget.lines if line.params.get("influence")]
    assert [line.params["influence"] for line in lines] == [each.code for each in valued]
    at, curve = np.array([result.budget.at_mm]), result.uncertainty.flexible
    per_signal = 1 / np.abs(curve.slope(at))
    for line, each in zip(lines, valued, strict=True):
        assert line.u_mm == pytest.approx(each.u_mm(at, curve.value(at) * per_signal, per_signal)[0])
        assert line.shape == each.shape
        assert line.name and line.how and "{" not in line.name + line.how
        assert each.how in line.how
    x = np.linspace(*result.options.working_range_mm, 9)
    more = np.square(result.uncertainty.standard(curve, x)) - np.square(plain.uncertainty.standard(curve, x))
    terms = [t.u_mm for t in result.uncertainty.terms(curve, x, 1) if t.params.get("influence")]
    assert more == pytest.approx(sum(np.square(terms)))

    record = result.to_dict()
    jsonschema.validate(record, schema())
    again = Calibration.from_dict(json.loads(json.dumps(record)))
    assert again.to_dict() == record
    assert again.about.conditions.influences == conditions.influences


def test_a_check_shim_does_not_feel_what_acts_on_parts(days):
    def flexible(influences=()):
        conditions = Conditions(influences=influences)
        return calibrate(days["hinge_day"], "flexible", conditions=conditions, reason="to look at it")

    plain = flexible()
    result = flexible(tuple(each for each in STATED["hinge_day"] if each.kind.on_parts))
    assert [check.U_mm for check in result.checks] == pytest.approx([check.U_mm for check in plain.checks])
    assert result.budget.U_mm > plain.budget.U_mm
    for kinked, straight in zip(flexible(STATED["hinge_day"][:1]).checks, plain.checks, strict=True):
        assert kinked.u_mm**2 - straight.u_mm**2 == pytest.approx(0.0004**2 / 3)


def test_what_is_neither_valued_nor_left_out_is_one_caution_and_changes_nothing(days):
    for name, readings in days.items():
        result = calibrate(readings)
        (said,) = [each for each in result.cautions if each.code == "budget.not_considered"]
        assert tuple(said.params["influences"]) == not_considered((), readings.signal)
        assert ("background-drift" in said.params["influences"]) == (name == "raw_ball")
        assert ("linearisation" in said.params["influences"]) == (name == "hinge_day")
        assert "tip wear" in str(said) and "tip-wear" not in str(said)
        every = tuple(Influence(code, off="looked at") for code in said.params["influences"])
        quiet = calibrate(readings, conditions=Conditions(influences=every))
        assert "budget.not_considered" not in [each.code for each in quiet.cautions]
        assert quiet.budget == result.budget


def test_a_bridged_groove_is_a_caution(days):
    deep, shallow = (Influence("groove", {"ball_mm": 1.5, "width_mm": 0.6, "depth_mm": depth}) for depth in (0.1, 0.05))
    (said,) = [
        each
        for each in calibrate(days["hinge_day"], conditions=Conditions(influences=(deep,))).cautions
        if each.code == "budget.bridged"
    ]
    assert "37.4 µm too thick" in str(said) and "no minimum reveals it" in str(said)
    reaching = calibrate(days["hinge_day"], conditions=Conditions(influences=(shallow,)))
    assert "budget.bridged" not in [each.code for each in reaching.cautions]


def test_a_record_from_before_the_catalogue_gives_the_same_calibration(days):
    result = calibrate(days["raw_ball"])
    record = result.to_dict()
    old = json.loads(json.dumps(record))
    conditions = old["inputs"]["about"]["conditions"]
    del conditions["influences"], conditions["smallest_U_mm"]
    again = Calibration.from_dict(old)
    assert again.to_dict()["printed"] == record["printed"]
    assert again.budget == result.budget
    assert About.from_dict(old["inputs"]["about"]).conditions.influences == ()


@pytest.mark.parametrize(
    ("influence", "code"),
    [
        (Influence("gravity", {"limit_mm": 1.0}), "influence.unknown"),
        (Influence("tilt"), "influence.values"),
        (Influence("tilt", {"share": 0.1}), "influence.values"),
        (Influence("groove", {"ball_mm": 1.5}), "influence.values"),
        (Influence("tilt", {"limit_mm": -1.0}), "influence.number"),
        (Influence("tilt", {"limit_mm": math.nan}), "influence.number"),
        (Influence("tilt", {"limit_mm": math.inf}), "influence.number"),
        (Influence("tilt", {"limit_mm": 0.001}, "flat"), "influence.shape"),
        (Influence("edge", {"share": 0.1}), "influence.signal"),
        (Influence("background-drift", {"signal": 1.0}), "influence.signal"),
        (Influence("magnet-temperature", {"change_K": 1.0, "signal_per_K": 0.001}), "influence.signal"),
    ],
)
def test_what_cannot_be_counted_is_refused(days, influence, code):
    with pytest.raises(BadInput) as refused:
        calibrate(days["hinge_day"], conditions=Conditions(influences=(influence,)))
    assert refused.value.code == code
    assert "{" not in str(refused.value)


def test_nothing_is_stated_twice():
    with pytest.raises(BadInput) as refused:
        check_influences((Influence("tilt", off="none"), Influence("tilt", off="none")), "raw")
    assert (
        str(refused.value) == sentence("influence.twice", {"influence": "tilt"}) == "Tilt of the probe is stated twice."
    )


# ---- the lines about shims, and the laboratory's own ----


def test_the_parts_of_the_shims_make_up_their_covariance():
    text = (
        "shim,thickness [mm],U [µm],k,shared u [µm],flatness u [µm],wear u [µm],set\n"
        "A-1,0.25,1.0,2,0.2,0.1,0.05,A\nA-2,0.5,1.0,2,0.3,0.2,0,A\nB-1,1.0,1.2,2,0.2,0,0.3,B\n"
    )
    rows = "A-1,0.25\nA-2,0.5\nA-1 + A-2,0.75\nA-1 + B-1,1.25\nzero,0\n"
    readings = read_readings(f"shim,indication [mm]\n{rows}", text)
    conditions = Conditions(joint_u_mm=0.0005, zero_u_mm=0.0004)
    stacks = [("A-1",), ("A-2",), ("A-1", "A-2"), ("A-1", "B-1"), ()]
    parts = shim_parts(readings.shims, stacks, conditions)
    np.testing.assert_allclose(sum(parts.values()), covariance_mm2(readings.shims, stacks, conditions), atol=1e-18)
    np.testing.assert_allclose(parts["budget.shims"][0, 0], (0.5**2 - 0.2**2) * 1e-6)
    np.testing.assert_allclose(parts["budget.shims_shared"][0, 1], 0.2 * 0.3 * 1e-6)
    np.testing.assert_allclose(parts["budget.shims_form"][3, 3], (0.1**2 + 0.05**2 + 0.3**2) * 1e-6)
    np.testing.assert_allclose(np.diag(parts["budget.joints"]), [0, 0, 0.25e-6, 0.25e-6, 0])
    np.testing.assert_allclose(np.diag(parts["budget.seating"]), [0, 0, 0, 0, 0.16e-6])

    lines = {line.code for line in calibrate(readings, conditions=conditions).budget.lines}
    assert set(parts) <= lines


@pytest.mark.parametrize("name", ["hinge_day", "raw_ball"])
def test_splitting_the_shims_leaves_their_sum(days, name):
    """What all points share, shims and background, stands in lines of its own."""
    result = calibrate(days[name], "flexible", reason="to look at it")
    curve, x = result.curve, np.linspace(0.3, 2.0, 5)
    terms = {term.code: term.u_mm for term in result.uncertainty.terms(curve, x, None)}
    steep, W, D = np.abs(curve.slope(x)), curve.weights(x), curve.slope(curve.points.x)
    whole = np.einsum("qi,ij,qj->q", W * D, curve.points.V_x, W * D) / steep**2
    parts = [terms[code] ** 2 for code in terms if code.startswith(("budget.shims", "budget.joints", "budget.seating"))]
    assert sum(parts) == pytest.approx(whole)
    of_repeats = curve.points.V_y - result.table.common_variance
    assert terms["budget.repeats"] ** 2 == pytest.approx(np.einsum("qi,ij,qj->q", W, of_repeats, W) / steep**2)
    assert ("budget.background" in terms) == (name == "raw_ball")


def test_two_own_lines_that_name_each_other_state_one_correlation(days):
    once = (OwnLine("Ball", 0.003, correlated_with="Tip", r=0.5), OwnLine("Tip", 0.004))
    twice = (once[0], OwnLine("Tip", 0.004, correlated_with="Ball", r=0.5))
    found = [calibrate(days["hinge_day"], conditions=Conditions(own_lines=own)).budget for own in (once, twice)]
    assert found[0].u_mm == found[1].u_mm
    against = (once[0], OwnLine("Tip", 0.004, correlated_with="Ball", r=-0.5))
    with pytest.raises(BadInput) as caught:
        calibrate(days["hinge_day"], conditions=Conditions(own_lines=against))
    assert caught.value.code == "conditions.correlated"


def test_correlated_own_lines_are_summed_with_their_correlation(days):
    """2·0.5·3 µm·4 µm on top of 9 + 16 µm²; at r = −1 they cancel to 1 µm²."""
    plain = calibrate(days["hinge_day"], "flexible", reason="to look at it")

    def more_um2(r):
        own = (OwnLine("Ball", 0.003, correlated_with="Tip", r=r), OwnLine("Tip", 0.004))
        result = calibrate(days["hinge_day"], "flexible", conditions=Conditions(own_lines=own), reason="to look at it")
        assert Calibration.from_dict(result.to_dict()).budget == result.budget
        assert sum(result.budget.shares()) == pytest.approx(1.0)
        x = np.array([1.0])
        before = plain.uncertainty.standard(plain.uncertainty.flexible, x)
        assert result.uncertainty.budget(result.curve, 1.0).u_mm == result.uncertainty.standard(result.curve, x)[0]
        return 1e6 * float(result.uncertainty.standard(result.curve, x)[0] ** 2 - before[0] ** 2)

    assert more_um2(0.0) == pytest.approx(25.0)
    assert more_um2(0.5) == pytest.approx(37.0)
    assert more_um2(-1.0) == pytest.approx(1.0)


@pytest.mark.parametrize(
    "own",
    [
        (OwnLine("Ball", 0.003, correlated_with="Tip", r=0.5),),
        (OwnLine("Ball", 0.003, correlated_with="Ball", r=0.5),),
        (OwnLine("Ball", 0.003, correlated_with="Tip", r=1.5), OwnLine("Tip", 0.004)),
        (OwnLine("Ball", 0.003, correlated_with="Tip", r=0.5), OwnLine("Tip", 0.004), OwnLine("Tip", 0.001)),
    ],
)
def test_a_correlation_with_nothing_is_refused(days, own):
    with pytest.raises(BadInput) as refused:
        calibrate(days["hinge_day"], conditions=Conditions(own_lines=own))
    assert refused.value.code == "conditions.correlated"


def test_no_U_below_the_accreditation(days):
    plain = calibrate(days["hinge_day"])
    smallest = 0.9 * plain.budget.U_mm
    result = calibrate(days["hinge_day"], conditions=Conditions(smallest_U_mm=smallest))
    x = np.linspace(*result.options.working_range_mm, 40)
    before, U = plain.expanded(x)[0], result.expanded(x)[0]
    np.testing.assert_allclose(U, np.maximum(before, smallest), rtol=1e-9)
    assert np.any(before < smallest) and np.any(before > smallest)
    thin = result.uncertainty.budget(result.curve, float(x[int(np.argmin(before))]))
    assert thin.lines[-1].code == "budget.capability"
    assert thin.U_mm == pytest.approx(smallest)
    assert all(check.U_mm >= 0.99 * smallest for check in result.checks)
