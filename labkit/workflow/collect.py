"""From the log of a page to validated readings: what can be computed from, and what must be put right first."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from labkit.bench.numbers import parse_number
from labkit.bench.readings import Reading, Readings, Signal
from labkit.bench.shims import ShimSet
from labkit.problems import BadInput, Caution, Fault
from labkit.units import LENGTH_UNITS, MM_PER_INCH, length_unit, to_mm
from labkit.workflow.log import Line, ReadingLog

OTHER_UNIT_WITHIN: Final = 0.03
"""A reading that another unit, or a factor of 25.4, brings this close to the shim looks like a mistaken unit."""

_WITH_UNIT: Final = re.compile(r"(.*[0-9.,])\s*([a-zA-Zµμ\"]+)\s*")


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
    elsewhere : tuple of str
        Lines on shims that are not at hand: another set was chosen since. They stay, and nothing is computed from
        them.
    """

    readings: Readings | None
    bad: dict[tuple[str, int], Fault]
    places: dict[tuple[str, int], int]
    elsewhere: tuple[str, ...] = ()

    def place_of(self, row: int | None) -> tuple[str, int] | None:
        """Line and place of a row of `readings`."""
        return next((place for place, at in self.places.items() if at == row), None)


NOTHING: Final = Collected(None, {}, {})


def collect(log: ReadingLog, shims: ShimSet, signal: Signal, unit: str, cautions: Sequence[Caution] = ()) -> Collected:
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
    cautions : sequence of Caution
        Doubts to carry along.

    Returns
    -------
    Collected
    """
    rows: list[Reading] = []
    bad: dict[tuple[str, int], Fault] = {}
    places: dict[tuple[str, int], int] = {}
    elsewhere = tuple(line.id for line in log.lines if any(name not in shims for name in line.shims))
    for line in log.lines:
        if line.id in elsewhere:
            continue
        for place, cell in enumerate(line.cells):
            if not cell.text:
                continue
            try:
                value = read_cell(cell.text, signal, unit)
                if signal == "thickness" and not cell.kept and not cell.out:
                    _look_at_unit(cell.text, value, line, shims, unit)
            except BadInput as problem:
                bad[line.id, place] = problem.fault
                continue
            places[line.id, place] = len(rows)
            left_out = cell.out or line.set_aside
            # no row number: a page has none, and what is said of a reading names the shim
            rows.append(Reading(value, cell.text, tuple(line.shims), line.role, None, cell.time, cell.person, left_out))
    readings = None
    if rows:
        readings = Readings(tuple(rows), shims, signal, unit, "readings typed on the page", tuple(cautions))
    return Collected(readings, bad, places, elsewhere)


def read_cell(text: str, signal: Signal, unit: str) -> float:
    """
    The reading in one cell.

    Parameters
    ----------
    text : str
        As typed. A length may have its own unit behind it.
    signal : "thickness" or "raw"
    unit : str
        Of a bare number.

    Returns
    -------
    float
        In mm for a thickness, else in `unit`.

    Raises
    ------
    BadInput
        It holds no number, or can be read in two ways.
    """
    if signal == "raw":
        return _number(text, None)
    number, length = _parts(text, unit)
    # nobody measures 1234 mm or inches: there a lone comma is the decimal sign
    lone_comma = "," in number and "." not in number and length in ("mm", "in")
    return to_mm(_number(number, "," if lone_comma else None), length)


def _parts(text: str, unit: str) -> tuple[str, str]:
    """Number and unit of a length."""
    found = _WITH_UNIT.fullmatch(text)
    own = length_unit(found[2]) if found else None
    if found and own:
        return found[1], own
    length = length_unit(unit)
    assert length is not None, f"{unit} is registered as the unit of a thickness indication"
    return text, length


def _number(text: str, decimal: str | None) -> float:
    try:
        return parse_number(text, decimal)
    except BadInput as problem:
        if problem.code == "number.ambiguous":
            raise BadInput("cell.ambiguous", **problem.params) from problem
        raise


def _look_at_unit(text: str, value_mm: float, line: Line, shims: ShimSet, unit: str) -> None:
    """A bare number that another unit would bring to the shim is asked about, and so is a factor of 25.4."""
    number, length = _parts(text, unit)
    if not line.shims or value_mm <= 0 or number != text:
        return
    reference = sum(shims[name].thickness_mm for name in line.shims)
    for other in LENGTH_UNITS:
        if other != length and _near(to_mm(value_mm / to_mm(1.0, length), other) / reference):
            raise BadInput("cell.other_unit", typed=text, unit=length, other=other)
    for factor, code in ((MM_PER_INCH, "cell.too_large"), (1 / MM_PER_INCH, "cell.too_small")):
        if _near(value_mm / reference / factor):
            raise BadInput(code, typed=text, ratio=MM_PER_INCH)


def _near(ratio: float) -> bool:
    return abs(ratio - 1) < OTHER_UNIT_WITHIN
