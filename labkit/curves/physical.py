"""Families after the physics of a magnet and a target: power laws, and the exponential."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from labkit.curves.family import Array, Family, register

_LENGTHS: Final = np.geomspace(0.05, 20.0, 16)
"""Over the range of the points: the coarse grid on which first values are sought."""

_BEYOND: Final = np.geomspace(0.0025, 20.0, 28)
"""The same where thicknesses lie below zero: how far the pole lies beyond the lowest."""


def power_law(x: Array, c: float, a: float, L: float, n: float) -> Array:
    """
    c + a·(1 + x/L)⁻ⁿ: n from 3 for a plate-like target to 6 for a small one that the magnet magnetises.

    By logarithms: where the points want an exponential, L and n grow without end, and 1 + x/L has no digits left.
    """
    return c + a * np.exp(-n * np.log1p(x / L))


def _power_law_jacobian(x: Array, c: float, a: float, L: float, n: float) -> Array:
    rise = np.log1p(x / L)
    fall = np.exp(-n * rise)
    return np.array([np.ones_like(x), fall, a * n * fall / (1.0 + x / L) * x / L**2, -a * fall * rise]).T


def _power_law_slope(x: Array, c: float, a: float, L: float, n: float) -> Array:
    return -a * n / L * np.exp(-(n + 1.0) * np.log1p(x / L))


def _coarse_fit(y: Array, falls: Array, rest: Sequence[tuple[float, ...]]) -> tuple[float, ...]:
    """
    First values (c, a, *rest): for each shape of a coarse grid, a row of `falls`, c and a by linear least squares; the
    best is kept.
    """
    middle, level = falls.mean(axis=1, keepdims=True), y.mean()
    a = ((falls - middle) @ (y - level)) / np.square(falls - middle).sum(axis=1)
    c = level - a * middle[:, 0]
    best = int(np.argmin(np.square(y - c[:, None] - a[:, None] * falls).sum(axis=1)))
    return (float(c[best]), float(a[best]), *rest[best])


def _start_of_power(x: Array, y: Array, exponents: Sequence[float]) -> tuple[float, ...]:
    depth, reach = -float(x.min()), float(np.ptp(x))
    # the pole at −L lies below every point
    lengths = reach * _LENGTHS if depth <= 0.0 else depth + reach * _BEYOND
    falls = [(1.0 + x / lengths[:, None]) ** -n for n in exponents]
    return _coarse_fit(y, np.concatenate(falls), [(float(L), n) for n in exponents for L in lengths])


def _start_of_exponential(x: Array, y: Array) -> tuple[float, ...]:
    lengths = np.ptp(x) * _LENGTHS
    return _coarse_fit(y, np.exp(-x / lengths[:, None]), [(float(L),) for L in lengths])


def _fixed_power(n: float) -> Family:
    def f(x: Array, c: float, a: float, L: float) -> Array:
        return power_law(x, c, a, L, n)

    def jac(x: Array, c: float, a: float, L: float) -> Array:
        return _power_law_jacobian(x, c, a, L, n)[:, :3]

    def slope(x: Array, c: float, a: float, L: float) -> Array:
        return _power_law_slope(x, c, a, L, n)

    return Family(
        f"power-law-{n:g}",
        f,
        lambda x, y: _start_of_power(x, y, [n])[:3],
        ("c", "a", "L"),
        "raw",
        3,
        jac=jac,
        slope=slope,
        positive=("L",),
    )


def exponential(x: Array, c: float, a: float, L: float) -> Array:
    """c + a·e^(−x/L)."""
    return c + a * np.exp(-x / L)


def _exponential_jacobian(x: Array, c: float, a: float, L: float) -> Array:
    fall = np.exp(-x / L)
    return np.array([np.ones_like(x), fall, a * fall * x / L**2]).T


register(
    Family(
        "power-law",
        power_law,
        lambda x, y: _start_of_power(x, y, [1.5, 3.0, 4.5, 6.0, 9.0]),
        ("c", "a", "L", "n"),
        "raw",
        4,
        jac=_power_law_jacobian,
        slope=_power_law_slope,
        positive=("L", "n"),
    )
)
register(_fixed_power(3))
register(_fixed_power(6))
register(
    Family(
        "exponential",
        exponential,
        _start_of_exponential,
        ("c", "a", "L"),
        "raw",
        3,
        jac=_exponential_jacobian,
        slope=lambda x, c, a, L: -a / L * np.exp(-x / L),
        positive=("L",),
    )
)
