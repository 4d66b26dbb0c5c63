"""Smooth functions of the thickness at very many thicknesses: tabulated, interpolated, and checked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
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


def along(f: Callable[[Array], Array], x: ArrayLike) -> Array:
    """
    A smooth function at many thicknesses.

    Parameters
    ----------
    f : callable
        ``f(x)`` for x of shape (q,) → shape (..., q). It may have kinks, but no feature that lies between two places
        of a table of several hundred.
    x : array_like
        Thicknesses [mm].

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
    found = in_blocks(f, distinct) if distinct.size <= FEW else _interpolated(f, distinct)
    return found[..., back].reshape(found.shape[:-1] + x.shape)


def _interpolated(f: Callable[[Array], Array], x: Array) -> Array:
    places = np.linspace(x[0], x[-1], _START)
    table = f(places)
    while True:
        halves = (places[:-1] + places[1:]) / 2.0
        exact = f(halves)
        off = np.abs(CubicSpline(places, table, axis=-1)(halves) - exact)
        good = np.all((off <= CLOSE * np.abs(exact)).reshape(-1, len(halves)), axis=0)
        # a kink close to a place shows in the interval beside it
        good[1:-1] &= good[:-2] & good[2:]
        failed = ~good[np.clip(np.searchsorted(places, x, side="right") - 1, 0, len(halves) - 1)]
        table = _interleaved(table, exact)
        places = _interleaved(places, halves)
        if np.count_nonzero(failed) <= len(places):
            break
    found = np.asarray(CubicSpline(places, table, axis=-1)(x))
    if np.any(failed):
        found[..., failed] = in_blocks(f, x[failed])
    return found


def _interleaved(ends: Array, between: Array) -> Array:
    """n values with the n − 1 that lie between them, by the last axis."""
    both = np.empty((*ends.shape[:-1], 2 * ends.shape[-1] - 1))
    both[..., ::2], both[..., 1::2] = ends, between
    return both
