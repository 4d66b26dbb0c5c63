"""
The flexible curve: a trend and a smooth departure from it, by universal kriging.

Raw signals are modelled as z = ln y, thickness indications as z = y − x:

    z(x) = h(t)ᵀβ + δ(t),    t = ln(1 + x/L),

with δ a Gaussian process of squared exponential covariance. β is integrated out; amplitude and length of δ are
integrated over a grid, weighted by their restricted likelihood and weak priors that are free of units: `kriging.py`
solves for them, and names the sources.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property, wraps
from typing import Any, Final, TypeVar

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_factor, cho_solve

from labkit.curves.curve import Curve, Points, Scale
from labkit.curves.family import Array, Family, Signal, no_formula, register
from labkit.curves.kriging import Components, weighed, whiten_all
from labkit.curves.recent import Recent
from labkit.problems import BadInput

METHOD: Final = "flexible/1"
"""The released method; a change in its numbers is a new one (architecture: a released method is never edited)."""

SCALE: Final[dict[Signal, float]] = {"raw": 1.0, "thickness": 10.0}
"""
L over the range of the points. A raw signal falls by a power of its distance from the magnet, so its logarithm is
nearly straight in ln(1 + x/L) with an L of the size of the range. A gauge that linearises such a signal errs straight
in the thickness itself when its gain or its depth has changed; with so large an L, t is the thickness.
"""

NOISES: Final = np.geomspace(1e-5, 1.0, 16)
"""Where no uncertainty was given: the noise, relative to the span of z, is integrated over as well."""

_BLOCK: Final = 2048
"""Thicknesses that are predicted at once, so that a million of them need no more memory than these."""

_KEPT: Final = 12
_KEPT_SIZE: Final = 512
"""Answers that are kept, and the most thicknesses of one: every family is compared on the same few grids."""

_Answer = TypeVar("_Answer")


def _remembered(method: Callable[[FlexibleCurve, Array], _Answer]) -> Callable[[FlexibleCurve, Array], _Answer]:
    """The method, with its last answers kept by thicknesses."""

    @wraps(method)
    def answer(self: FlexibleCurve, x: Array) -> _Answer:
        if x.size > _KEPT_SIZE:
            return method(self, x)
        found: _Answer = self._kept.answer((method.__name__, x.tobytes()), lambda: method(self, x))
        return found

    return answer


@dataclass(frozen=True, eq=False)
class FlexibleCurve(Curve):
    """
    The flexible curve through points.

    Attributes
    ----------
    L : float
        The length of the scale t [mm].
    z, N : ndarray, shape (m,) and (m, m)
        The linked indications and the covariance of their noise, the uncertainty of the thicknesses included.
    components : Components
    """

    L: float
    z: Array
    N: Array
    components: Components

    # ---- the link ----

    def value(self, x: ArrayLike) -> Array:
        x = np.asarray(x, dtype=np.float64)
        mean = np.concatenate([self._mean(block) for block in _blocks(x)]).reshape(x.shape)
        return np.exp(mean) if self.signal == "raw" else x + mean

    def slope(self, x: ArrayLike) -> Array:
        x = np.asarray(x, dtype=np.float64)
        steep = np.concatenate([self.link_slope(block) for block in _blocks(x)]).reshape(x.shape)
        return self.value(x) * steep if self.signal == "raw" else 1.0 + steep

    def standard_uncertainty(self, x: ArrayLike) -> Array:
        x = np.asarray(x, dtype=np.float64)
        u = np.concatenate([self._spread(block) for block in _blocks(x)]).reshape(x.shape)
        return self.value(x) * u if self.signal == "raw" else u

    def weights(self, x: ArrayLike) -> Array:
        x = np.ravel(np.asarray(x, dtype=np.float64))
        linked = np.concatenate([self._weights(block) for block in _blocks(x)])
        return self.value(x)[:, None] * linked / self.points.y if self.signal == "raw" else linked

    def draws(self, x: ArrayLike, count: int, rng: Generator) -> Array:
        """Of y and not of z, as whether the curve turns is a question to y."""
        x = np.ravel(np.asarray(x, dtype=np.float64))
        return rng.permutation(self._drawn(x, rng.multinomial(count, self.components.weight), rng))

    def _drawn(self, x: Array, counts: NDArray[np.integer], rng: Generator) -> Array:
        """So many curves of each component, one component after the other."""
        conditional = self._conditional(x)
        drawn = []
        for g in np.flatnonzero(counts):
            mean, V = conditional(int(g))
            drawn.append(mean + rng.standard_normal((int(counts[g]), len(x))) @ np.linalg.cholesky(V).T)
        z = np.concatenate(drawn)
        return np.exp(z) if self.signal == "raw" else x + z

    def monotonic_share(self, rng: Generator, count: int = 400) -> float:
        """As for every curve; components whose slope is far from 0 for its uncertainty are counted without draws."""
        counts = rng.multinomial(count, self.components.weight)
        counts[self._surely_monotonic] = 0
        if not counts.any():
            return 1.0
        drawn = self._drawn(np.linspace(*self.range, 200), counts, rng)
        turning = ~np.all(np.diff(drawn, axis=1) * self.direction > 0, axis=1)
        return 1.0 - float(turning.sum()) / count

    # ---- what the comparison asks ----

    @property
    def parameters(self) -> dict[str, float]:
        return {}

    @property
    def covariance(self) -> None:
        return None

    @cached_property
    def effective_parameters(self) -> float:
        """The trace of the matrix that turns z into the curve at the points."""
        return float(np.trace(self._weights(self.points.x)))

    @cached_property
    def chi2(self) -> float:
        off = self.z - self._mean(self.points.x)
        return float(off @ cho_solve(cho_factor(self.N, lower=True), off))

    @property
    def residual_sd(self) -> float | None:
        """Where the noise was estimated: its standard deviation, in the unit of y."""
        if self.scale == "known":
            return super().residual_sd
        unit = self.points.y if self.signal == "raw" else 1.0
        return float(np.sqrt(np.mean(np.diag(self.N) * unit**2)))

    # ---- the mathematics, in z ----

    @cached_property
    def _kept(self) -> Recent[Any]:
        return Recent(_KEPT)

    def _t(self, x: Array) -> Array:
        """t = ln(1 + x/L)."""
        if (x <= -self.L).any():
            raise BadInput("curve.below_scale", low_mm=-self.L)
        return np.log1p(x / self.L)

    @cached_property
    def _t_points(self) -> Array:
        return self._t(self.points.x)

    def basis(self, x: Array) -> Array:
        """h(t) of the trend, shape (q, p)."""
        return np.vander(self._t(x), self.degree + 1, increasing=True)

    @property
    def degree(self) -> int:
        """Of the trend in t: 2 for raw signals, 1 for thickness indications, fewer with few points."""
        return self.components.trend.shape[1] - 1

    def kernel(self, x: Array, to: Array | None = None) -> Array:
        """Covariance of δ between x and other thicknesses, the points by default, for every component, (g, q, m)."""
        apart = self._t(x)[:, None] - (self._t_points if to is None else self._t(to))
        lengths, place = self._lengths
        shape = np.exp(-0.5 * (apart / lengths[:, None, None]) ** 2)
        return np.asarray(self.components.amplitude[:, None, None] ** 2 * shape[place])

    @_remembered
    def component_means(self, x: Array) -> Array:
        """z(x) of every component, shape (g, q)."""
        part = self.components
        return part.trend @ self.basis(x).T + np.einsum("gqm,gm->gq", self.kernel(x), part.pull)

    @cached_property
    def _lengths(self) -> tuple[Array, NDArray[np.intp]]:
        """The different lengths, and which of them each component has."""
        return np.unique(self.components.length, return_inverse=True)

    @cached_property
    def _averaged(self) -> tuple[Array, Array, Array]:
        """
        What the mean over the components needs: β, the lengths, and the pull of the points at each length.

        Components of one length differ only by factors, so that few lengths stand for many components.
        """
        part = self.components
        lengths, place = self._lengths
        pull = np.zeros((len(lengths), len(self.points.x)))
        np.add.at(pull, place, (part.weight * part.amplitude**2)[:, None] * part.pull)
        return part.weight @ part.trend, lengths, pull

    @_remembered
    def _mean(self, x: Array) -> Array:
        trend, lengths, pull = self._averaged
        apart = self._t(x)[:, None] - self._t_points
        mean = self.basis(x) @ trend
        for length, of_length in zip(lengths, pull, strict=True):
            mean += np.exp(-0.5 * (apart / length) ** 2) @ of_length
        return np.asarray(mean)

    @_remembered
    def link_slope(self, x: Array) -> Array:
        """dz/dx at thicknesses of shape (q,)."""
        trend, lengths, pull = self._averaged
        t = self._t(x)
        apart = t[:, None] - self._t_points
        order = np.arange(1, self.degree + 1)
        by_t = t[:, None] ** (order - 1) @ (order * trend[1:])
        for length, of_length in zip(lengths, pull, strict=True):
            by_t -= (apart / length**2 * np.exp(-0.5 * (apart / length) ** 2)) @ of_length
        return np.asarray(by_t / (self.L + x))

    @_remembered
    def whitened(self, x: Array) -> tuple[Array, Array]:
        """What `whiten` gives for thicknesses x."""
        return self.whiten(self.kernel(x), self.basis(x))

    def whiten(self, kernel: Array, basis: Array) -> tuple[Array, Array]:
        """C⁻¹k, shape (g, m, q), and R⁻ᵀ(h − HᵀK⁻¹k), shape (g, p, q), for k (g, q, m) and h (q, p)."""
        part = self.components
        reach = whiten_all(part.factor, part.whitener, np.swapaxes(kernel, 1, 2))
        left = basis.T - np.swapaxes(part.basis, 1, 2) @ reach
        return reach, np.swapaxes(part.triangle, 1, 2) @ left

    @cached_property
    def _surely_monotonic(self) -> NDArray[np.bool_]:
        """
        Of which components the slope is 6 standard uncertainties or more from 0, on 60 thicknesses, shape (g,): the
        length of no departure is less than a fifth of the range of t.
        """
        part = self.components
        x = np.linspace(*self.range, 60)
        t = self._t(x)
        apart = t[:, None] - self._t_points
        kernel = -self.kernel(x) * apart / part.length[:, None, None] ** 2
        order = np.arange(self.degree + 1)
        basis = order * t[:, None] ** np.maximum(order - 1, 0)
        reach, left = self.whiten(kernel, basis)
        prior = (part.amplitude / part.length)[:, None] ** 2
        variance = prior - (reach**2).sum(axis=1) + (left**2).sum(axis=1)
        slope = part.trend @ basis.T + np.einsum("gqm,gm->gq", kernel, part.pull)
        if self.signal == "thickness":
            # y = x + z: its slope by t is that of z and L + x
            slope = slope + self.L + x
        return np.asarray(np.all(slope * self.direction > 6.0 * np.sqrt(np.maximum(variance, 0.0)), axis=1))

    @_remembered
    def _spread(self, x: Array) -> Array:
        """Standard uncertainty of z: within the components and between them."""
        part = self.components
        reach, left = self.whitened(x)
        within = part.amplitude[:, None] ** 2 - (reach**2).sum(axis=1) + (left**2).sum(axis=1)
        means = self.component_means(x)
        between = (means - part.weight @ means) ** 2
        return np.sqrt(part.weight @ (np.maximum(within, 0.0) + between))

    def _component_weights(self, x: Array) -> Array:
        """∂z(x)/∂z of the points for every component, shape (g, q, m)."""
        part = self.components
        reach, left = self.whitened(x)
        back = part.basis @ (part.triangle @ left)
        return np.swapaxes(reach + back, 1, 2) @ part.whitener

    @_remembered
    def _weights(self, x: Array) -> Array:
        """∂z(x)/∂z of the points, shape (q, m)."""
        return np.einsum("g,gqm->qm", self.components.weight, self._component_weights(x))

    def _conditional(self, x: Array) -> Callable[[int], tuple[Array, Array]]:
        """Mean and covariance of z(x) in a component, given the points: shape (q,) and (q, q)."""
        part, t = self.components, self._t(x)
        means, (reach, left) = self.component_means(x), self.whitened(x)
        squares = (t[:, None] - t) ** 2

        def of(g: int) -> tuple[Array, Array]:
            scale = part.amplitude[g] ** 2
            V = scale * np.exp(-0.5 / part.length[g] ** 2 * squares) - reach[g].T @ reach[g] + left[g].T @ left[g]
            V[np.diag_indices_from(V)] += 1e-9 * (np.trace(V) / len(V) + scale)
            return means[g], V

        return of


def fit_flexible(form: Family, points: Points, signal: Signal, scale: Scale) -> FlexibleCurve:
    """
    Fit the flexible curve.

    Parameters
    ----------
    form : Family
    points : Points
    signal : "raw" or "thickness"
    scale : "known" or "estimated"
        Where "estimated", the level of the noise is integrated over as well.

    Returns
    -------
    FlexibleCurve

    Notes
    -----
    The uncertainty of the thicknesses enters through the slope of z, which the fit itself gives: the fit is made
    twice, first with the slope of the trend. For thickness indications the slope is 1 + E′, because x is in z too.
    """
    x = points.x
    L = float(SCALE[signal] * np.ptp(x))
    z, V_z = _linked(points, signal)
    degree = min(2 if signal == "raw" else 1, points.different - 2)
    t = np.log1p(x / L)
    H = np.vander(t, degree + 1, increasing=True)
    trend = np.linalg.lstsq(H, z, rcond=None)[0]
    slope = np.polynomial.polynomial.polyval(t, np.polynomial.polynomial.polyder(trend)) / (L + x)
    levels = NOISES if scale == "estimated" else None

    curve = None
    for _ in range(2 if points.V_x.any() else 1):
        D = slope if signal == "raw" else 1.0 + slope
        N = V_z + D[:, None] * points.V_x * D[None, :]
        components, noise = weighed(t, z, H, N, levels)
        curve = FlexibleCurve(form, points, signal, scale, L, z, N * noise, components)
        slope = curve.link_slope(x)
    assert curve is not None
    return curve


def _linked(points: Points, signal: Signal) -> tuple[Array, Array]:
    """The linked indications z, and their covariance without that of the thicknesses."""
    if signal == "thickness":
        return points.y - points.x, points.V
    return np.log(points.y), points.V / np.outer(points.y, points.y)


def _blocks(x: Array) -> Iterator[Array]:
    flat = x.ravel()
    for begin in range(0, max(flat.size, 1), _BLOCK):
        yield flat[begin : begin + _BLOCK]


FLEXIBLE: Final = register(Family("flexible", no_formula, lambda x, y: (), (), "any", 3, kind="flexible"))
