"""Tables of readings, pasted or uploaded, on their way into the rows of a page."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, TypeVar

from labkit.bench.read_readings import read_readings
from labkit.bench.readings import Reading, Readings
from labkit.problems import BadFile, BadInput, Caution, Fault, Finding
from labkit.units import from_mm
from labkit.workflow.collect import read_cell
from labkit.workflow.log import MOST_CELLS, Cell, ReadingLog, line_id
from labkit.workflow.particulars import Particulars

_SAID_ELSEWHERE: Final = ("shims.past_due", "readings.left_out", "readings.no_reading")
"""What the page or the sheet says by itself, row by row."""

_Finding = TypeVar("_Finding", bound=Finding)


def read_table(source: str | bytes, name: str, known: Particulars) -> Readings:
    """
    Readings of a table; rows on shims that are not at hand are left out with a caution.

    Parameters
    ----------
    source : str or bytes
        Pasted cells, or the content of a file.
    name : str
        Of the file; empty for pasted cells.
    known : Particulars

    Raises
    ------
    BadInput
        The table was refused, with every fault; or nothing in it is for this rig.
    """
    text = source if isinstance(source, bytes) else source.rstrip("\n") + "\n"
    try:
        found = _read(text, known, known.unit)
    except BadFile as refused:
        raise BadFile(_in_file(fault, name) for fault in refused.faults) from None
    left_out = [caution for caution in found.cautions if caution.code == "readings.row_left_out"]
    if not found.rows and left_out:
        raise BadFile(Fault(caution.code, caution.params, _in_file(caution, name).where) for caution in left_out)
    if found.signal != known.signal or (found.signal == "raw" and found.unit != known.unit):
        raise BadInput("page.other_signal", got=found.unit, unit=known.unit)
    return replace(found, cautions=tuple(_in_file(caution, name) for caution in found.cautions))


def _read(text: str | bytes, known: Particulars, unit: str | None) -> Readings:
    """In the unit of the rig, unless the heading names another."""
    try:
        return read_readings(text, known.shims, unit, whole=False, unknown_shims="leave out")
    except BadFile as refused:
        if unit is not None and any(fault.code == "readings.unit_twice" for fault in refused.faults):
            return _read(text, known, None)
        raise


def doubts(found: Readings) -> list[Caution]:
    """The cautions of a table that stay with its readings, up to the sheet."""
    return [caution for caution in found.cautions if caution.code not in _SAID_ELSEWHERE]


def put_into(log: ReadingLog, found: Readings, known: Particulars, source: str, person: str) -> int:
    """
    Put readings into their rows.

    Parameters
    ----------
    log : ReadingLog
    found : Readings
    known : Particulars
    source : str
        Goes with each reading.
    person : str
        Who read where the table does not say.

    Returns
    -------
    int
        Into how many rows.

    Raises
    ------
    BadInput
        A row would become too long; nothing is changed then.
    """
    groups: dict[str, list[Reading]] = {}
    for row in found.rows:
        groups.setdefault(line_id(row.role, row.shims), []).append(row)
    for key, rows in groups.items():
        line = log.line(key)
        if len(rows) + (len(line.cells) if line else 0) > MOST_CELLS:
            raise BadInput("page.too_many", line=rows[0].point, most=MOST_CELLS)
    with log.one_step():
        for rows in groups.values():
            key = log.lay_out(rows[0].role, rows[0].shims, known.repeats)
            log.fill(key, [_cell(row, found, known, source, person) for row in rows])
    return len(groups)


def is_whole(found: Readings) -> bool:
    """Whether a table brings its own choice of shims, so that those laid out before need not be read."""
    return len({row.shims for row in found.with_role("fit")}) > 1


def _cell(row: Reading, found: Readings, known: Particulars, source: str, person: str) -> Cell:
    text = _typed(row, found, known.unit)
    return Cell(text, row.time, row.operator or person, out=row.left_out, source=source)


def _typed(row: Reading, found: Readings, unit: str) -> str:
    """What was typed, with its unit where the page has another; the number where alone it would be read otherwise."""
    text = row.typed.strip()
    if found.signal == "thickness" and found.unit != unit:
        text = f"{text} {found.unit}"
    try:
        if read_cell(text, found.signal, unit) == row.value:
            return text
    except BadInput:
        pass
    return f"{row.value if found.signal == 'raw' else from_mm(row.value, unit):.12g}"


def _in_file(finding: _Finding, name: str) -> _Finding:
    if finding.where is None or not name:
        return finding
    return replace(finding, where=replace(finding.where, file=name))
