"""From a table of shims to a shim set; everything that is wrong with it is said at once."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from typing import Final

from labkit.bench.cells import Notes, Row
from labkit.bench.dates import parse_date
from labkit.bench.headings import CellReader, Column, Layout, lay_out, length_unit_of
from labkit.bench.shims import THICKEST_MM, Shim, ShimSet
from labkit.bench.tables import Source, read_table
from labkit.units import to_mm

COLUMNS: Final = (
    "shim",
    "thickness",
    "u",
    "k",
    "tolerance",
    "shared u",
    "flatness u",
    "wear u",
    "expansion",
    "material",
    "certificate",
    "certified on",
    "due",
    "set",
    "issued by",
)
_LENGTHS: Final = ("thickness", "u", "tolerance", "shared u", "flatness u", "wear u")
_UNNAMED: Final = tuple(Column(i, letter, name) for i, (letter, name) in enumerate(zip("ABCD", COLUMNS, strict=False)))

EXPANSION_PER_K: Final = {
    "brass": 19e-6,
    "aluminium": 23e-6,
    "aluminum": 23e-6,
    "steel": 11.5e-6,
    "polyester": 17e-6,
    "polyester film": 17e-6,
}
"""Coefficients of thermal expansion [1/K], from memory: a column `expansion [1/K]` goes before them."""

_PER_K: Final = {
    "": 1.0,
    "1/k": 1.0,
    "1/°c": 1.0,
    "/k": 1.0,
    "k-1": 1.0,
    "ppm/k": 1e-6,
    "1e-6/k": 1e-6,
    "10^-6/k": 1e-6,
    "10⁻⁶/k": 1e-6,
    "µm/m/k": 1e-6,
    "µm/(m·k)": 1e-6,
}
_MOST_EXPANSION_PER_K: Final = 1e-3

LONGEST_NAME: Final = 100
RESERVED: Final = ("zero", "background")
"""What a shim cell says where no shim lies under the target."""

_LARGE_U: Final = 0.1


def read_shims(
    source: Source, *, unit: str | None = None, decimal: str | None = None, today: date | None = None
) -> ShimSet:
    """
    Read a table of shims.

    Parameters
    ----------
    source : path, str, bytes, file object or pandas.DataFrame
        CSV, TSV, semicolons, XLSX; columns as in "File forms" of the design: ``shim``, ``thickness [mm]``,
        ``U [µm]``, ``k``, …. Without a heading: shim, thickness, U, k in this order.
    unit : str, optional
        The unit of lengths whose heading names none: mm, um, in or mil.
    decimal : "." or ",", optional
        The decimal sign, where the table does not tell.
    today : date, optional
        Shims that were due before it get a caution.

    Returns
    -------
    ShimSet
        Lengths in mm, standard uncertainties; with its cautions.

    Raises
    ------
    BadFile
        With every fault, each with row and column.
    """
    notes = Notes()
    table = read_table(source, notes, "shims")
    layout = lay_out(table, COLUMNS, ("shim", "thickness"), notes, unnamed=_UNNAMED)
    shims = _Shims(layout, unit, decimal, notes)
    read = [shim for row in layout.table.rows if (shim := shims.read(row)) is not None]
    notes.refuse_if_faulty()
    _caution(read, notes, layout)
    if today:
        caution_due(read, today, notes)
    sets = {shim.set_name for shim in read}
    return ShimSet(tuple(read), sets.pop() if len(sets) == 1 else "", tuple(notes.cautions))


def caution_due(shims: list[Shim], today: date, notes: Notes) -> None:
    """
    Note a caution for each shim whose certificate was relied upon only to a day before `today`.
    """
    for shim in shims:
        if shim.due and shim.due < today:
            notes.caution("shims.past_due", shim=shim.name, due=shim.due.isoformat())


class _Shims:
    """Reads the rows of one table, remembering the names that it has seen."""

    def __init__(self, layout: Layout, unit: str | None, decimal: str | None, notes: Notes) -> None:
        self._layout = layout
        self._notes = notes
        columns = layout.columns
        self._units = {name: length_unit_of(layout, columns[name], unit, notes) for name in _LENGTHS if name in columns}
        self._per_K = self._expansion_unit()
        numbers = [columns[name] for name in (*_LENGTHS, "k", "expansion") if name in columns]
        self._reader = CellReader(layout, numbers, decimal, notes)
        self._seen: dict[str, tuple[Row, float | None]] = {}

    def read(self, row: Row) -> Shim | None:
        before = len(self._notes.faults)
        text = {name: self._layout.text(row, name) for name in self._layout.columns}
        name = text["shim"]
        thickness = self._thickness(row)
        self._look_at_name(row, name, thickness)
        k = self._positive(row, "k", "shims.k_not_positive")
        u, tolerance = self._uncertainty(row, k)
        others = {each: self._not_negative(row, each) for each in ("shared u", "flatness u", "wear u")}
        if u is not None and others["shared u"] > u * (1 + 1e-9):
            self._fault("shims.shared_above_u", row, "shared u", shared_mm=others["shared u"], u_mm=u)
        expansion = self._expansion(row, text.get("material", ""))
        certified_on, due = self._date(row, "certified on"), self._date(row, "due")
        if certified_on and due and due < certified_on:
            self._fault("shims.due_before_certified", row, "due", due=due.isoformat(), on=certified_on.isoformat())
        if len(self._notes.faults) > before or thickness is None:
            return None
        return Shim(
            name,
            thickness,
            u,
            k if tolerance is None else None,
            tolerance,
            others["shared u"],
            expansion,
            others["flatness u"],
            others["wear u"],
            text.get("material", ""),
            text.get("certificate", ""),
            certified_on,
            due,
            text.get("set", ""),
            text.get("issued by", ""),
            {self._layout.columns[each].typed: typed for each, typed in text.items() if typed},
        )

    def _fault(self, code: str, at: Row, name: str, **params: object) -> None:
        self._notes.fault(code, self._layout.where(at, self._layout.columns.get(name)), **params)

    def _number(self, row: Row, name: str) -> float | None:
        """The number in a column, in mm for lengths; None where it is empty or faulty."""
        column = self._layout.columns.get(name)
        if column is None or row.cell(column.index) == "":
            return None
        if name not in self._units:
            return self._reader.number(row, column)
        unit = self._units[name]
        value = self._reader.number(row, column, unit or "")
        return to_mm(value, unit) if value is not None and unit else None

    def _thickness(self, row: Row) -> float | None:
        if not self._layout.text(row, "thickness"):
            self._fault("number.empty", row, "thickness")
        value = self._number(row, "thickness")
        if value is not None and value <= 0:
            self._fault("shims.thickness_not_positive", row, "thickness")
        if value is not None and value > THICKEST_MM:
            self._fault("table.too_thick", row, "thickness", value_mm=value, limit_mm=THICKEST_MM)
        return value

    def _look_at_name(self, row: Row, name: str, thickness: float | None) -> None:
        if not name:
            self._fault("shims.no_name", row, "shim")
        elif name.casefold() in RESERVED or " + " in name:
            self._fault("shims.reserved_name", row, "shim", shim=name)
        elif len(name) > LONGEST_NAME:
            self._fault("shims.long_name", row, "shim", limit=LONGEST_NAME)
        elif name in self._seen:
            first, value = self._seen[name]
            code = "shims.twice" if value == thickness else "shims.two_values"
            self._fault(code, row, "shim" if value == thickness else "thickness", shim=name, row=first.number)
        else:
            self._seen[name] = (row, thickness)

    def _uncertainty(self, row: Row, k: float | None) -> tuple[float | None, float | None]:
        """The standard uncertainty [mm], and the tolerance [mm] if it was taken from that."""
        expanded = self._positive(row, "u", "shims.u_not_positive")
        tolerance = self._positive(row, "tolerance", "shims.tolerance_not_positive")
        if expanded is None:
            return (tolerance / math.sqrt(3.0), tolerance) if tolerance is not None else (None, None)
        if tolerance is not None:
            self._notes.caution("shims.two_uncertainties", self._layout.where(row))
        if not self._layout.text(row, "k"):
            self._fault("shims.no_k", row, "u")
        return (expanded / k if k else None), None

    def _positive(self, row: Row, name: str, code: str) -> float | None:
        value = self._number(row, name)
        if value is None or value > 0:
            return value
        self._fault(code, row, name)
        return None

    def _not_negative(self, row: Row, name: str) -> float:
        value = self._number(row, name)
        if value is not None and value < 0:
            self._fault("shims.negative_u", row, name)
        return value or 0.0

    def _expansion_unit(self) -> float:
        column = self._layout.columns.get("expansion")
        written = "".join((column.unit if column else "").casefold().split())
        if written in _PER_K:
            return _PER_K[written]
        self._notes.fault("shims.expansion_unit", self._layout.where(None, column), unit=written)
        return 1.0

    def _expansion(self, row: Row, material: str) -> float:
        value = self._number(row, "expansion")
        if value is None:
            return EXPANSION_PER_K.get(material.casefold(), 0.0)
        if abs(value * self._per_K) > _MOST_EXPANSION_PER_K:
            self._fault("shims.expansion_too_large", row, "expansion", value=value * self._per_K)
        return value * self._per_K

    def _date(self, row: Row, name: str) -> date | None:
        typed = self._layout.text(row, name)
        if not typed:
            return None
        try:
            return parse_date(typed)
        except ValueError:
            self._fault("table.not_a_date", row, name, typed=typed)
            return None


def _caution(shims: list[Shim], notes: Notes, layout: Layout) -> None:
    where = layout.table.where()
    doubts: Mapping[str, list[str]] = {
        "shims.no_certificate": [s.name for s in shims if not s.certificate],
        "shims.no_u": [s.name for s in shims if s.u_mm is None],
        "shims.large_u": [s.name for s in shims if s.u_mm and s.u_mm > _LARGE_U * s.thickness_mm],
        "shims.no_expansion": [s.name for s in shims if not s.expansion_per_K and not _stated_expansion(s)],
    }
    for code, names in doubts.items():
        if names:
            notes.caution(code, where, shims=names)


def _stated_expansion(shim: Shim) -> bool:
    # a coefficient of 0 may have been meant; a shim of no stated material gets its caution only with others of one
    return any(typed.casefold().startswith("expansion") for typed in shim.as_typed) or not shim.material
