"""Which calibration of a rig is in force: the last one, where one that was replaced gives its turn to its successor."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from labkit.ledger.schema import RESULT
from labkit.ledger.waiting import waiting_among


def row_in_force(connection: sa.Connection, laboratory: str, rig: str, before: int = 0) -> sa.Row[Any] | None:
    """
    The row of the calibration in force for a rig; None where there is none.

    A certificate that replaces an older one stands where that one stood: put right a year later, it does not overtake
    the calibrations since. One that is to be approved counts from its approval on.

    Parameters
    ----------
    connection : sqlalchemy.Connection
    laboratory, rig : str
    before : int
        The place of a result: what was in force when that one was signed. 0 for now.
    """
    mine = [RESULT.c.laboratory == laboratory, RESULT.c.kind == "calibration"]
    until = [RESULT.c.place < before] if before else []
    at = _time_of(connection, laboratory, before) if before else ""
    rows = connection.execute(
        sa.select(RESULT).where(*mine, RESULT.c.rig == rig, *until).order_by(RESULT.c.place.desc())
    ).all()
    waiting = waiting_among(connection, laboratory, [row.id for row in rows], at)
    found, stands = None, 0
    for row in rows:
        later = sa.select(RESULT.c.id).where(RESULT.c.laboratory == laboratory, RESULT.c.replaces == row.id, *until)
        if row.id in waiting or set(connection.execute(later).scalars()) - waiting:
            continue
        place = int(first_of(connection, laboratory, row).place)
        if place > stands:
            found, stands = row, place
        if not row.replaces:
            break  # whatever is older stands before it
    return found


def _time_of(connection: sa.Connection, laboratory: str, place: int) -> str:
    """When the result at a place was signed."""
    return str(
        connection.execute(
            sa.select(RESULT.c.signed).where(RESULT.c.laboratory == laboratory, RESULT.c.place == place)
        ).scalar_one()
    )


def first_of(connection: sa.Connection, laboratory: str, row: sa.Row[Any]) -> sa.Row[Any]:
    """The certificate that the replacing began with, of which `row` is the last: its day is that of the calibration."""
    while row.replaces:
        row = connection.execute(
            sa.select(RESULT).where(RESULT.c.laboratory == laboratory, RESULT.c.id == row.replaces)
        ).one()
    return row
