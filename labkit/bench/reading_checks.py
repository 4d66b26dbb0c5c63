"""What only all readings together can tell: signs, units mixed up, rows entered twice, shims past their date."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from statistics import median
from typing import Final

from labkit.bench.cells import Notes
from labkit.bench.read_shims import caution_due
from labkit.bench.readings import Reading, Signal
from labkit.bench.shims import ShimSet

_IN_FIT: Final = ("fit", "zero")

# how many times too large or too small lengths are when one unit is taken for another
_MIXED_UP: Final = {
    "mm": ((25.4, "in", "mm"), (1000.0 / 25.4, "mil", "mm"), (1000.0, "µm", "mm")),
    "µm": ((25.4, "mil", "µm"), (1000.0 / 25.4, "mil", "mm"), (1000.0, "µm", "mm")),
    "in": ((25.4, "in", "mm"), (1000.0, "mil", "in")),
    "mil": ((25.4, "mil", "µm"), (1000.0 / 25.4, "mil", "mm"), (1000.0, "mil", "in")),
}
_FILE_WITHIN: Final = 1.25
_ROW_WITHIN: Final = 1.15


def check_readings(
    rows: Sequence[Reading],
    shims: ShimSet,
    signal: Signal,
    unit: str,
    notes: Notes,
    *,
    whole: bool = True,
    today: date | None = None,
) -> None:
    """
    Note what is wrong or doubtful about readings that are each in order.

    Parameters
    ----------
    rows : sequence of Reading
    shims : ShimSet
        Holds every shim that the rows name.
    signal, unit
        As in `Readings`.
    notes : Notes
    whole : bool
        False for a part of the readings, which may be at one thickness.
    today : date, optional
        Default: the day of the last reading that has a time.
    """
    thicknesses = [sum(shims[name].thickness_mm for name in row.shims) for row in rows]
    counted = [
        (row, x) for row, x in zip(rows, thicknesses, strict=True) if row.counts and "background" not in row.role
    ]
    if whole:
        _look_for_two_thicknesses(counted, notes)
    if signal == "raw":
        _look_at_signs([row for row, _ in counted], notes)
    else:
        on_shims = [(row, x) for row, x in counted if x > 0]
        _look_for_negative([row for row, _ in on_shims], notes)
        _look_for_units(on_shims, unit, notes)
    _look_for_repeated(rows, notes)
    day = today or _last_day(rows)
    if day:
        read = {name for row in rows for name in row.shims}
        caution_due([shim for shim in shims if shim.name in read], day, notes)


def _look_for_two_thicknesses(counted: Sequence[tuple[Reading, float]], notes: Notes) -> None:
    fit = [(row, x) for row, x in counted if row.role in _IN_FIT]
    if not any(row.role == "fit" for row, _ in fit) or len({x for _, x in fit}) > 1:
        return
    notes.fault("readings.one_thickness", fit[0][0].where, thickness_mm=fit[0][1], count=len(fit))


def _look_at_signs(rows: Sequence[Reading], notes: Notes) -> None:
    negative = [row for row in rows if row.value < 0]
    positive = [row for row in rows if row.value > 0]
    if negative and positive:
        fewer = min(negative, positive, key=len)
        more = "negative" if fewer is positive else "positive"
        notes.fault("readings.mixed_signs", fewer[0].where, typed=fewer[0].typed, count=len(fewer), more=more)


def _look_for_negative(rows: Sequence[Reading], notes: Notes) -> None:
    for row in rows:
        if row.value < 0:
            notes.caution("readings.negative_indication", row.where, typed=row.typed)


def _look_for_units(on_shims: Sequence[tuple[Reading, float]], unit: str, notes: Notes) -> None:
    ratios = [(row, row.value / x) for row, x in on_shims if row.value > 0]
    if not ratios:
        return
    middle = median(ratio for _, ratio in ratios)
    whole = _mixed_up(middle, unit, _FILE_WITHIN)
    if whole:
        first = ratios[0][0]
        notes.caution("readings.unit_suspected", first.where, factor=middle, one=whole[0], other=whole[1])
        return
    if not 0.5 < middle < 2.0:
        return
    for row, ratio in ratios:
        found = _mixed_up(ratio, unit, _ROW_WITHIN)
        if found:
            notes.caution(
                "readings.unit_suspected_row", row.where, typed=row.typed, factor=ratio, one=found[0], other=found[1]
            )


def _mixed_up(ratio: float, unit: str, within: float) -> tuple[str, str] | None:
    for factor, one, other in _MIXED_UP[unit]:
        if abs(abs(math.log(ratio)) - math.log(factor)) < math.log(within):
            return one, other
    return None


def _look_for_repeated(rows: Sequence[Reading], notes: Notes) -> None:
    seen: dict[tuple[object, ...], Reading] = {}
    for row in rows:
        if not row.time:
            continue
        key = (row.shims, row.role, row.value, row.time)
        if key in seen:
            first = seen[key].where
            notes.caution("readings.repeated_row", row.where, row=first.row if first else 0)
        seen.setdefault(key, row)


def _last_day(rows: Sequence[Reading]) -> date | None:
    times = [row.time for row in rows if row.time]
    return date.fromisoformat(max(times)[:10]) if times else None
