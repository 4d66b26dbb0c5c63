"""The calibration that is in force for each rig, and its last check, without their records: what is due when."""

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


@dataclass(frozen=True)
class LastCheck:
    """
    The check signed last for a rig.

    Attributes
    ----------
    rig, number, outcome : str
    signed : str
        UTC, ISO 8601 with Z.
    """

    rig: str
    number: str
    outcome: str
    signed: str

    @property
    def certificate(self) -> str:
        """The number of the certificate that was checked."""
        return self.number.partition("-")[0]


def last_checks(data: Path) -> dict[str, LastCheck]:
    """The last check of each rig that has had one, by the rig's name."""
    store = open_store(data)
    mine = (RESULT.c.laboratory == store.laboratory) & (RESULT.c.kind == "check")
    newest = sa.select(RESULT.c.rig, sa.func.max(RESULT.c.place).label("place")).where(mine).group_by(RESULT.c.rig)
    each = newest.subquery()
    columns = (RESULT.c.rig, RESULT.c.number, RESULT.c.decision, RESULT.c.signed)
    with store.reading() as connection:
        rows = connection.execute(
            sa.select(*columns).join(each, (RESULT.c.rig == each.c.rig) & (RESULT.c.place == each.c.place)).where(mine)
        ).all()
    return {row.rig: LastCheck(*row) for row in rows}
