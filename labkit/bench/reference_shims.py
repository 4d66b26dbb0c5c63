"""Shims that a table of readings brings along itself: a column `reference`, perhaps with `U` and `k`."""

from __future__ import annotations

from labkit.bench.cells import Notes, Row
from labkit.bench.headings import CellReader, Layout, length_unit_of
from labkit.bench.shims import THICKEST_MM, Shim, ShimSet
from labkit.units import to_mm


class ReferenceShims:
    """
    Gathers one shim for each reference value, or for each name where the table has names too.

    Parameters
    ----------
    layout : Layout
        With a column ``reference``.
    cells : CellReader
    unit : str or None
        Of lengths whose heading names none.
    notes : Notes
    """

    def __init__(self, layout: Layout, cells: CellReader, unit: str | None, notes: Notes) -> None:
        self._layout = layout
        self._cells = cells
        self._notes = notes
        columns = layout.columns
        self._column = columns["reference"]
        self._unit = length_unit_of(layout, self._column, unit, notes)
        self._u_unit = length_unit_of(layout, columns["u"], unit, notes) if "u" in columns else None
        self._shims: dict[object, Shim] = {}
        self._rows: dict[object, Row] = {}

    def as_set(self) -> ShimSet:
        """
        The shims gathered so far; a caution says where they state no uncertainty, a fault that all are 0.
        """
        shims = tuple(self._shims.values())
        if not shims and not self._layout.is_blank("reference"):
            self._notes.fault("readings.references_zero", self._layout.where(None, self._column))
        without = [shim.name for shim in shims if shim.u_mm is None]
        if without:
            self._notes.caution("shims.no_u", self._layout.table.where(), shims=without)
        return ShimSet(shims)

    def thickness(self, row: Row) -> float | None:
        """The reference [mm] of a row; None after a fault was noted."""
        where = self._layout.where(row, self._column)
        if row.cell(self._column.index) == "":
            self._notes.fault("readings.no_reference", where)
            return None
        value = self._cells.number(row, self._column, self._unit or "")
        if value is None or self._unit is None:
            return None
        value_mm = to_mm(value, self._unit)
        if value_mm < 0:
            self._notes.fault("readings.negative_reference", where)
            return None
        if value_mm > THICKEST_MM:
            self._notes.fault("table.too_thick", where, value_mm=value_mm, limit_mm=THICKEST_MM)
            return None
        return value_mm

    def add(self, row: Row, name: str) -> str | None:
        """
        Take the reference of a row.

        Parameters
        ----------
        row : Row
        name : str
            Of the shim; empty where the table names none.

        Returns
        -------
        str or None
            The shim's name; empty for a thickness of 0; None after a fault was noted.
        """
        value_mm = self.thickness(row)
        u_mm, k = self._uncertainty(row)
        if value_mm is None:
            return None
        if value_mm == 0:
            return ""
        typed = self._layout.text(row, "reference")
        key: object = name or value_mm
        shim = Shim(name or f"{typed} {self._unit}", value_mm, u_mm, k, as_typed={self._column.typed: typed})
        known = self._shims.setdefault(key, shim)
        first = self._rows.setdefault(key, row)
        if known.thickness_mm != value_mm:
            where = self._layout.where(row, self._column)
            self._notes.fault("shims.two_values", where, shim=name, row=first.number)
        elif (known.u_mm, known.k) != (u_mm, k) and first is not row:
            self._notes.fault("readings.two_uncertainties", self._layout.where(row), row=first.number)
        return known.name

    def _uncertainty(self, row: Row) -> tuple[float | None, float | None]:
        columns = self._layout.columns
        u_column, k_column = columns.get("u"), columns.get("k")
        if u_column is None or row.cell(u_column.index) == "":
            return None, None
        where = self._layout.where(row, u_column)
        expanded = self._cells.number(row, u_column, self._u_unit or "")
        if expanded is not None and expanded <= 0:
            self._notes.fault("shims.u_not_positive", where)
        if k_column is None or row.cell(k_column.index) == "":
            self._notes.fault("shims.no_k", where)
            return None, None
        k = self._cells.number(row, k_column)
        if k is not None and k <= 0:
            self._notes.fault("shims.k_not_positive", self._layout.where(row, k_column))
            return None, None
        if expanded is None or k is None or self._u_unit is None:
            return None, None
        return to_mm(expanded, self._u_unit) / k, k
