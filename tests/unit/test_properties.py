"""What must hold for any calibration: units, order, more points, both ways, and scaled uncertainties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit import calibrate, read_readings
from labkit.bench.conditions import Conditions
from labkit.curves import Points, families, fit
from labkit.curves.flexible import FlexibleCurve
from labkit.problems import BadInput
from tests.held_curve import only, with_points

few = settings(max_examples=12)
many = settings(max_examples=60)

seeds = st.integers(0, 2**32 - 1)
FORMULAS = [form.name for form in families("raw") if form.kind in ("formula", "linear")]
LINEAR = [form.name for form in families("thickness") if form.kind == "linear"]


# ---- benches ----


@st.composite
def benches(draw):
    """Shims, readings of a magnet and a small target, and of a gauge that shows thickness: a generator's seed each."""
    rng = np.random.default_rng(draw(seeds))
    m = draw(st.integers(5, 9))
    x = np.geomspace(rng.uniform(0.2, 0.5), rng.uniform(2.0, 4.0), m) * rng.uniform(0.98, 1.02, m)
    x = np.round(np.sort(x), 4)
    u = rng.uniform(0.3e-3, 1.2e-3, m)
    true = x + u * rng.standard_normal(m)
    n, L = rng.uniform(3.0, 6.0), rng.uniform(1.0, 4.0)
    signal = 20_000.0 * (1.0 + true / L) ** -n * (1.0 + rng.uniform(0, 0.003) * np.sin(4 * true))
    shown = true * rng.uniform(0.99, 1.01) + rng.uniform(0, 0.004) * np.sin(true)
    noise = rng.standard_normal((m, 4))
    return {
        "x": x,
        "u": u,
        "raw": signal[:, None] * (1.0 + 0.002 * noise),
        "thickness": np.round(shown[:, None] + 0.0008 * noise, 4),
    }


def shims_text(bench, unit="mm", per_mm=1.0):
    rows = [
        f"S-{i},{x * per_mm!r},{2 * u * per_mm!r},2"
        for i, (x, u) in enumerate(zip(bench["x"].tolist(), bench["u"].tolist(), strict=True))
    ]
    return "\n".join([f"shim,thickness [{unit}],U [{unit}],k", *rows])


def readings_text(bench, signal, unit, factor=1.0, order=None):
    rows = [f"S-{i},{value * factor!r}" for i, row in enumerate(bench[signal].tolist()) for value in row]
    rows = rows if order is None else [rows[i] for i in order]
    return "\n".join([f"shim,indication [{unit}]", *rows])


def calibrated(bench, signal, unit, factor=1.0, *, shim_unit="mm", per_mm=1.0, order=None, family="flexible"):
    readings = read_readings(readings_text(bench, signal, unit, factor, order), shims_text(bench, shim_unit, per_mm))
    # without it, the display step is read from the digits that were typed
    conditions = Conditions(resolution=0.0001 if signal == "thickness" else 0.01 * factor)
    return calibrate(readings, family, conditions=conditions, reason="to compare")


def results(result):
    """
    Of the calibration at nine thicknesses. u and not U: k goes in steps, and a last digit may take one.
    """
    x = np.linspace(*result.curve.range, 9)
    return {
        "x": x,
        "y": result.curve.value(x),
        "u": result.uncertainty.standard(result.curve, x),
        "recommended": result.comparison.recommended,
    }


SAME_U = 1e-6
"""Relative: what iterations leave of the digits."""


# ---- whole calibrations ----


@few
@given(benches())
def test_inches_give_what_millimetres_give(bench):
    mm = results(calibrated(bench, "thickness", "mm"))
    inch = results(calibrated(bench, "thickness", "in", 1 / 25.4, shim_unit="in", per_mm=1 / 25.4))
    assert inch["x"] == pytest.approx(mm["x"], rel=1e-12)
    assert inch["y"] == pytest.approx(mm["y"], abs=1e-6)
    assert inch["u"] == pytest.approx(mm["u"], rel=SAME_U)
    assert inch["recommended"] == mm["recommended"]


@few
@given(benches(), st.sampled_from([1e-4, 0.1, 7.3, 1e5]))
def test_a_raw_signal_in_another_unit_gives_the_same_thickness_and_u(bench, factor):
    counts = calibrated(bench, "raw", "counts")
    volts = calibrated(bench, "raw", "V", factor)
    asked = counts.curve.value(np.linspace(*counts.curve.range, 9)[1:-1])
    thickness, u = counts.correct(asked)
    again, u_again = volts.correct(asked * factor)
    assert again == pytest.approx(thickness, abs=1e-6)
    assert u_again == pytest.approx(u, rel=SAME_U)
    assert volts.comparison.recommended == counts.comparison.recommended


@few
@given(benches(), st.sampled_from(["raw", "thickness"]), st.data())
def test_the_order_of_the_rows_does_not_matter(bench, signal, data):
    order = data.draw(st.permutations(range(bench[signal].size)))
    unit = "mm" if signal == "thickness" else "counts"
    sorted_ = results(calibrated(bench, signal, unit))
    shuffled = results(calibrated(bench, signal, unit, order=order))
    assert shuffled["y"] == pytest.approx(sorted_["y"], rel=1e-6)
    assert shuffled["u"] == pytest.approx(sorted_["u"], rel=SAME_U)
    assert shuffled["recommended"] == sorted_["recommended"]


# ---- curves ----


def points_of(bench, signal):
    y = bench[signal].mean(axis=1)
    u = np.maximum(0.001 * np.abs(y), 1e-9) if signal == "raw" else np.full(len(y), 0.0004)
    return bench["x"], y, bench["u"], u


@many
@given(benches(), st.sampled_from(["raw", "thickness"]), st.floats(0.0, 1.0), st.floats(0.0, 2.0))
def test_a_point_more_never_raises_a_posterior_variance(bench, signal, where, shared):
    """At fixed amplitudes, lengths and weights; the new shim may share an error with the others."""
    x, y, ux, uy = points_of(bench, signal)
    curve = fit(x, y, "flexible", ux, uy, signal=signal)
    assert isinstance(curve, FlexibleCurve)
    # shims at hand have a covariance with those that were read
    common = shared * float(ux.min())
    V_x = np.diag(ux**2) + common**2
    before = with_points(curve, Points(x, y, V_x, np.diag(uy**2)))
    new = x[0] + where * (x[-1] - x[0])
    wider = np.full((len(x) + 1,) * 2, common**2)
    wider[:-1, :-1] = V_x
    wider[-1, -1] += float(ux.mean()) ** 2
    V_y = np.diag(np.append(uy, uy.max()) ** 2)
    after = with_points(curve, Points(np.append(x, new), np.append(y, curve.value(new)), wider, V_y))
    at = np.linspace(x[0], x[-1], 41)
    for g in range(len(curve.components.weight)):
        assert np.all(component_variance(after, at, g) <= component_variance(before, at, g) * (1 + 1e-6) + 1e-15)


def component_variance(curve, x, g):
    """Of z, with one pair of amplitude and length: the weights of the pairs are not part of the statement."""
    return only(curve, g)._spread(x) ** 2


@many
@given(benches(), st.sampled_from(["raw", "thickness"]), st.floats(0.0, 1.0), st.data())
def test_backwards_undoes_forwards_for_every_family(bench, signal, where, data):
    form = data.draw(st.sampled_from(families(signal)))
    x, y, ux, uy = points_of(bench, signal)
    try:
        curve = fit(x, y, form, ux, uy, signal=signal)
    except BadInput as problem:
        assert problem.code in ("curve.too_few_points", "curve.no_convergence")
        return
    asked = x[0] + where * (x[-1] - x[0])
    if curve.monotonic:
        found, _ = curve.invert(curve.value(asked))
        assert float(found) == pytest.approx(asked, abs=1e-8)
        assert float(curve.value(found)) == pytest.approx(float(curve.value(asked)), rel=1e-9)


@many
@given(benches(), st.sampled_from(LINEAR), st.sampled_from([1e-3, 0.5, 2.0, 30.0]))
def test_scaled_uncertainties_scale_u_of_the_linear_families(bench, name, factor):
    """Exactly where the thicknesses are exact; with errors in x, as closely as the fit is solved."""
    x, y, ux, uy = points_of(bench, "thickness")
    if len(x) < fit_points_needed(name):
        return
    at = np.linspace(x[0], x[-1], 7)
    one = fit(x, y, name, uy=uy, signal="thickness")
    other = fit(x, y, name, uy=factor * uy, signal="thickness")
    assert other.value(at) == pytest.approx(one.value(at), rel=1e-12)
    assert other.standard_uncertainty(at) == pytest.approx(factor * one.standard_uncertainty(at), rel=1e-12)
    one, other = (fit(x, y, name, f * ux, f * uy, signal="thickness") for f in (1.0, factor))
    assert other.standard_uncertainty(at) == pytest.approx(factor * one.standard_uncertainty(at), rel=1e-5)


def fit_points_needed(name):
    return next(form.min_points for form in families() if form.name == name)


@many
@given(benches(), st.sampled_from(FORMULAS), st.sampled_from([0.1, 0.5, 3.0]))
def test_scaled_uncertainties_scale_u_of_every_formula(bench, name, factor):
    """The minimum of the objective stays where it is, and so does the curve."""
    x, y, ux, uy = points_of(bench, "raw")
    try:
        one, other = (fit(x, y, name, f * ux, f * uy) for f in (1.0, factor))
    except BadInput as problem:
        assert problem.code in ("curve.too_few_points", "curve.no_convergence")
        return
    at = np.linspace(x[0], x[-1], 7)
    assert other.standard_uncertainty(at) == pytest.approx(factor * one.standard_uncertainty(at), rel=1e-3)
    assert other.chi2 * factor**2 == pytest.approx(one.chi2, rel=1e-5, abs=1e-8)
