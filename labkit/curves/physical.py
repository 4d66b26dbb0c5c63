"""Families after the physics of a magnet and a target: power laws, and the exponential."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from labkit.curves.family import Array, Family, register


def power_law(x: Array, c: float, a: float, L: float, n: float) -> Array:
    """c + a·(1 + x/L)⁻ⁿ: n from 3 for a plate-like target to 6 for a small one that the magnet magnetises."""
    return c + a * (1.0 + x / L) ** -n


def _power_law_jacobian(x: Array, c: float, a: float, L: float, n: float) -> Array:
    base = 1.0 + x / L
    fall = base**-n
    return np.stack([np.ones_like(x), fall, a * n * fall / base * x / L**2, -a * fall * np.log(base)], axis=-1)


def _power_law_slope(x: Array, c: float, a: float, L: float, n: float) -> Array:
    return -a * n / L * (1.0 + x / L) ** (-n - 1.0)


def _coarse_fit(x: Array, y: Array, shapes: Iterable[tuple[Array, tuple[float, ...]]]) -> tuple[float, ...]:
    """
    First values (c, a, *rest): for each shape of a coarse grid, c and a by linear least squares; the best is kept.
    """
    best: tuple[float, tuple[float, ...]] = (np.inf, ())
    for fall, rest in shapes:
        design = np.stack([np.ones_like(x), fall], axis=-1)
        (c, a), *_ = np.linalg.lstsq(design, y, rcond=None)
        miss = float(np.sum((y - design @ np.array([c, a])) ** 2))
        if miss < best[0]:
            best = (miss, (float(c), float(a), *rest))
    return best[1]


def _power_shapes(x: Array, exponents: Sequence[float]) -> Iterable[tuple[Array, tuple[float, ...]]]:
    return (((1.0 + x / L) ** -n, (float(L), n)) for L in _lengths(x) for n in exponents)


def _lengths(x: Array) -> Array:
    return np.asarray(np.ptp(x) * np.geomspace(0.05, 20.0, 16))


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
        lambda x, y: _coarse_fit(x, y, _power_shapes(x, [n]))[:3],
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
    return np.stack([np.ones_like(x), fall, a * fall * x / L**2], axis=-1)


register(
    Family(
        "power-law",
        power_law,
        lambda x, y: _coarse_fit(x, y, _power_shapes(x, [1.5, 3.0, 4.5, 6.0, 9.0])),
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
        lambda x, y: _coarse_fit(x, y, ((np.exp(-x / L), (float(L),)) for L in _lengths(x))),
        ("c", "a", "L"),
        "raw",
        3,
        jac=_exponential_jacobian,
        slope=lambda x, c, a, L: -a / L * np.exp(-x / L),
        positive=("L",),
    )
)
