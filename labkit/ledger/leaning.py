"""Which results leaned on a thing: for the day on which a shim or a gauge turns out wrong."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from labkit.ledger.schema import LEAN, RESULT
from labkit.ledger.search import replaced_by
from labkit.ledger.store import open_store


@dataclass(frozen=True)
class Leaning:
    """
    One result that leaned on a thing.

    Attributes
    ----------
    number, id, kind, rig, signed, decision, says, replaced_by : str
        As in `labkit.ledger.search.ResultLine`.
    revision : int
        Of the thing, as it was registered then; 0 where it was not.
    said : mapping
        What the record says of the thing.
    """

    number: str
    id: str
    kind: str
    rig: str
    signed: str
    decision: str
    says: str
    replaced_by: str
    revision: int
    said: Mapping[str, Any]


def leaning_on(data: Path, kind: str, subject: str, *, limit: int = 50, offset: int = 0) -> tuple[list[Leaning], int]:
    """
    The results that leaned on a thing of the register, the newest first; and how many there are in all.

    Parameters
    ----------
    data : Path
    kind, subject : str
        As the register names it: a shim is ``SET/SHIM``.
    limit, offset : int
        Which part of the list.
    """
    store = open_store(data)
    mine = [LEAN.c.laboratory == store.laboratory, LEAN.c.kind == kind, LEAN.c.subject == subject]
    with store.reading() as connection:
        total = connection.execute(sa.select(sa.func.count()).select_from(LEAN).where(*mine)).scalar_one()
        names = ("number", "id", "kind", "rig", "signed", "decision", "says")
        rows = connection.execute(
            sa.select(*(RESULT.c[name] for name in names), LEAN.c.revision, LEAN.c.detail)
            .join(LEAN, (LEAN.c.laboratory == RESULT.c.laboratory) & (LEAN.c.result == RESULT.c.id))
            .where(*mine)
            .order_by(RESULT.c.place.desc())
            .limit(limit)
            .offset(offset)
        ).all()
    later = replaced_by(data, [row.id for row in rows])
    return [Leaning(*row[:7], later.get(row.id, ""), row.revision, json.loads(row.detail)) for row in rows], total
