"""Curves through every point: the piecewise line and the monotone cubic. They state no uncertainty of their own."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike
from scipy.interpolate import PchipInterpolator, PPoly

from labkit.curves.curve import Curve
from labkit.curves.family import Array, Family, no_formula, register


@dataclass(frozen=True, eq=False)
class ThroughPoints(Curve):
    """
    A curve through the mean indication at every thickness, continued straight on beyond the ends.

    References
    ----------
    Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300, for the monotone cubic.
    """

    @cached_property
    def knots(self) -> tuple[Array, Array]:
        """Thicknesses in order and the mean indication at each."""
        x, group = np.unique(self.points.x, return_inverse=True)
        return x, np.bincount(group, self.points.y) / np.bincount(group)

    @cached_property
    def _pieces(self) -> PPoly:
        x, y = self.knots
        error = y - x if self.signal == "thickness" else y
        if self.family == "monotone-cubic":
            inside = PchipInterpolator(x, error)
            coefficients, slopes = inside.c, inside.derivative()(x[[0, -1]])
        else:
            steps = np.diff(error) / np.diff(x)
            coefficients, slopes = np.stack([steps, error[:-1]]), steps[[0, -1]]
        order = len(coefficients)
        ends = np.zeros((order, 2))
        ends[-2:] = np.stack([slopes, error[[0, -1]]])
        ends[-1, 0] -= slopes[0] * np.ptp(x)
        wider = np.concatenate([[x[0] - np.ptp(x)], x, [x[-1] + np.ptp(x)]])
        return PPoly(np.hstack([ends[:, :1], coefficients, ends[:, 1:]]), wider, extrapolate=True)

    def value(self, x: ArrayLike) -> Array:
        x = np.asarray(x, dtype=np.float64)
        return np.asarray(self._pieces(x)) + (x if self.signal == "thickness" else 0.0)

    def slope(self, x: ArrayLike) -> Array:
        return np.asarray(self._pieces(np.asarray(x), 1)) + (1.0 if self.signal == "thickness" else 0.0)

    def standard_uncertainty(self, x: ArrayLike) -> None:
        return None

    def weights(self, x: ArrayLike) -> None:
        return None

    def draws(self, x: ArrayLike, count: int, rng: Generator) -> None:
        return None

    @property
    def parameters(self) -> dict[str, float]:
        x, y = self.knots
        return {f"y({thickness:g})": float(value) for thickness, value in zip(x, y, strict=True)}

    @property
    def covariance(self) -> None:
        return None

    @property
    def chi2(self) -> None:
        return None

    @property
    def effective_parameters(self) -> float:
        return float(len(self.knots[0]))


for _name, _points in (("piecewise-line", 2), ("monotone-cubic", 3)):
    register(Family(_name, no_formula, lambda x, y: (), (), "any", _points, kind="through-points"))
