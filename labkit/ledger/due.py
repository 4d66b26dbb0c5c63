"""The calibration that is in force for each rig, without its record: what due dates are counted from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from labkit.ledger.schema import RESULT
from labkit.ledger.store import open_store


@dataclass(frozen=True)
class LastCalibration:
    """
    The calibration signed last for a rig.

    Attributes
    ----------
    rig, number, id, signer, decision, says : str
        `says` is the largest U as it was printed.
    signed : str
        UTC, ISO 8601 with Z.
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
    columns = [RESULT.c[name] for name in LastCalibration.__dataclass_fields__]
    with store.reading() as connection:
        rows = connection.execute(sa.select(*columns).where(mine, RESULT.c.place.in_(newest))).all()
    return {row.rig: LastCalibration(*row) for row in rows}
