"""The calibration at round values: for the sheet, where a reader looks for 1.000 mm, and for the card at the bench."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from scipy.interpolate import PchipInterpolator

from labkit.sheet.blocks import Record
from labkit.units import LENGTH_UNITS, from_mm, to_mm

_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)

_BETWEEN: Final = 16
"""Places between two lines at which linear interpolation is held against the curve."""


@dataclass(frozen=True)
class RoundRow:
    """
    The calibration at one place.

    Attributes
    ----------
    thickness_mm : float
    indication : float
        mm, or the unit of a raw signal.
    U_mm, k : float
        Of one corrected reading there.
    """

    thickness_mm: float
    indication: float
    U_mm: float
    k: float


@dataclass(frozen=True)
class RoundIndications:
    """
    The calibration at round indications.

    Attributes
    ----------
    rows : tuple of RoundRow
        By thickness.
    decimals : int
        With which the indications are written, in the unit that the gauge shows.
    between_mm : float
        By how much a thickness that is interpolated between two lines is off at most [mm].
    """

    rows: tuple[RoundRow, ...]
    decimals: int
    between_mm: float


def shown_unit(record: Record) -> str:
    """The unit that the gauge shows: one of length, or that of its signal."""
    held = record["inputs"]["readings"]
    return str(held["unit"])


def length_unit_of(record: Record) -> str:
    """The unit of length in which the person at the bench thinks: that of the gauge, or mm."""
    unit = shown_unit(record)
    return unit if record["results"]["signal"] == "thickness" and unit in LENGTH_UNITS else "mm"


def at_round_thicknesses(record: Record, most: int = 12) -> tuple[RoundRow, ...]:
    """
    The calibration at round thicknesses of the working range, as far as the points reach.

    Parameters
    ----------
    record : mapping
        Of a calibration.
    most : int
        Rows at most.

    Returns
    -------
    tuple of RoundRow
        Empty where the curve cannot be used.
    """
    known = _Known.of(record)
    if known is None:
        return ()
    unit = length_unit_of(record)
    low, high = (from_mm(end, unit) for end in known.ends)
    step, decimals = _step((high - low) / most)
    return tuple(known.at(to_mm(value, unit)) for value in _multiples(low, high, step, decimals))


def at_round_indications(record: Record) -> RoundIndications | None:
    """
    The calibration at indications that are quick to find on a display.

    Those of a gauge that shows thickness have equal steps; those of a signal are as far apart as the thickness wants.

    Returns
    -------
    RoundIndications or None
        None where the curve cannot be used.
    """
    most = 24 if record["results"]["signal"] == "thickness" else 44
    known = _Known.of(record)
    if known is None:
        return None
    if record["results"]["signal"] == "thickness":
        unit = length_unit_of(record)
        low, high = sorted(from_mm(known.indication(end), unit) for end in known.ends)
        step, decimals = _step((high - low) / most)
        shown = [to_mm(value, unit) for value in _multiples(low, high, step, decimals)]
    else:
        shown, decimals = _spread(known, most)
    rows = sorted((known.at(float(known.thickness(value)), value) for value in shown), key=lambda row: row.thickness_mm)
    return RoundIndications(tuple(rows), decimals, _interpolated(known, rows)) if rows else None


@dataclass(frozen=True)
class _Known:
    """Curve, u and k along the thickness, between the ends of what may be measured."""

    ends: tuple[float, float]
    indication: Callable[[float], float]
    thickness: Callable[[float], float]
    u: Callable[[float], float]
    k: Callable[[float], float]

    @classmethod
    def of(cls, record: Record) -> _Known | None:
        found = record["results"]
        if not found["fine_table"] or not found["table"]:
            return None
        x, y, u = (
            np.array([row[key] for row in found["fine_table"]]) for key in ("thickness_mm", "indication", "u_mm")
        )
        direction = 1.0 if y[-1] > y[0] else -1.0
        forth, back = PchipInterpolator(x, y), PchipInterpolator(direction * y, x)
        places = [row["thickness_mm"] for row in found["table"]]
        factors = [row["k"] for row in found["table"]]
        low, high = record["inputs"]["options"]["working_range_mm"]
        low, high = max(low, x[0]), min(high, x[-1])
        if not low < high:
            return None
        return cls(
            (float(low), float(high)),
            lambda value: float(forth(value)),
            lambda value: float(back(direction * value)),
            lambda value: float(np.interp(value, x, u)),
            lambda value: float(np.interp(value, places, factors)),
        )

    def at(self, thickness: float, indication: float | None = None) -> RoundRow:
        shown = self.indication(thickness) if indication is None else indication
        k = self.k(thickness)
        return RoundRow(thickness, shown, k * self.u(thickness), k)


def _step(wanted: float) -> tuple[float, int]:
    """The next step of 1, 2, 2.5 or 5 that is not below `wanted`, and how many decimals its multiples have."""
    power = math.floor(math.log10(wanted))
    step = next(each for each in _STEPS if each * 10.0**power >= wanted * (1 - 1e-9)) * 10.0**power
    decimals = max(0, -power) + (1 if round(step / 10.0**power, 6) == 2.5 else 0)
    return step, decimals


def _multiples(low: float, high: float, step: float, decimals: int) -> list[float]:
    """Multiples of a step from `low` to `high`, both included where rounding alone is in between."""
    first, last = math.ceil(low / step - 1e-6), math.floor(high / step + 1e-6)
    return [round(each * step, decimals) for each in range(first, last + 1)]


def _spread(known: _Known, most: int) -> tuple[list[float], int]:
    """Indications of a signal near those of equal steps in thickness, each rounded as far as its neighbours allow."""
    exact = [known.indication(x) for x in np.linspace(*known.ends, most)]
    low, high = min(exact), max(exact)
    found: dict[float, None] = {}
    decimals = 0
    for place, value in enumerate(exact):
        apart = min(
            abs(value - other)
            for other in (exact[max(place - 1, 0)], exact[min(place + 1, most - 1)])
            if other != value
        )
        power = math.floor(math.log10(apart / 2))
        step = max(each for each in (1.0, 2.0, 5.0) if each * 10.0**power <= apart / 2 * (1 + 1e-9)) * 10.0**power
        shown = round(value / step) * step
        decimals = max(decimals, -power)
        if low <= shown <= high:
            found[round(shown, max(0, -power))] = None
    return list(found), decimals


def _interpolated(known: _Known, rows: Sequence[RoundRow]) -> float:
    """How far linear interpolation between the rows is off at most [mm]."""
    y = np.array([row.indication for row in rows])
    x = np.array([row.thickness_mm for row in rows])
    order = np.argsort(y)
    between = np.concatenate([y, *(np.linspace(a, b, _BETWEEN) for a, b in pairwise(y))])
    exact = np.array([known.thickness(value) for value in between])
    return float(np.max(np.abs(np.interp(between, y[order], x[order]) - exact)))
