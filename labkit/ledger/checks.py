"""The checks that a rig has had: what its control charts are drawn from."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from labkit.ledger.canonical import sha256
from labkit.ledger.numbering import CHECK
from labkit.ledger.schema import FILE, RESULT
from labkit.ledger.store import open_store
from labkit.problems import Problem

MOST: Final = 400
"""More than a year of working days."""


@dataclass(frozen=True)
class KeptCheck:
    """
    One check in the ledger.

    Attributes
    ----------
    number, id, signed : str
        `signed`: UTC, ISO 8601 with Z.
    outcome : str
    record : mapping
        Of schema ``labkit.check/1``, without the record of its calibration.
    """

    number: str
    id: str
    signed: str
    outcome: str
    record: Mapping[str, Any]

    @property
    def certificate(self) -> str:
        """The number of the certificate that it leans on."""
        return self.number.partition("-")[0]


def checks_of(data: Path, rig: str, most: int = MOST) -> tuple[KeptCheck, ...]:
    """
    The checks of a rig, the earliest first; where there are very many, the newest of them.

    Raises
    ------
    Problem
        ``ledger.changed``: a record is not what was signed.
    """
    store = open_store(data)
    columns = (RESULT.c.number, RESULT.c.id, RESULT.c.signed, RESULT.c.decision, RESULT.c.record_sha256)
    both = (FILE.c.laboratory == RESULT.c.laboratory) & (FILE.c.sha256 == RESULT.c.record_sha256)
    with store.reading() as connection:
        rows = connection.execute(
            sa.select(*columns, FILE.c.content)
            .join(FILE, both, isouter=True)
            .where(RESULT.c.laboratory == store.laboratory, RESULT.c.rig == rig, RESULT.c.kind == CHECK)
            .order_by(RESULT.c.place.desc())
            .limit(most)
        ).all()
    return tuple(_kept(row) for row in reversed(rows))


def _kept(row: sa.Row[Any]) -> KeptCheck:
    content = row.content or b""
    if sha256(content) != row.record_sha256:
        raise Problem("ledger.changed", number=row.number)
    record = json.loads(content)
    record["inputs"]["calibration"] = {"number": record["inputs"]["calibration"]["number"]}
    return KeptCheck(row.number, row.id, row.signed, row.decision, record)
