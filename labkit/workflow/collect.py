"""From the log of a page to validated readings: what can be computed from, and what must be put right first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from labkit.bench.numbers import parse_number
from labkit.bench.readings import Reading, Readings, Signal
from labkit.bench.shims import ShimSet
from labkit.problems import BadInput, Fault, Where
from labkit.units import MM_PER_INCH, length_unit, to_mm
from labkit.workflow.log import Line, ReadingLog

OTHER_UNIT_WITHIN: Final = 0.03
"""A reading 25.4 times what the shim says, within this share, looks like another unit."""


@dataclass(frozen=True)
class Collected:
    """
    The readings of a page.

    Attributes
    ----------
    readings : Readings or None
        Those that count or are left out with a reason; None where there is none.
    bad : dict of (str, int) to Fault
        Cells that hold no reading, by line and place; nothing is computed from them.
    places : dict of (str, int) to int
        The row of each reading in `readings`, by line and place.
    """

    readings: Readings | None
    bad: dict[tuple[str, int], Fault]
    places: dict[tuple[str, int], int]

    def place_of(self, row: int | None) -> tuple[str, int] | None:
        """Line and place of a row of `readings`."""
        return next((place for place, at in self.places.items() if at == row), None)


def collect(log: ReadingLog, shims: ShimSet, signal: Signal, unit: str) -> Collected:
    """
    Read every cell of a log.

    Parameters
    ----------
    log : ReadingLog
    shims : ShimSet
        All at hand.
    signal : "thickness" or "raw"
    unit : str
        Of the indications.

    Returns
    -------
    Collected
    """
    rows: list[Reading] = []
    bad: dict[tuple[str, int], Fault] = {}
    places: dict[tuple[str, int], int] = {}
    for line in log.lines:
        for place, cell in enumerate(line.cells):
            if not cell.text:
                continue
            where = Where(row=len(rows) + 1, column=f"{line.name}, reading {place + 1}")
            try:
                value = _value(cell.text, signal, unit)
                if not cell.kept:
                    _look_at_unit(value, line, shims, signal)
            except BadInput as problem:
                bad[line.id, place] = problem.fault
                continue
            places[line.id, place] = len(rows)
            left_out = cell.out or line.set_aside
            rows.append(
                Reading(value, cell.text, tuple(line.shims), line.role, where, cell.time, cell.person, left_out)
            )
    readings = Readings(tuple(rows), shims, signal, unit, "readings typed on the page") if rows else None
    return Collected(readings, bad, places)


def _value(text: str, signal: Signal, unit: str) -> float:
    """The number in a cell; a lone comma in a length is its decimal sign."""
    decimal = "," if signal == "thickness" and "," in text and "." not in text else None
    value = parse_number(text, decimal)
    if signal == "raw":
        return value
    length = length_unit(unit)
    assert length is not None, f"{unit} is registered as the unit of a thickness indication"
    return to_mm(value, length)


def _look_at_unit(value: float, line: Line, shims: ShimSet, signal: Signal) -> None:
    """A reading 25.4 or 1/25.4 times the shim looks like another unit, and is asked about."""
    if signal != "thickness" or not line.shims or value == 0:
        return
    reference = sum(shims[name].thickness_mm for name in line.shims)
    for factor, code in ((MM_PER_INCH, "cell.too_large"), (1 / MM_PER_INCH, "cell.too_small")):
        if abs(value / reference / factor - 1) < OTHER_UNIT_WITHIN:
            raise BadInput(code, ratio=MM_PER_INCH)
