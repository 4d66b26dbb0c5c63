"""Which calibration of a rig is in force: the last one, where one that was replaced gives its turn to its successor."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from labkit.ledger.schema import RESULT


def row_in_force(connection: sa.Connection, laboratory: str, rig: str, before: int = 0) -> sa.Row[Any] | None:
    """
    The row of the calibration in force for a rig; None where there is none.

    A certificate that replaces an older one stands where that one stood: put right a year later, it does not overtake
    the calibrations since.

    Parameters
    ----------
    connection : sqlalchemy.Connection
    laboratory, rig : str
    before : int
        The place of a result: what was in force when that one was signed. 0 for now.
    """
    mine = [RESULT.c.laboratory == laboratory, RESULT.c.kind == "calibration"]
    until = [RESULT.c.place < before] if before else []
    found, stands = None, 0
    for row in connection.execute(
        sa.select(RESULT).where(*mine, RESULT.c.rig == rig, *until).order_by(RESULT.c.place.desc())
    ):
        later = sa.select(RESULT.c.id).where(RESULT.c.laboratory == laboratory, RESULT.c.replaces == row.id, *until)
        if connection.execute(later).first() is not None:
            continue
        place = _first_place(connection, laboratory, row)
        if place > stands:
            found, stands = row, place
        if not row.replaces:
            break  # whatever is older stands before it
    return found


def _first_place(connection: sa.Connection, laboratory: str, row: sa.Row[Any]) -> int:
    """The place of the certificate that the replacing began with."""
    place, replaces = int(row.place), row.replaces
    while replaces:
        before = connection.execute(
            sa.select(RESULT.c.place, RESULT.c.replaces).where(
                RESULT.c.laboratory == laboratory, RESULT.c.id == replaces
            )
        ).one()
        place, replaces = before.place, before.replaces
    return place
