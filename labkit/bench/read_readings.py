"""From a table of indications to readings on shims; everything that is wrong with it is said at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from functools import partial
from itertools import pairwise
from typing import Final, Literal

from labkit.bench.cells import Cell, Notes, Row, Table, letters, text_of
from labkit.bench.dates import parse_time
from labkit.bench.headings import (
    CellReader,
    Column,
    Layout,
    lay_out,
    nearest,
    plain_name,
)
from labkit.bench.numbers import number_like
from labkit.bench.points import ROLE_NAMES, Points
from labkit.bench.read_shims import RESERVED, read_shims
from labkit.bench.reading_checks import check_readings
from labkit.bench.readings import Reading, Readings, Signal
from labkit.bench.reference_shims import ReferenceShims
from labkit.bench.shims import THICKEST_MM, ShimSet
from labkit.bench.tables import Source, read_table, source_name, table_of
from labkit.problems import BadFile, Fault
from labkit.units import length_unit, to_mm

UnknownShims = Literal["refuse", "leave out"]

COLUMNS: Final = ("shim", "reference", "indication", "role", "time", "operator", "u", "k", "left out")

# lengths that somebody may well write and that are not read: never to be taken for the unit of a raw signal
_OTHER_LENGTHS: Final = (
    "cm", "m", "nm", "dm", "km", "ft", "foot", "feet", "yd", "metre", "meter", "metres", "meters", "centimetre",
    "centimeter", "nanometre", "nanometer",
)  # fmt: skip
_LENGTH_WORDS: Final = ("millimetre", "millimeter", "micrometre", "micrometer", "micron", "inch", "inches")
_LONGEST_UNIT: Final = 20


def read_readings(
    source: Source,
    shims: ShimSet | Source | None = None,
    unit: str | None = None,
    decimal: str | None = None,
    *,
    today: date | None = None,
    whole: bool = True,
    unknown_shims: UnknownShims = "refuse",
) -> Readings:
    """
    Read a table of indications.

    Parameters
    ----------
    source : path, str, bytes, file object or pandas.DataFrame
        CSV, TSV, semicolons or XLSX, long or wide; see "File forms" of the design. A str without a line break
        is a path, one with a line break is text.
    shims : ShimSet or a source for `read_shims`, optional
        Not needed where the table has a column ``reference``.
    unit : str, optional
        Of indications whose heading names none: mm, um, in or mil makes a thickness indication, any other word
        a raw signal.
    decimal : "." or ",", optional
        The decimal sign, where the table does not tell.
    today : date, optional
        The day against which due dates are held; default the day of the last reading that has a time.
    whole : bool
        False for a part of the readings of a calibration, which may be at one thickness.
    unknown_shims : "refuse" or "leave out"
        What becomes of a row on a shim that is not among `shims`: a fault, or left out with a caution.

    Returns
    -------
    Readings
        Thickness indications in mm; with the cautions that reading them raised.

    Raises
    ------
    BadFile
        With every fault of the readings and of the shims, each with row and column.
    """
    take = partial(read_table, source, sheet="readings")
    return _from(take, shims, unit, decimal, today, whole, unknown_shims == "leave out")


def read_cells(
    rows: Sequence[Sequence[Cell]],
    shims: ShimSet | Source | None = None,
    unit: str | None = None,
    decimal: str | None = None,
    *,
    whole: bool = True,
    today: date | None = None,
) -> Readings:
    """
    Read a block of cells, as pasted into a grid.

    Parameters
    ----------
    rows : sequence of sequences of str or float
        Row 1 is the first; a heading is not needed.
    shims, unit, decimal, today
        As for `read_readings`.
    whole : bool
        False for a part of the readings of a calibration, which may be at one thickness.

    Returns
    -------
    Readings

    Raises
    ------
    BadFile
        With every fault, each with row and column.
    """
    return _from(lambda notes: table_of(rows, notes), shims, unit, decimal, today, whole)


def _from(
    take: Callable[[Notes], Table],
    shims: ShimSet | Source | None,
    unit: str | None,
    decimal: str | None,
    today: date | None,
    whole: bool,
    leave_out_unknown: bool = False,
) -> Readings:
    known, faults = _shim_set(shims, unit, decimal)
    try:
        notes = Notes()
        readings = _read(take(notes), known, bool(faults), unit, decimal, notes, today, whole, leave_out_unknown)
        if not faults:
            return readings
    except BadFile as refused:
        faults.extend(refused.faults)
    raise BadFile(faults)


def _shim_set(
    shims: ShimSet | Source | None, unit: str | None, decimal: str | None
) -> tuple[ShimSet | None, list[Fault]]:
    if shims is None or isinstance(shims, ShimSet):
        return shims, []
    try:
        return read_shims(shims, unit=unit if unit and length_unit(unit) else None, decimal=decimal), []
    except BadFile as refused:
        # the readings are looked at all the same, so that everything is said at once
        return None, list(refused.faults)


def _read(
    table: Table,
    shims: ShimSet | None,
    names_unknown: bool,
    unit: str | None,
    decimal: str | None,
    notes: Notes,
    today: date | None,
    whole: bool,
    leave_out_unknown: bool,
) -> Readings:
    _look_for_commas(table, notes)
    layout = lay_out(table, COLUMNS, ("indication",), notes, unnamed=_unnamed(table, shims), wide=True)
    reader = _Reader(layout, shims, names_unknown, unit, decimal, notes, leave_out_unknown)
    rows = [reading for row in layout.table.rows for reading in reader.read(row)]
    notes.refuse_if_faulty()
    used = reader.shims()
    if not names_unknown:
        check_readings(rows, used, reader.signal, reader.unit, notes, whole=whole, today=today)
    notes.refuse_if_faulty()
    return Readings(tuple(rows), used, reader.signal, reader.unit, source_name(layout.table), tuple(notes.cautions))


def _look_for_commas(table: Table, notes: Notes) -> None:
    """Refuse a table whose decimal commas were taken for separators: ``A-1,0,252`` has three cells."""
    if table.separator != ",":
        return
    torn = 0
    for row in table.rows:
        cells = [text_of(cell) for cell in row.cells]
        if any("." in cell for cell in cells[1:]):
            return
        torn += any(a == "0" and len(b) > 1 and b.isdigit() for a, b in pairwise(cells[1:]))
    if torn * 2 >= len(table.rows):
        notes.fault("table.decimal_comma_torn", table.where(table.rows[-1]))
        notes.refuse_if_faulty()


def _unnamed(table: Table, shims: ShimSet | None) -> list[Column]:
    """What the columns are in a table without a heading: shim or reference, then repeats, then perhaps roles."""
    width = max(len(row.cells) for row in table.rows)
    first = [text_of(row.cell(0)) for row in table.rows]
    points = [text for text in first if text.casefold() not in RESERVED]
    by_value = shims is None and bool(points) and all(number_like(text) for text in points)
    columns = [Column(0, "A", "reference" if by_value else "shim")]
    for index in range(1, width):
        texts = [text for row in table.rows if (text := text_of(row.cell(index)))]
        are_roles = bool(texts) and all(plain_name(text) in ROLE_NAMES for text in texts)
        if texts:
            columns.append(Column(index, letters(index), "role" if are_roles else "repeat"))
    return columns


class _Reader:
    """Reads the rows of one table, into readings in the order in which they were taken."""

    signal: Signal
    unit: str

    def __init__(
        self,
        layout: Layout,
        shims: ShimSet | None,
        names_unknown: bool,
        unit: str | None,
        decimal: str | None,
        notes: Notes,
        leave_out_unknown: bool,
    ) -> None:
        self._layout = layout
        self._known = shims
        self._notes = notes
        self._zone_noted = False
        columns = layout.columns
        self._columns = layout.repeats or ((columns["indication"],) if "indication" in columns else ())
        if not self._columns:
            notes.fault("table.missing_column", layout.where(None), name="indication")
        self.signal, self.unit = self._find_unit(unit)
        numbers = [*self._columns, *(columns[name] for name in ("reference", "u", "k") if name in columns)]
        self._cells = CellReader(layout, numbers, decimal, notes)
        self._references = ReferenceShims(layout, self._cells, unit, notes) if "reference" in columns else None
        self._points = Points(layout, shims, self._references, names_unknown, notes, leave_out_unknown)

    def shims(self) -> ShimSet:
        """The shims that were handed in, or those that the references make."""
        if self._known is not None:
            return self._known
        return self._references.as_set() if self._references else ShimSet(())

    def read(self, row: Row) -> list[Reading]:
        filled = [column for column in self._columns if row.cell(column.index) != ""]
        point = self._points.of(row)
        if not filled:
            if len(self._columns) == 1:
                self._notes.fault("number.empty", self._layout.where(row, self._columns[0]))
            elif point is not None:
                self._notes.caution("readings.no_reading", self._layout.where(row))
            return []
        time = self._time(row)
        operator, left_out = self._layout.text(row, "operator"), self._layout.text(row, "left out")
        if left_out:
            self._notes.caution("readings.left_out", self._layout.where(row), reason=left_out)
        values = [(column, self._indication(row, column)) for column in filled]
        if point is None:
            return []
        names, role = point
        return [
            Reading(
                value,
                text_of(row.cell(column.index)),
                names,
                role,
                self._layout.where(row, column),
                time,
                operator,
                left_out,
            )
            for column, value in values
            if value is not None
        ]

    def _find_unit(self, unit: str | None) -> tuple[Signal, str]:
        stated = {length_unit(c.unit) or c.unit: c for c in self._columns if c.unit}
        asked = (length_unit(unit) or unit.strip()) if unit else ""
        if len(stated) > 1:
            first, *others = stated
            for other in others:
                where = self._layout.where(None, stated[other])
                self._notes.fault("readings.two_units", where, one=first, other=other)
        found = next(iter(stated), "")
        column = stated.get(found) or (self._columns[0] if self._columns else None)
        where = self._layout.where(None, column)
        if found and asked and found != asked:
            self._notes.fault("readings.unit_twice", where, stated=found, asked=asked)
        found = found or asked
        if not found:
            self._notes.fault("readings.no_unit", where)
        elif length_unit(found):
            return "thickness", found
        elif found.casefold() in _OTHER_LENGTHS or len(found) > _LONGEST_UNIT:
            self._notes.fault("readings.unit_not_read", where, unit=found[:_LONGEST_UNIT])
        elif nearest_length := _like_a_length(found):
            self._notes.fault("readings.like_a_unit", where, unit=found, like=nearest_length)
        return "raw", found

    def _indication(self, row: Row, column: Column) -> float | None:
        value = self._cells.number(row, column, self.unit)
        if value is None or self.signal == "raw":
            return value
        value_mm = to_mm(value, self.unit)
        if abs(value_mm) > THICKEST_MM:
            where = self._layout.where(row, column)
            self._notes.fault("table.too_thick", where, value_mm=value_mm, limit_mm=THICKEST_MM)
            return None
        return value_mm

    def _time(self, row: Row) -> str:
        typed = self._layout.text(row, "time")
        if not typed:
            return ""
        where = self._layout.where(row, self._layout.columns["time"])
        try:
            time, zoned = parse_time(typed)
        except ValueError:
            self._notes.fault("readings.time", where, typed=typed)
            return ""
        if not zoned and not self._zone_noted:
            self._notes.caution("readings.time_without_zone", where)
            self._zone_noted = True
        return time


def _like_a_length(word: str) -> str:
    return nearest(word, _LENGTH_WORDS) if len(word) > 3 else ""
