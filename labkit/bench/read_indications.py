"""Indications to correct: one column of numbers, up to ten million rows."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from labkit.bench.readings import Signal
from labkit.bench.tables import ZIP, decoded
from labkit.problems import BadFile, BadInput, Fault, Where
from labkit.units import length_unit, to_mm

LARGEST_BYTES: Final = 400_000_000
MOST_ROWS: Final = 10_000_000
NAMED: Final = 20
"""So many bad rows are named one by one."""


def read_indications(
    source: str | os.PathLike[str], signal: Signal, unit: str, *, given_unit: str | None = None
) -> NDArray[np.float64]:
    """
    Read indications from a text file: its column ``indication``, or its only or first column.

    Parameters
    ----------
    source : path
        Comma, semicolon or tab; with or without a heading; decimal point, or comma where no comma separates.
    signal : "thickness" or "raw"
        What the calibration is for.
    unit : str
        The unit of its readings: what a column without a unit is in, unless `given_unit` says otherwise.
    given_unit : str, optional

    Returns
    -------
    ndarray, shape (n,)
        In mm for thickness indications, else in the unit of the readings.

    Raises
    ------
    BadFile
        No such file, too large, no rows, or rows that are no numbers, each named.
    """
    import pandas as pd

    path = Path(source)
    if not path.is_file():
        raise BadFile([Fault("table.no_such_file", {"name": path.name})])
    if path.stat().st_size > LARGEST_BYTES:
        raise BadFile([Fault("indications.too_large", {"limit": LARGEST_BYTES // 1_000_000}, Where(path.name))])
    content = path.read_bytes()
    if content.startswith(ZIP):
        raise BadFile([Fault("indications.workbook", {}, Where(path.name))])
    text = decoded(content, path.name)
    head = "\n".join(text.split("\n", 20)[:20])
    separator = next((mark for mark in ("\t", ";") if mark in head), ",")
    try:
        frame = pd.read_csv(
            io.StringIO(text), sep=separator, header=None, dtype=str, comment="#", keep_default_na=False,
            skip_blank_lines=False,
        )  # fmt: skip
    except pd.errors.ParserError:
        raise BadFile([Fault("indications.broken", {}, Where(path.name))]) from None
    except pd.errors.EmptyDataError:
        raise BadFile([Fault("indications.empty", {}, Where(path.name))]) from None
    column, first, heading = _column(frame, path.name)
    typed = frame[column].iloc[first:].str.strip()
    typed = typed[typed != ""]
    if typed.empty:
        raise BadFile([Fault("indications.empty", {}, Where(path.name))])
    if len(typed) > MOST_ROWS:
        raise BadFile([Fault("indications.too_many", {"rows": len(typed), "limit": MOST_ROWS}, Where(path.name))])
    values = pd.to_numeric(typed.str.replace(",", ".", regex=False).str.replace("−", "-", regex=False), errors="coerce")
    bad = np.flatnonzero(~np.isfinite(values.to_numpy()))
    if bad.size:
        faults = [
            Fault("number.text", {"typed": typed.iloc[i]}, Where(path.name, row=int(typed.index[i]) + 1))
            for i in bad[:NAMED]
        ]
        if bad.size > NAMED:
            faults.append(Fault("indications.more_faults", {"count": int(bad.size) - NAMED}, Where(path.name)))
        raise BadFile(faults)
    return _in_unit(values.to_numpy(dtype=np.float64), heading, signal, unit, given_unit, path.name)


def _column(frame: Any, file: str) -> tuple[int, int, str]:
    """Which column holds the indications, the first row of numbers, and the column's heading."""
    top = [str(cell).strip() for cell in frame.iloc[0]]
    if any(_is_number(cell) for cell in top):
        if len(top) > 1 and sum(cell != "" for cell in top) > 1:
            raise BadFile([Fault("indications.which_column", {"columns": len(top)}, Where(file, row=1))])
        return 0, 0, ""
    named = [i for i, cell in enumerate(top) if cell.lower().startswith("indication")]
    if len(named) != 1 and len(top) > 1:
        raise BadFile([Fault("indications.which_column", {"columns": len(top)}, Where(file, row=1))])
    place = named[0] if named else 0
    return place, 1, top[place]


def _is_number(cell: str) -> bool:
    try:
        float(cell.replace(",", ".").replace("−", "-"))
    except ValueError:
        return False
    return True


def _in_unit(
    values: NDArray[np.float64], heading: str, signal: Signal, unit: str, given: str | None, file: str
) -> NDArray[np.float64]:
    stated = heading.partition("[")[2].partition("]")[0].strip() or given or unit
    if signal == "raw":
        if stated != unit:
            raise BadInput("indications.other_unit", Where(file), stated=stated, unit=unit)
        return values
    length = length_unit(stated)
    if length is None:
        raise BadInput("indications.other_unit", Where(file), stated=stated, unit=unit)
    return np.asarray(to_mm(values, length))  # type: ignore[arg-type]
