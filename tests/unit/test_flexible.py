"""The flexible curve: what it says between the points, how sure it is of it, and what it never does."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.curves import Curve, Points, fit, fit_points
from labkit.curves.flexible import FLEXIBLE, SCALE
from labkit.problems import BadInput
from tests.held_curve import with_points

X = np.array([0.25, 0.4, 0.6, 0.9, 1.25, 1.6, 2.0, 2.5])
NOISE = np.array([0.3, -1.1, 0.7, -0.2, 0.9, -0.6, -0.4, 0.5])
RAW = 20.0 + 30_000.0 * (1.0 + X / 1.8) ** -5.0 + NOISE
INDICATION = X * 1.004 + 0.002 * np.sin(X) + 0.0003 * NOISE
AT = np.linspace(0.25, 2.5, 23)


def curve_of(signal, **options):
    if signal == "raw":
        return fit(X, RAW, "flexible", **({"ux": 0.0004, "uy": 1.5} | options))
    return fit(X, INDICATION, "flexible", signal="thickness", **({"ux": 0.0004, "uy": 0.0004} | options))


both = pytest.mark.parametrize("signal", ["raw", "thickness"])


@both
def test_it_stays_near_the_points_and_knows_least_between_them(signal):
    curve = curve_of(signal)
    u = curve.standard_uncertainty(AT) / np.abs(curve.slope(AT))
    assert np.all(u > 0.0001)
    off = curve.residuals / np.hypot(np.sqrt(np.diag(curve.points.V_y)), 0.0004 * curve.slope(X))
    assert np.all(np.abs(off) < 2.5)
    beyond = curve.standard_uncertainty(np.array([3.5])) / np.abs(curve.slope(np.array([3.5])))
    assert beyond[0] > 2 * u.max()


@both
def test_slope_is_that_of_finite_differences(signal):
    curve = curve_of(signal)
    h = 1e-6
    assert curve.slope(AT) == pytest.approx((curve.value(AT + h) - curve.value(AT - h)) / (2 * h), rel=1e-6)


@both
def test_drawn_curves_scatter_about_the_curve_as_stated(signal):
    curve = curve_of(signal)
    drawn = curve.draws(AT, 20_000, np.random.default_rng(3))
    assert drawn.mean(axis=0) == pytest.approx(curve.value(AT), abs=0.04 * curve.standard_uncertainty(AT).max())
    assert drawn.std(axis=0) == pytest.approx(curve.standard_uncertainty(AT), rel=0.04)


def test_readings_without_any_spread_still_have_the_uncertainty_of_their_resolution():
    step = 0.001
    y = np.round(X * 1.004, 3)
    curve = fit(X, y, "flexible", uy=step / np.sqrt(12), signal="thickness")
    assert np.all(curve.standard_uncertainty(AT) > 0.1 * step / np.sqrt(12))


@pytest.mark.parametrize(("y", "signal"), [(X, "thickness"), (np.full(8, 3.0), "raw")])
@pytest.mark.parametrize("uy", [None, 0.001])
def test_indications_without_any_span_are_fitted_too(y, signal, uy):
    curve = fit(X, y, "flexible", uy=uy, signal=signal)
    assert curve.value(AT) == pytest.approx(AT if signal == "thickness" else np.full(23, 3.0), abs=1e-6)
    assert np.all(np.isfinite(curve.standard_uncertainty(AT)))
    assert np.all(curve.standard_uncertainty(AT) > 0)


def test_where_no_uncertainty_is_given_the_noise_is_estimated():
    x = np.linspace(0.3, 2.5, 15)
    noise = 0.002 * np.random.default_rng(2).standard_normal(15)
    curve = fit(x, x * 1.01 + noise, "flexible", signal="thickness")
    assert curve.scale == "estimated"
    assert 0.001 < curve.residual_sd < 0.004
    assert np.all(np.abs(curve.value(x) - 1.01 * x) < 4 * curve.standard_uncertainty(x))


@both
def test_a_new_reading_at_fixed_smoothness_moves_the_curve_by_its_weight(signal):
    """Linear in z: exact for indications; for raw signals small steps are taken, as their noise is relative."""
    curve = curve_of(signal, ux=None)
    points = curve.points
    h = 1e-7 if signal == "thickness" else 1e-3
    for i in (0, 3, 7):
        moved = []
        for sign in (1, -1):
            y = points.y.copy()
            y[i] += sign * h
            V_y = points.V_y * (np.outer(y, y) / np.outer(points.y, points.y) if signal == "raw" else 1.0)
            moved.append(with_points(curve, Points(points.x, y, points.V_x, V_y)).value(AT))
        derivative = (moved[0] - moved[1]) / (2 * h)
        scale = np.abs(curve.weights(AT)[:, i]).max()
        assert curve.weights(AT)[:, i] == pytest.approx(derivative, abs=1e-4 * scale)


@both
def test_a_shared_error_of_all_shims_is_not_averaged_away(signal):
    """V_x that is dense: u rises to hypot(u, c·F′), as a common shift cannot be seen between points."""
    c = 0.002
    alone = curve_of(signal)
    shared = curve_of(signal, ux=None, cov_x=np.diag(np.full(8, 0.0004**2)) + c**2)
    at = np.linspace(0.4, 2.0, 9)
    expected = np.hypot(alone.standard_uncertainty(at), c * alone.slope(at))
    assert shared.standard_uncertainty(at) == pytest.approx(expected, rel=0.08)
    assert shared.value(at) == pytest.approx(alone.value(at), abs=0.0003 * np.abs(alone.slope(at)).max())


def test_indications_carry_the_error_of_the_shim_with_the_whole_slope():
    """z = y − x holds x itself: u is u(x)·(1 + E′), not u(x)·E′."""
    curve = curve_of("thickness", ux=0.002, uy=1e-5)
    assert np.sqrt(np.diag(curve.N)) == pytest.approx(0.002 * curve.slope(X), rel=0.001)


@both
def test_it_turns_in_no_drawn_curve_where_the_points_are_good(signal):
    rng = np.random.default_rng(1)
    assert curve_of(signal).monotonic
    assert curve_of(signal).monotonic_share(rng) > 0.99


def test_points_that_hardly_rise_leave_room_for_curves_that_turn():
    y = np.array([0.100, 0.102, 0.101, 0.103, 0.102, 0.104, 0.103, 0.105])
    curve = fit(X, y, "flexible", uy=0.002, signal="thickness")
    share = curve.monotonic_share(np.random.default_rng(1))
    assert share < 0.5
    assert share == curve.monotonic_share(np.random.default_rng(1))


@both
def test_effective_parameters_lie_between_the_trend_and_the_points(signal):
    curve = curve_of(signal)
    trend = 3 if signal == "raw" else 2
    assert curve.degree == trend - 1
    assert trend - 1e-9 <= curve.effective_parameters <= 8
    assert curve.chi2 < 20
    assert (curve.parameters, curve.covariance) == ({}, None)


def test_few_points_lower_the_degree_of_the_trend():
    assert fit(X[:3], RAW[:3], "flexible", uy=1.0).degree == 1
    assert fit(X[:4], RAW[:4], "flexible", uy=1.0).degree == 2


@both
def test_the_scale_follows_the_range_so_the_unit_of_length_does_not_matter(signal):
    curve = curve_of(signal)
    assert pytest.approx(SCALE[signal] * 2.25) == curve.L
    factor = 25.4
    y, uy = (RAW, 1.5) if signal == "raw" else (INDICATION * factor, 0.0004 * factor)
    wider = fit(X * factor, y, "flexible", ux=0.0004 * factor, uy=uy, signal=signal)
    ratio = 1.0 if signal == "raw" else factor
    assert wider.value(AT * factor) == pytest.approx(curve.value(AT) * ratio, rel=1e-9)
    assert wider.standard_uncertainty(AT * factor) == pytest.approx(curve.standard_uncertainty(AT) * ratio, rel=1e-6)


def test_the_unit_of_a_raw_signal_does_not_matter():
    curve = curve_of("raw")
    scaled = fit(X, RAW / 1000, "flexible", ux=0.0004, uy=0.0015)
    assert scaled.value(AT) == pytest.approx(curve.value(AT) / 1000, rel=1e-9)
    assert scaled.standard_uncertainty(AT) == pytest.approx(curve.standard_uncertainty(AT) / 1000, rel=1e-6)


def test_two_points_of_one_thickness_are_averaged():
    curve = fit([0.3, 0.3, 1.0, 1.0, 2.0], [902, 898, 101, 99, 30], "flexible", uy=1.0)
    assert curve.value([0.3, 1.0]) == pytest.approx([900, 100], abs=1.0)
    assert curve.standard_uncertainty([0.3]) == pytest.approx([1 / np.sqrt(2)], rel=0.05)


def test_thicknesses_that_its_scale_does_not_know_are_refused():
    with pytest.raises(BadInput) as caught:
        curve_of("raw").value([1.0, -2.3])
    assert caught.value.code == "curve.below_scale"


def test_a_million_thicknesses_are_predicted_in_blocks():
    curve = curve_of("raw")
    x = np.tile(np.linspace(0.25, 2.5, 1000), 1000)
    import tracemalloc

    tracemalloc.start()
    value = curve.value(x)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert np.array_equal(value[:1000], value[-1000:])
    # all at once, every component's covariance with the points alone would take two hundred times this
    assert peak < 20 * x.nbytes


def test_a_block_more_changes_nothing():
    curve = curve_of("thickness")
    x = np.linspace(0.25, 2.5, 5001)
    for part in (curve.value, curve.slope, curve.standard_uncertainty, curve.weights):
        assert part(x)[[0, 2047, 2048, 5000]] == pytest.approx(part(x[[0, 2047, 2048, 5000]]), rel=1e-9)


@both
def test_every_place_of_the_table_that_inversion_starts_from_has_an_answer(signal):
    """Values differ in their last digits with how many are computed at once: no bracket may be lost to that."""
    curve = curve_of(signal)
    x = np.linspace(*curve.range, 257)
    assert curve.invert([float(curve.value(one)) for one in x])[0] == pytest.approx(x, abs=1e-9)
    assert curve.invert(curve.value(x))[0] == pytest.approx(x, abs=1e-9)


@pytest.mark.parametrize("signal", ["raw", "thickness"])
def test_the_slope_and_its_uncertainty_say_without_draws_whether_the_curve_turns(signal):
    """Clear, doubtful and partly clear curves: what needs no draws agrees with the draws."""
    x = np.linspace(0.3, 2.4, 7)
    falling = 30_000 * (1 + x / 1.8) ** -5.0 if signal == "raw" else x + 0.01 * x
    partly = 0.01 if signal == "raw" else 0.12
    for noise, some, every in ((1e-4, True, True), (partly, True, False), (0.5, False, False)):
        points = Points(x, falling, np.zeros((7, 7)), np.diag((noise * np.ptp(falling)) ** 2 * np.ones(7)))
        curve = fit_points(points, FLEXIBLE, signal)
        sure = curve._surely_monotonic
        assert (bool(sure.any()), bool(sure.all())) == (some, every)
        drawn = Curve.monotonic_share(curve, np.random.default_rng(1), 4000)
        assert (drawn == 1.0) is every
        spread = np.sqrt(2 * drawn * (1 - drawn) / 4000)
        assert curve.monotonic_share(np.random.default_rng(2), 4000) == pytest.approx(drawn, abs=4 * spread + 1e-12)
