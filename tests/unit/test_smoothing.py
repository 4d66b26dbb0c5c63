"""The smoothing spline: against scipy's at the same λ, its weights, its uncertainty, and steep signals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import make_smoothing_spline

from labkit.curves import Points, fit
from labkit.curves.smoothing import SmoothingCurve
from labkit.problems import BadInput

X = np.array([0.25, 0.4, 0.6, 0.9, 1.25, 1.6, 2.0, 2.5])
NOISE = np.array([0.3, -1.1, 0.7, -0.2, 0.9, -0.6, -0.4, 0.5])
AT = np.linspace(0.25, 2.5, 13)


def steep(x):
    return 30_000.0 * (1.0 + x / 1.8) ** -5.0


RAW = steep(X) * (1.0 + 0.002 * NOISE)
INDICATION = X * 1.004 + 0.003 * np.sin(2.0 * X) + 0.0006 * NOISE


def spline(x=X, y=INDICATION, signal="thickness", **given):
    found = fit(x, y, "smoothing-spline", **({"uy": 0.0006} | given), signal=signal)
    assert isinstance(found, SmoothingCurve)
    return found


def test_scipys_smoothing_spline_at_the_same_smoothing_is_the_same_curve():
    uy = 0.0004 * (1.0 + 0.3 * np.arange(len(X)))
    ours = spline(uy=uy)
    theirs = make_smoothing_spline(X, INDICATION - X, w=uy**-2.0, lam=ours.smoothing)
    assert ours.value(AT) == pytest.approx(AT + theirs(AT), abs=1e-12)
    assert ours.slope(AT) == pytest.approx(1.0 + theirs.derivative()(AT), abs=1e-10)


def test_a_positive_raw_signal_is_smoothed_as_its_logarithm():
    ours = spline(y=RAW, signal="raw", uy=0.002 * RAW)
    t = np.log1p(X / np.ptp(X))
    theirs = make_smoothing_spline(t, np.log(RAW), w=np.full(len(X), 0.002**-2.0), lam=ours.smoothing)
    assert ours.value(AT) == pytest.approx(np.exp(theirs(np.log1p(AT / np.ptp(X)))), rel=1e-10)
    assert np.max(np.abs(ours.value(AT) / steep(AT) - 1.0)) < 0.005
    assert ours.monotonic


def test_a_raw_signal_that_passes_zero_is_smoothed_as_it_is():
    y = RAW - RAW[-2]
    ours = spline(y=y, signal="raw", uy=30.0)
    theirs = make_smoothing_spline(X, y, w=np.full(len(X), 30.0**-2.0), lam=ours.smoothing)
    assert ours.value(AT) == pytest.approx(theirs(AT), abs=1e-7)


def test_smoothing_is_where_cross_validation_is_least():
    """The criterion written out with the smoother matrix of scipy, at λ around the one that was chosen."""
    rng = np.random.default_rng(3)
    x = np.linspace(0.3, 3.0, 14)
    y = x + 0.002 * np.sin(1.5 * x) + 0.001 * rng.standard_normal(14)
    ours = spline(x, y, uy=0.001)

    def criterion(smoothing):
        kept = np.stack([make_smoothing_spline(x, each, lam=smoothing * 1e-6)(x) for each in np.eye(14)], axis=-1)
        off = y - x - kept @ (y - x)
        return np.sum(off**2) / (14 - np.trace(kept)) ** 2

    about = [criterion(ours.smoothing * factor) for factor in (0.5, 0.9, 1.0, 1.1, 2.0)]
    assert np.argmin(about) == 2
    # make_smoothing_spline with weights of 1 instead of 1/u²: the same curve at λ·u²
    kept = np.stack([make_smoothing_spline(x, each, lam=ours.smoothing * 1e-6)(x) for each in np.eye(14)], axis=-1)
    assert ours.effective_parameters == pytest.approx(np.trace(kept), rel=1e-9)
    assert 2.0 < ours.effective_parameters < 14.0


@pytest.mark.parametrize(("y", "signal", "unit"), [(INDICATION, "thickness", 1.0), (RAW, "raw", RAW)])
def test_weights_are_the_derivative_by_each_indication_at_fixed_smoothing(y, signal, unit):
    ours = spline(y=y, signal=signal, uy=0.0006 * unit)
    for i in range(len(X)):
        moved = []
        for sign in (1.0, -1.0):
            shifted = y.copy()
            shifted[i] += sign * 1e-5 * np.broadcast_to(unit, X.shape)[i]
            points = Points(X, shifted, ours.points.V_x, ours.points.V_y)
            moved.append(
                SmoothingCurve(
                    ours.form,
                    points,
                    ours.signal,
                    ours.scale,
                    ours.logged,
                    ours.cardinal,
                    ours.smoother,
                    ours.smoothing,
                ).value(AT)
            )
        slope = (moved[0] - moved[1]) / (2e-5 * np.broadcast_to(unit, X.shape)[i])
        assert ours.weights(AT)[:, i] == pytest.approx(slope, rel=1e-5, abs=1e-7)


def test_uncertainty_is_what_the_weights_make_of_the_full_covariance():
    V_y = np.diag(np.linspace(0.3e-3, 0.9e-3, len(X)) ** 2) + 0.2e-3**2
    V_x = np.diag(np.full(len(X), 0.4e-3**2)) + 0.3e-3**2
    ours = spline(cov_x=V_x, cov_y=V_y)
    D = np.diag(ours.slope(X))
    weights = ours.weights(AT)
    expected = np.einsum("qi,ij,qj->q", weights, V_y + D @ V_x @ D, weights)
    assert ours.standard_uncertainty(AT) ** 2 == pytest.approx(expected)
    assert ours.standard_uncertainty(1.0) == pytest.approx(ours.standard_uncertainty(np.array([1.0]))[0])


@pytest.mark.parametrize(("y", "signal", "unit"), [(INDICATION, "thickness", 1.0), (RAW, "raw", RAW)])
def test_drawn_curves_scatter_as_stated(y, signal, unit):
    ours = spline(y=y, signal=signal, ux=0.0005, uy=0.0008 * unit)
    drawn = ours.draws(AT, 20_000, np.random.default_rng(1))
    assert drawn.std(axis=0) == pytest.approx(ours.standard_uncertainty(AT), rel=0.03)
    assert drawn.mean(axis=0) == pytest.approx(ours.value(AT), abs=0.03 * ours.standard_uncertainty(AT).max())


def test_shims_that_share_a_thickness_share_a_knot():
    x = np.append(X, X[3])
    y = np.append(INDICATION, INDICATION[3] + 0.001)
    ours = spline(x, y)
    assert len(ours.cardinal.x) == len(X)
    assert np.isfinite(ours.standard_uncertainty(AT)).all()
    # two readings of one thickness count as their mean, twice
    assert ours.chi2 >= 2 * (0.0005 / 0.0006) ** 2 * (1 - 1e-9)


def test_beyond_the_ends_it_goes_straight_on():
    ours = spline()
    for end, step in ((0.25, -0.1), (2.5, 0.1)):
        assert ours.value(end + step) == pytest.approx(float(ours.value(end) + step * ours.slope(end)), abs=1e-12)
        assert ours.slope(end + step) == pytest.approx(float(ours.slope(end)), abs=1e-12)


def test_the_unit_of_a_raw_signal_does_not_matter():
    counts = spline(y=RAW, signal="raw", uy=0.002 * RAW)
    volts = spline(y=RAW * 1e-4, signal="raw", uy=0.2e-6 * RAW)
    assert volts.value(AT) == pytest.approx(counts.value(AT) * 1e-4, rel=1e-9)
    assert volts.effective_parameters == pytest.approx(counts.effective_parameters, rel=1e-6)


def test_without_uncertainties_the_residuals_give_the_scale_or_nothing_is_stated():
    rng = np.random.default_rng(7)
    x = np.linspace(0.3, 3.0, 30)
    y = x * 1.01 + 0.001 * rng.standard_normal(30)
    ours = spline(x, y, uy=None)
    assert ours.scale == "estimated"
    assert ours.residual_sd == pytest.approx(0.001, rel=0.3)
    assert 0 < ours.standard_uncertainty(1.0) < 0.001
    few = spline(X[:5], RAW[:5], signal="raw", uy=None)
    assert few.dof < 0.5
    assert (few.standard_uncertainty(AT), few.weights(AT), few.draws(AT, 5, rng)) == (None, None, None)


def test_fewer_than_five_thicknesses_are_refused():
    with pytest.raises(BadInput) as caught:
        spline(X[[0, 0, 1, 2, 3]], INDICATION[[0, 0, 1, 2, 3]])
    assert caught.value.code == "curve.too_few_points"
    assert caught.value.params["needed"] == 5
