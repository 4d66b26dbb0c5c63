"""The calibration that is in force for each rig, without its record: what due dates are counted from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from labkit.ledger.force import first_of, row_in_force
from labkit.ledger.schema import RESULT
from labkit.ledger.store import open_store
from labkit.ledger.waiting import waiting_among


@dataclass(frozen=True)
class LastCalibration:
    """
    The calibration signed last for a rig.

    Attributes
    ----------
    rig, number, id, signer, decision, says : str
        `says` is the largest U as it was printed.
    signed : str
        UTC, ISO 8601 with Z; of a certificate that replaces another, when the first one was signed.
    """

    rig: str
    number: str
    id: str
    signer: str
    decision: str
    says: str
    signed: str


def last_calibrations(data: Path) -> dict[str, LastCalibration]:
    """The calibration in force for each rig that has one, by the rig's name."""
    store = open_store(data)
    mine = (RESULT.c.laboratory == store.laboratory) & (RESULT.c.kind == "calibration")
    newest = sa.select(sa.func.max(RESULT.c.place)).where(mine).group_by(RESULT.c.rig)
    with store.reading() as connection:
        rows = connection.execute(sa.select(RESULT).where(mine, RESULT.c.place.in_(newest))).all()
        replaced = connection.execute(
            sa.select(RESULT.c.replaces).where(mine, RESULT.c.replaces.in_([row.id for row in rows]))
        ).scalars()
        gone = set(replaced) | waiting_among(connection, store.laboratory, [row.id for row in rows])
        found: dict[str, LastCalibration] = {}
        for newest_row in rows:
            changed = newest_row.replaces or newest_row.id in gone
            row = row_in_force(connection, store.laboratory, newest_row.rig) if changed else newest_row
            if row is not None:
                values = {name: getattr(row, name) for name in LastCalibration.__dataclass_fields__}
                # putting a certificate right is no calibration: the day from which the next is due stays
                signed = first_of(connection, store.laboratory, row).signed
                found[row.rig] = LastCalibration(**values | {"signed": signed})
    return found
