"""A check shim in print: so many digits that whoever decides again from them decides the same."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from labkit import format as text
from labkit.metrology import Decision
from labkit.metrology.conformity import Limits, outcome_of, room
from labkit.units import from_mm, small_unit

MOST_EXTRA: Final = 3
"""Digits beyond the usual: what then still rounds onto the edge lies on it, for any gauge."""


@dataclass(frozen=True)
class PrintedCheck:
    """
    The numbers of a decision as text, without units.

    Attributes
    ----------
    deviation, U, guard_band : str
        In the small unit; the guard band a dash where nothing was decided.
    """

    deviation: str
    U: str
    guard_band: str


def printed_check(
    deviation_mm: float, U_mm: float, limits_mm: Limits, decision: Decision | None, unit: str = "mm"
) -> PrintedCheck:
    """
    The numbers of a decision, with more digits than usual where these would contradict it.

    Parameters
    ----------
    deviation_mm, U_mm : float
        Unrounded [mm].
    limits_mm : (float or None, float or None)
    decision : Decision or None
        Taken on the unrounded values.
    unit : str
        One of `labkit.units.LENGTH_UNITS`; the numbers are in the small unit beside it.
    """
    small = small_unit(unit)
    for extra in range(MOST_EXTRA + 1):
        printed = PrintedCheck(
            text.small_length(deviation_mm, unit, extra=extra, signed=True, with_unit=False),
            text.expanded_length(U_mm, small, extra=extra, with_unit=False),
            text.NOTHING
            if decision is None
            else text.expanded_length(decision.guard_band_mm, small, extra=extra, with_unit=False),
        )
        if decision is None or _says(printed, limits_mm, decision, small) == decision.outcome:
            break
    return printed


def printed_limit(limit_mm: float, unit: str = "mm", *, signed: bool = True, with_unit: bool = True) -> str:
    """A limit [mm] in the small unit beside `unit`, with all its digits: a decision must be found from it again."""
    exact = from_mm(limit_mm, small_unit(unit))
    for extra in range(MOST_EXTRA + 1):
        shown = text.small_length(limit_mm, unit, extra=extra, signed=signed, with_unit=False)
        if abs(_number(shown) - exact) <= 1e-9 * max(abs(exact), 1.0):
            break
    return f"{shown} {small_unit(unit)}" if with_unit else shown


def _says(printed: PrintedCheck, limits_mm: Limits, decision: Decision, small: str) -> str:
    """The outcome that a reader finds from what is printed."""
    lower, upper = (None if each is None else from_mm(each, small) for each in limits_mm)
    inside = room(_number(printed.deviation), (lower, upper))
    # sums of printed decimals meet in decimals, not in binary
    return outcome_of(round(inside, 9), _number(printed.guard_band), decision.outcomes)


def _number(shown: str) -> float:
    return float(shown.replace(text.MINUS, "-"))
