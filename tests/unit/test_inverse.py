"""Backwards at scale: the tables behind a million indications, their checks, and intervals of every curve."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.curves import Family, families, fit, inverse
from labkit.curves.tabulated import CLOSE, FEW, along, in_blocks
from labkit.problems import BadInput

X = np.array([0.25, 0.4, 0.6, 0.9, 1.25, 1.6, 2.0, 2.5])
NOISE = np.array([0.3, -1.1, 0.7, -0.2, 0.9, -0.6, -0.4, 0.5])
RAW = 20.0 + 30_000.0 * (1.0 + X / 1.8) ** -5.0 + NOISE
INDICATION = X * 1.004 + 0.0003 * NOISE
MANY = np.random.default_rng(4).uniform(0.25, 2.5, 3 * FEW)
SOME = slice(None, None, 37)


def curves():
    for signal, y, uy in (("raw", RAW, 2.0), ("thickness", INDICATION, 0.0004)):
        for form in families(signal):
            curve = fit(X, y, form, ux=0.0005, uy=uy, signal=signal)
            if curve.monotonic:
                yield pytest.param(curve, uy, id=f"{form.name} {signal}")


EVERY = list(curves())


# ---- a function along the thickness ----


def test_few_thicknesses_are_handed_to_the_function_itself():
    asked = []

    def f(x):
        asked.append(x)
        return np.sqrt(x)

    x = np.array([[4.0, 9.0], [4.0, 16.0]])
    assert along(f, x).tolist() == [[2.0, 3.0], [2.0, 4.0]]
    assert [each.tolist() for each in asked] == [[4.0, 9.0, 16.0]]
    assert along(f, np.array([])).shape == (0,)
    assert along(f, 4.0) == 2.0


def test_many_are_interpolated_from_few_evaluations():
    count = 0

    def f(x):
        nonlocal count
        count += x.size
        return np.stack([np.exp(-x), 1.0 + np.sin(3.0 * x) ** 2])

    found = along(f, MANY)
    assert found.shape == (2, MANY.size)
    assert found == pytest.approx(f(MANY), rel=CLOSE)
    assert count - MANY.size < FEW


@pytest.mark.parametrize("kink", [0.5, 1.0, 1.37, 2.4999])
def test_where_the_table_does_not_hold_the_function_itself_is_asked(kink):
    def f(x):
        return 1.0 + np.abs(x - kink) + np.where(x > kink, 0.3, 0.0)

    assert along(f, MANY) == pytest.approx(f(MANY), rel=CLOSE)


def test_a_function_that_no_table_holds_is_asked_everywhere():
    def f(x):
        return 2.0 + np.sin(1e7 * x)

    assert along(f, MANY) == pytest.approx(f(MANY), rel=1e-12)


def test_what_is_made_of_the_values_may_jump_and_errors_are_measured_as_asked():
    def f(x):
        return np.stack([np.exp(x), 1e-9 * np.abs(x - 1.0)])

    def steps(values):
        return np.floor(10.0 * values[0]) + values[1]

    asked = []

    def counted(x):
        asked.append(x.size)
        return f(x)

    found = along(counted, MANY, steps, lambda values: values.max(axis=0))
    assert found == pytest.approx(steps(f(MANY)), rel=1e-9)
    assert sum(asked) < FEW


def test_blocks_are_put_together_again():
    assert in_blocks(lambda x: np.stack([x, -x]), np.arange(10.0), 3).tolist() == [
        list(range(10)),
        [-each for each in range(10)],
    ]


# ---- backwards ----


@pytest.mark.parametrize(("curve", "uy"), EVERY)
def test_many_indications_give_what_each_gives_by_itself(curve, uy):
    """Stated: 1e-9 mm in thickness and 1e-6 of u."""
    y = curve.value(MANY)
    x, u = curve.invert(y, uy)
    assert np.max(np.abs(x - MANY)) < 1e-9
    alone, u_alone = curve.invert(y[SOME], uy)
    assert np.max(np.abs(x[SOME] - alone)) < 1e-9
    if u is not None:
        assert np.max(np.abs(u[SOME] / u_alone - 1.0)) < 1e-6


def test_a_line_is_solved_in_closed_form():
    for signal, y in (("raw", 3.0 + 2.0 * X), ("thickness", INDICATION)):
        curve = fit(X, y, "line", uy=0.001, signal=signal)
        intercept, slope = curve.value(0.0), curve.slope(0.0)
        x, _ = curve.invert(curve.value(MANY))
        assert x == pytest.approx((curve.value(MANY) - intercept) / slope, abs=1e-15)
        assert x.min() >= 0.25
        assert x.max() <= 2.5


def test_a_curve_that_is_flat_somewhere_is_still_inverted():
    """A slope of 0 at one thickness, without a turn: no table of the inverse holds there."""
    form = Family("cube", lambda x, a: a * (x - 1.0) ** 3, lambda x, y: (1.0,), ("a",), "any", 1)
    curve = fit(X, 2.0 * (X - 1.0) ** 3, form, uy=0.01)
    x, _ = curve.invert(curve.value(MANY))
    assert curve.value(x) == pytest.approx(curve.value(MANY), abs=1e-9)
    off = np.abs(MANY - 1.0) > 1e-3
    assert np.max(np.abs(x - MANY)[off]) < 1e-9


def test_steps_too_small_for_double_precision_are_looked_for_one_by_one():
    form = Family("step", lambda x, a: a * np.tanh(40.0 * (x - 1.0)), lambda x, y: (1.0,), ("a",), "any", 1)
    curve = fit(X, np.tanh(40.0 * (X - 1.0)), form, uy=0.01)
    y = np.linspace(-0.9, 0.9, FEW + 1)
    found = inverse._from_table(curve, y, (-3.0, 3.0))
    assert found == pytest.approx(1.0 + np.arctanh(y) / 40.0, abs=1e-9)


def test_many_indications_outside_are_masked_at_their_places():
    curve = fit(X, RAW, "flexible", uy=2.0)
    y = curve.value(MANY)
    outside = np.arange(MANY.size) % 5 == 0
    y[outside] = np.resize([np.nan, 1e9, -5.0, np.inf], outside.sum())
    x, u = curve.invert(y, 2.0, outside="mask")
    assert (x.mask == outside).all()
    assert (u.mask == outside).all()
    assert np.max(np.abs(x - MANY)) < 1e-9
    assert np.all(u > 0)


# ---- intervals ----


@pytest.mark.parametrize(("curve", "uy"), EVERY)
def test_every_curve_has_a_monte_carlo_interval(curve, uy):
    y = float(curve.value(1.1))
    low, high = curve.invert_interval(y, uy, method="monte-carlo")
    assert low < 1.1 < high
    _, u = curve.invert([y], uy)
    if u is not None:
        assert (high - low) / 2 == pytest.approx(1.96 * float(u[0]), rel=0.05)


@pytest.mark.parametrize("name", ["piecewise-line", "monotone-cubic"])
def test_a_curve_through_the_points_scatters_as_its_points_do(name):
    """At a knot the curve is the point: u² = u²(y₀)/F′² + u²(y)/F′² + u²(x)."""
    curve = fit(X, INDICATION, name, ux=0.0006, uy=0.0008, signal="thickness")
    low, high = curve.invert_interval(float(INDICATION[4]), 0.0005, method="monte-carlo")
    assert (high - low) / 2 == pytest.approx(1.96 * np.sqrt(0.0006**2 + 0.0008**2 + 0.0005**2), rel=0.06)
    common = fit(X, INDICATION, name, cov_x=np.full((8, 8), 0.003**2), uy=1e-6, signal="thickness")
    low, high = common.invert_interval(1.0, 1e-6, method="monte-carlo")
    assert (high - low) / 2 == pytest.approx(1.96 * 0.003, rel=0.06)


def test_shims_of_one_thickness_are_one_knot_in_every_draw():
    x = np.append(X, X[3])
    y = np.append(INDICATION, INDICATION[3])
    curve = fit(x, y, "monotone-cubic", ux=0.001, uy=0.0001, signal="thickness")
    drawn = curve.draws(X[3:4], 2000, np.random.default_rng(2))
    assert drawn.std() == pytest.approx(np.hypot(0.001, 0.0001) / np.sqrt(2.0), rel=0.1)


def test_nothing_is_drawn_where_nothing_is_known():
    curve = fit(X, RAW, "monotone-cubic")
    assert curve.draws(X, 10, np.random.default_rng(1)) is None
    with pytest.raises(BadInput) as caught:
        curve.invert_interval(float(RAW[3]), 2.0, method="monte-carlo")
    assert caught.value.code == "curve.method"


# ---- what a calibration makes of it ----


@pytest.mark.parametrize("family", ["auto", "flexible", "power-law", "monotone-cubic", "smoothing-spline"])
def test_a_calibration_corrects_many_indications_as_it_corrects_each(family):
    from labkit import calibrate, read_readings
    from labkit.paths import sample_data

    folder = sample_data() / "raw_ball"
    readings = read_readings(folder / "readings.csv", shims=folder / "shims.csv")
    result = calibrate(readings, family, tolerance=0.01, reason="to compare")
    low, high = result.curve.range
    asked = np.random.default_rng(8).uniform(low, high, 3 * FEW)
    y = result.table.indication_of(result.curve.value(asked))
    x, u = result.correct(y)
    alone, u_alone = result.correct(y[SOME])
    assert np.max(np.abs(x - asked)) < 1e-9
    assert np.max(np.abs(x[SOME] - alone)) < 1e-9
    assert np.max(np.abs(u[SOME] / u_alone - 1.0)) < 1e-6
    U, k = result.expanded(x)
    U_alone, k_alone = result.expanded(x[SOME])
    assert np.max(np.abs(U[SOME] / U_alone - 1.0)) < 1e-6
    assert np.max(np.abs(k[SOME] / k_alone - 1.0)) < 1e-6
