"""Fitting: ordinary, weighted and generalised least squares, with uncertainties in thickness and indication."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from labkit.curves.curve import Curve, Points, Scale
from labkit.curves.family import Array, Family, Signal, family_named
from labkit.curves.flexible import fit_flexible
from labkit.curves.interpolating import ThroughPoints
from labkit.curves.linear import cholesky_factor, symmetric
from labkit.curves.parametric import fit_parametric
from labkit.curves.smoothing import fit_smoothing
from labkit.problems import BadInput


def fit(
    x: ArrayLike,
    y: ArrayLike,
    family: str | Family,
    ux: ArrayLike | None = None,
    uy: ArrayLike | None = None,
    cov_x: ArrayLike | None = None,
    cov_y: ArrayLike | None = None,
    scale: Scale | None = None,
    signal: Signal = "raw",
    start: Sequence[float] | None = None,
) -> Curve:
    """
    Fit one curve family to points.

    Parameters
    ----------
    x : array_like, shape (m,)
        Reference values [mm].
    y : array_like, shape (m,)
        Indications: mm where `signal` is "thickness", else in the unit of the signal.
    family : str or Family
        A registered name, or a family of your own.
    ux, uy : array_like, shape (m,) or (), optional
        Standard uncertainties of x and y, without correlation.
    cov_x, cov_y : array_like, shape (m, m), optional
        Full covariances in their place.
    scale : "known" or "estimated", optional
        "known", the default where any uncertainty is given: they are taken as they are and χ² tests them.
        "estimated", the default where none is: the covariance is scaled by the residual variance; given
        uncertainties of y are then relative.
    signal : "raw" or "thickness"
        Thickness indications are fitted as the error curve E(x) = y − x.
    start : sequence of float, optional
        First values of the parameters, for a family fitted by iteration.

    Returns
    -------
    Curve

    Raises
    ------
    BadInput
        Too few different thicknesses, a value that is not a finite number, `ux` without `uy`, a matrix that is no
        covariance, "known" without any uncertainty, a family that does not describe this signal, or no convergence.

    References
    ----------
    ISO/TS 28037:2010, clauses 6 (weighted), 7 (generalised distance), 9 and 10 (with covariance); the same
    objective for every formula, after ISO/TS 28038.
    """
    form = family_named(family)
    xs, ys = _numbers(x, "x"), _numbers(y, "y")
    if ys.shape != xs.shape:
        raise BadInput("curve.lengths", name="y", got=len(ys), expected=len(xs))
    V_x = _covariance(ux, cov_x, len(xs), "ux")
    V_y = _covariance(uy, cov_y, len(xs), "uy")
    if V_x is not None and V_y is None:
        raise BadInput("curve.ux_without_uy")
    if V_y is not None:
        cholesky_factor(V_y, len(ys), "uy")
    if scale not in (None, "known", "estimated"):
        raise BadInput("curve.scale", got=scale)
    if scale == "known" and V_y is None:
        raise BadInput("curve.known_without_u")
    if signal not in ("raw", "thickness"):
        raise BadInput("curve.signal", got=signal)
    if start is not None and len(start) != len(form.parameters):
        raise BadInput("curve.lengths", name="start", got=len(start), expected=len(form.parameters))
    chosen: Scale = scale or ("estimated" if V_y is None else "known")
    points = Points(xs, ys, np.zeros((len(xs), len(xs))) if V_x is None else V_x, V_y)
    return fit_points(points, form, signal, chosen, start)


def fit_points(
    points: Points,
    form: Family,
    signal: Signal,
    scale: Scale = "known",
    start: Sequence[float] | None = None,
    *,
    tight: bool = True,
) -> Curve:
    """
    Fit one family to points whose covariances are at hand; `fit` says what the arguments mean.

    With `tight` iterations go on as far as double precision does; where a few digits fewer will do, they cost half.
    """
    if not form.describes(signal):
        raise BadInput("curve.not_for_signal", family=form.name, signal=signal)
    if points.different == 1:
        raise BadInput("curve.one_thickness", x_mm=float(points.x[0]))
    if points.different < form.min_points:
        raise BadInput("curve.too_few_points", family=form.name, needed=form.min_points, got=points.different)
    if form.kind == "flexible" and np.any(points.x < 0):
        index = int(np.argmax(points.x < 0))
        raise BadInput("curve.negative_thickness", index=index + 1, x_mm=float(points.x[index]))
    logarithm = form.positive_signal or (form.kind == "flexible" and signal == "raw")
    if logarithm and np.any(points.y <= 0):
        index = int(np.argmax(points.y <= 0))
        raise BadInput("curve.not_for_negative", family=form.name, index=index + 1, value=float(points.y[index]))
    match form.kind:
        case "through-points":
            return ThroughPoints(form, points, signal, scale)
        case "smoothing":
            return fit_smoothing(form, points, signal, scale)
        case "flexible":
            return fit_flexible(form, points, signal, scale)
        case _:
            return fit_parametric(form, points, signal, scale, start, tight)


def _numbers(values: ArrayLike, name: str) -> Array:
    array = np.atleast_1d(_as_floats(values, name))
    if array.ndim != 1 or array.size == 0:
        raise BadInput("curve.lengths", name=name, got=array.size, expected="one or more")
    bad = np.flatnonzero(~np.isfinite(array))
    if bad.size:
        raise BadInput("curve.not_finite", name=name, index=int(bad[0]) + 1)
    return array


def _as_floats(values: Any, name: str) -> Array:
    try:
        return np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise BadInput("curve.not_numbers", name=name) from None


def _covariance(u: Any, cov: Any, m: int, name: str) -> Array | None:
    """The covariance from either form of stating it; None where neither is given."""
    if cov is not None:
        name = name.replace("u", "cov_")
        matrix = _as_floats(cov, name)
        if matrix.shape != (m, m):
            raise BadInput("curve.lengths", name=name, got=matrix.size, expected=m * m)
        if not symmetric(matrix) or np.linalg.eigvalsh(matrix).min() < -1e-12 * np.abs(matrix).max():
            raise BadInput("curve.covariance", name=name)
        return matrix
    if u is None:
        return None
    values = _as_floats(u, name)
    values = _numbers(np.broadcast_to(values, m) if values.ndim == 0 else values, name)
    if values.shape != (m,):
        raise BadInput("curve.lengths", name=name, got=len(values), expected=m)
    low = np.flatnonzero(values < 0 if name == "ux" else values <= 0)
    if low.size:
        raise BadInput("curve.not_positive", name=name, index=int(low[0]) + 1, value=float(values[low[0]]))
    return np.diag(values**2)
