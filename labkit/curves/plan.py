"""Which shims of a box to read, before anything is read: a plan for the flexible curve by its own prior."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labkit.curves.design import best_set
from labkit.curves.family import Array, Signal
from labkit.curves.flexible import SCALE
from labkit.curves.kriging import LENGTH_PRIOR
from labkit.problems import BadInput

NOISE: Final = 0.05
"""Of a mean indication, over the amplitude of the departure, before anything is read. Common practice, no source."""

PLANNED: Final = 7
"""Shims to plan for: from seven on, simulated calibrations hold their U (tests/benchmarks/coverage.py)."""

SHORT: Final = 0.01
"""
The share of an end of the working range by which a shim may fall short of it and still span it: shims are never exactly
what they are called. Common practice, no source.
"""


def reaches(x_mm: ArrayLike, working_range: tuple[float, float]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """
    Which thicknesses reach the ends of the working range, within `SHORT`.

    Parameters
    ----------
    x_mm : array_like, shape (n,)
        [mm]
    working_range : (float, float)
        [mm]

    Returns
    -------
    lower, upper : ndarray of bool, shape (n,)
    """
    x = np.asarray(x_mm, dtype=np.float64)
    low, high = working_range
    return x <= low * (1 + SHORT), x >= high * (1 - SHORT)


@dataclass(frozen=True)
class Plan:
    """
    The shims to read, before anything is read.

    Attributes
    ----------
    chosen : tuple of int
        Places in the box, in the order of reading: the end shims first, then each that tells most after those before.
    x_mm : tuple of float
        Their thicknesses [mm], in that order.
    widest_gap_mm : (float, float)
        The neighbours between which the curve is left most room [mm].
    """

    chosen: tuple[int, ...]
    x_mm: tuple[float, ...]
    widest_gap_mm: tuple[float, float]

    def to_dict(self) -> dict[str, Any]:
        return {"chosen": list(self.chosen), "x_mm": list(self.x_mm), "widest_gap_mm": list(self.widest_gap_mm)}


def end_shims(shims_mm: ArrayLike, working_range: tuple[float, float] | None = None) -> tuple[int, int]:
    """
    The two shims that span the working range most closely.

    Parameters
    ----------
    shims_mm : array_like, shape (n,)
        Thicknesses of the shims in the box [mm], n at least 1.
    working_range : (float, float), optional
        [mm]; all that the box spans where None.

    Returns
    -------
    lower, upper : int
        Their places; the same one twice where one shim is all there is. Where the box does not reach an end, the shim
        nearest to it.
    """
    x = np.asarray(shims_mm, dtype=np.float64)
    below, above = map(np.flatnonzero, reaches(x, working_range or (float(x.min()), float(x.max()))))
    lower = below[np.argmax(x[below])] if len(below) else np.argmin(x)
    upper = above[np.argmin(x[above])] if len(above) else np.argmax(x)
    return int(lower), int(upper)


def plan_shims(
    shims_mm: ArrayLike,
    k: int,
    working_range: tuple[float, float],
    signal: Signal,
    besides_mm: Sequence[float] = (),
) -> Plan:
    """
    The k shims of a box that leave the flexible curve the least room between them.

    Parameters
    ----------
    shims_mm : array_like, shape (n,)
        Thicknesses of the shims in the box [mm].
    k : int
        How many to read; all that lie within the ends where there are fewer.
    working_range : (float, float)
        Where parts will be measured [mm].
    signal : "raw" or "thickness"
    besides_mm : sequence of float
        Thicknesses that are read in any case, such as contact zero [mm].

    Returns
    -------
    Plan

    Raises
    ------
    BadInput
        An empty box.

    Notes
    -----
    Nothing is known yet of amplitude and length of the curve's departure from its trend but their priors. The largest
    variance of the thickness found, over the working range and averaged over the prior of the length, is made as
    small as single exchanges can make it. The amplitude cancels out but for the noise, which is taken as `NOISE` of
    it; a raw signal weighs its logarithm with L + x, the thickness that a share of a falling signal stands for.
    """
    x = np.asarray(shims_mm, dtype=np.float64)
    if not len(x):
        raise BadInput("design.no_shims")
    ends = tuple(dict.fromkeys(end_shims(x, working_range)))
    inside = np.flatnonzero((x >= x[list(ends)].min()) & (x <= x[list(ends)].max()))
    # the places of `inside`; the end shims are kept
    kept = [int(np.flatnonzero(inside == end)[0]) for end in ends]
    room = _Room(x[inside], np.asarray(besides_mm, dtype=np.float64), working_range, signal)
    k = min(max(k, len(kept)), len(inside))
    chosen = best_set(room.largest, len(inside), k, kept=kept, start=_spread(room.t, kept, k))
    order = kept.copy()
    while len(order) < k:
        left = [i for i in chosen if i not in order]
        order.append(min(left, key=lambda i: float(room.largest(np.array([[*order, i]]))[0])))
    at = np.sort([*x[inside][order], *room.besides])
    widest = int(np.argmax(np.diff(np.log1p(at / room.L)))) if len(at) > 1 else 0
    gap = (float(at[widest]), float(at[min(widest + 1, len(at) - 1)]))
    places = tuple(int(inside[i]) for i in order)
    return Plan(places, tuple(float(x[i]) for i in places), gap)


def _spread(t: Array, kept: Sequence[int], k: int) -> list[int]:
    """To begin with: those that are kept, and others as even in t as the box allows."""
    chosen = list(kept)
    for wanted in np.linspace(t[list(kept)].min(), t[list(kept)].max(), k)[1:-1]:
        left = [i for i in range(len(t)) if i not in chosen]
        if len(chosen) < k:
            chosen.append(min(left, key=lambda i: abs(t[i] - wanted)))
    return chosen


class _Room:
    """How uncertain thicknesses between the points of a set are, before anything is read."""

    def __init__(self, x: Array, besides: Array, working_range: tuple[float, float], signal: Signal) -> None:
        every = np.concatenate([x, besides])
        self.besides = besides
        span = max(float(np.ptp(every)), working_range[1] - working_range[0])
        self.L = SCALE[signal] * span
        self.t, self._t_besides = np.log1p(x / self.L), np.log1p(besides / self.L)
        grid = np.linspace(*working_range, 31)
        self._t_grid = np.log1p(grid / self.L)
        self._unit = np.square(self.L + grid) if signal == "raw" else np.ones_like(grid)
        self._degree = 2 if signal == "raw" else 1
        T = float(np.ptp(np.log1p(every / self.L))) or 1.0
        middle, sd = LENGTH_PRIOR
        self._lengths = T * np.exp(middle + sd * np.array([-1.0, 0.0, 1.0]))

    def largest(self, sets: Array) -> Array:
        """The largest variance over the working range for each set, shape (s,), in a unit of its own."""
        t = np.concatenate([self.t[sets], np.broadcast_to(self._t_besides, (len(sets), len(self._t_besides)))], axis=1)
        m = t.shape[1]
        powers = np.arange(min(self._degree, max(m - 2, 0)) + 1)
        H, h = t[..., None] ** powers, self._t_grid[:, None] ** powers
        variance = np.zeros((len(sets), len(self._t_grid)))
        for length in self._lengths:
            K = np.exp(-0.5 * ((t[:, :, None] - t[:, None, :]) / length) ** 2) + NOISE**2 * np.eye(m)
            k = np.exp(-0.5 * ((t[:, :, None] - self._t_grid) / length) ** 2)
            solved = np.linalg.solve(K, np.concatenate([k, H], axis=2))
            by_k, by_H = solved[..., : k.shape[2]], solved[..., k.shape[2] :]
            left = h.T - np.swapaxes(H, 1, 2) @ by_k
            M = np.swapaxes(H, 1, 2) @ by_H
            variance += 1.0 - (k * by_k).sum(axis=1) + (left * np.linalg.solve(M, left)).sum(axis=1)
        return np.asarray((variance * self._unit).max(axis=1))
