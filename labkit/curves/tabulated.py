"""Smooth functions of the thickness at very many thicknesses: tabulated, interpolated, and checked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from labkit.curves.family import Array

FEW: Final = 4096
"""So many different values are worked out one by one, and of the others so many at once."""

CLOSE: Final = 1e-8
"""
Relative error that is allowed where the table is checked. Between a kink and the place next to it the error can be some
ten times that, so that what is answered is good to 1e-6; away from kinks it is good to 1e-9.
"""

_START: Final = 129
"""Places of the first table."""


def in_blocks(f: Callable[[Array], Array], x: Array, size: int = FEW) -> Array:
    """f of x of shape (q,), so many at once that a million need no more memory than these."""
    return np.concatenate([f(x[begin : begin + size]) for begin in range(0, max(x.size, 1), size)], axis=-1)


def along(
    f: Callable[[Array], Array],
    x: ArrayLike,
    then: Callable[[Array], Array] = lambda values: values,
    size: Callable[[Array], Array] = np.abs,
) -> Array:
    """
    A smooth function at many thicknesses.

    Parameters
    ----------
    f : callable
        ``f(x)`` for x of shape (q,) → shape (..., q). It may have kinks, but no feature that lies between two places
        of a table of several hundred.
    x : array_like
        Thicknesses [mm].
    then : callable, optional
        What is made of the values of f, place by place: shape (..., q) → shape (..., q). It need not be smooth.
    size : callable, optional
        What errors of the values of f are measured by: shape (..., q) → one that fits it. Default each value itself.

    Returns
    -------
    ndarray, shape (..., *shape of x)

    Notes
    -----
    Up to `FEW` different thicknesses are handed to f. For more, f is tabulated at equal steps and interpolated by a
    cubic spline, which is compared with f itself halfway between its places; then those halves enter the table as
    well. Where the comparison failed, by a relative `CLOSE`, f is asked for every thickness, unless there are so many
    of those that halving the steps again costs less.
    """
    x = np.asarray(x, dtype=np.float64)
    distinct, back = np.unique(x, return_inverse=True)
    if distinct.size <= FEW:
        found = then(f(distinct))
    else:
        table = _tabulated(f, distinct, size)
        found = in_blocks(lambda block: then(table(block)), distinct)
    return found[..., back].reshape(found.shape[:-1] + x.shape)


@dataclass(frozen=True, eq=False)
class _Table:
    """f by its spline, but where `good` says that the spline did not hold, from one place to the next."""

    f: Callable[[Array], Array]
    spline: CubicSpline
    places: Array
    good: NDArray[np.bool_]

    def failed(self, x: Array) -> NDArray[np.bool_]:
        return ~self.good[np.clip(np.searchsorted(self.places, x, side="right") - 1, 0, len(self.good) - 1)]

    def __call__(self, x: Array) -> Array:
        found = np.asarray(self.spline(x))
        failed = self.failed(x)
        if np.any(failed):
            found[..., failed] = self.f(x[failed])
        return found


def _tabulated(f: Callable[[Array], Array], x: Array, size: Callable[[Array], Array]) -> _Table:
    """A table of f that is worth its cost for rising thicknesses x."""
    places = np.linspace(x[0], x[-1], _START)
    values = f(places)
    while True:
        halves = (places[:-1] + places[1:]) / 2.0
        exact = f(halves)
        off = np.abs(CubicSpline(places, values, axis=-1)(halves) - exact)
        good = np.all((off <= CLOSE * size(exact)).reshape(-1, len(halves)), axis=0)
        # a kink close to a place shows in the interval beside it
        good[1:-1] &= good[:-2] & good[2:]
        coarse = places
        places, values = _interleaved(places, halves), _interleaved(values, exact)
        table = _Table(f, CubicSpline(places, values, axis=-1), coarse, good)
        if np.count_nonzero(table.failed(x)) <= len(places):
            return table


def _interleaved(ends: Array, between: Array) -> Array:
    """n values with the n − 1 that lie between them, by the last axis."""
    both = np.empty((*ends.shape[:-1], 2 * ends.shape[-1] - 1))
    both[..., ::2], both[..., 1::2] = ends, between
    return both
