"""How signed results stand: approved by whom, or waiting for it; and which entry of the chain speaks of them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Final

import sqlalchemy as sa

from labkit.ledger.canonical import sha256
from labkit.ledger.requests import REQUEST
from labkit.ledger.schema import ENTRY, RESULT, VERSION
from labkit.ledger.store import open_store
from labkit.ledger.waiting import APPROVAL, approved_as, waiting_among

_AT_ONCE: Final = 500
"""Values in one question: a database takes only so many."""


@dataclass(frozen=True)
class Standing:
    """
    Of one result.

    Attributes
    ----------
    approved_by, approved : str
        By whom, and when (UTC, ISO 8601 with Z); empty where nobody has.
    asked : str
        When an approval was asked for that nobody has answered; empty where none was.
    waits : bool
        Whether it is not in force before a second person has signed it.
    """

    approved_by: str = ""
    approved: str = ""
    asked: str = ""
    waits: bool = False


def standings(data: Path, ids: Sequence[str]) -> dict[str, Standing]:
    """How these results stand, by id; those about which nothing was asked or approved are left out."""
    if not ids:
        return {}
    store = open_store(data)
    with store.reading() as connection:
        approved = [
            row
            for start in range(0, len(ids), _AT_ONCE)
            for row in connection.execute(
                sa.select(VERSION.c.subject, VERSION.c.body)
                .where(
                    VERSION.c.laboratory == store.laboratory,
                    VERSION.c.kind == APPROVAL,
                    VERSION.c.subject.in_(ids[start : start + _AT_ONCE]),
                )
                .order_by(VERSION.c.revision)
            )
        ]
        asked = _open_requests(connection, store.laboratory)
        waiting = waiting_among(connection, store.laboratory, ids)
    wanted = set(ids)
    found = {about: Standing(asked=at) for about, at in asked.items() if about in wanted}
    for row in approved:
        body = json.loads(row.body)
        found[row.subject] = Standing(body["by"], body["at"], found.get(row.subject, Standing()).asked)
    for each in waiting:
        found[each] = replace(found.get(each, Standing()), waits=True)
    return found


def known_since(data: Path, pdf: bytes) -> datetime | None:
    """Since when the ledger holds this very file, by its chain; None where it does not."""
    digest = sha256(pdf)
    store = open_store(data)
    with store.reading() as connection:
        row = connection.execute(
            sa.select(sa.func.min(ENTRY.c.at))
            .select_from(RESULT)
            .join(
                ENTRY,
                (ENTRY.c.laboratory == RESULT.c.laboratory)
                & (ENTRY.c.kind == "result")
                & (ENTRY.c.subject == RESULT.c.id),
            )
            .where(RESULT.c.laboratory == store.laboratory, RESULT.c.pdf_sha256 == digest)
        ).scalar()
        if row is None:
            approved = approved_as(connection, store.laboratory, digest)
            row = approved[1] if approved is not None else None
    return None if row is None else datetime.fromisoformat(row)


def entry_of(data: Path, result_id: str) -> int | None:
    """The number of the entry of the chain by which a result was kept; None where there is none."""
    store = open_store(data)
    with store.reading() as connection:
        return connection.execute(
            sa.select(sa.func.min(ENTRY.c.seq)).where(
                ENTRY.c.laboratory == store.laboratory, ENTRY.c.kind == "result", ENTRY.c.subject == result_id
            )
        ).scalar()


def _open_requests(connection: sa.Connection, laboratory: str) -> dict[str, str]:
    """What an approval is asked of that nobody has answered, and since when."""
    later = VERSION.alias("later")
    answered = sa.exists().where(
        later.c.laboratory == VERSION.c.laboratory,
        later.c.kind == VERSION.c.kind,
        later.c.subject == VERSION.c.subject,
        later.c.revision > VERSION.c.revision,
    )
    rows = connection.execute(
        sa.select(VERSION.c.body).where(
            VERSION.c.laboratory == laboratory,
            VERSION.c.kind == REQUEST,
            VERSION.c.body.contains('"state":"asked"', autoescape=True),  # as canonical JSON writes it
            ~answered,
        )
    )
    bodies = [json.loads(row.body) for row in rows]
    return {body["about"]: body["asked"] for body in bodies if body["state"] == "asked"}
