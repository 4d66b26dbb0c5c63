"""Finding signed results among very many."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from labkit.ledger.schema import RESULT
from labkit.ledger.store import open_store


@dataclass(frozen=True)
class Wanted:
    """
    What is looked for; what is empty is not asked.

    Attributes
    ----------
    words : str
        Each of them must occur in the number, rig, gauge, target, shims, people, customer or procedure.
    kind, rig, gauge, target, signer, decision : str
        Exactly.
    since, until : str
        First and last day, ISO dates; UTC.
    """

    words: str = ""
    kind: str = ""
    rig: str = ""
    gauge: str = ""
    target: str = ""
    signer: str = ""
    decision: str = ""
    since: str = ""
    until: str = ""


@dataclass(frozen=True)
class ResultLine:
    """
    One line of the list of signed results.

    Attributes
    ----------
    number, id, kind, rig, gauge, target, signer, customer, decision, says : str
        `says` is the largest U as it was printed.
    signed : str
        UTC, ISO 8601 with Z.
    replaces : str
        The id of the result that it supersedes.
    replaced_by : str
        The number of the result that supersedes this one.
    """

    number: str
    id: str
    kind: str
    rig: str
    gauge: str
    target: str
    signer: str
    customer: str
    decision: str
    says: str
    signed: str
    replaces: str
    replaced_by: str


@dataclass(frozen=True)
class Found:
    """The lines of one page of the list, the newest first, and how many there are in all."""

    lines: tuple[ResultLine, ...]
    total: int


def search(data: Path, wanted: Wanted | None = None, *, limit: int = 50, offset: int = 0) -> Found:
    """
    Signed results that are wanted, the newest first.

    Parameters
    ----------
    data : Path
    wanted : Wanted, optional
        Default: everything.
    limit, offset : int
        Which part of the list.
    """
    store = open_store(data)
    conditions = [RESULT.c.laboratory == store.laboratory, *_conditions(wanted or Wanted())]
    columns = [RESULT.c[name] for name in ResultLine.__dataclass_fields__ if name != "replaced_by"]
    with store.reading() as connection:
        total = connection.execute(sa.select(sa.func.count()).select_from(RESULT).where(*conditions)).scalar_one()
        rows = connection.execute(
            sa.select(*columns).where(*conditions).order_by(RESULT.c.place.desc()).limit(limit).offset(offset)
        ).all()
        later = connection.execute(
            sa.select(RESULT.c.replaces, RESULT.c.number).where(
                RESULT.c.laboratory == store.laboratory, RESULT.c.replaces.in_([row.id for row in rows])
            )
        )
        replaced_by: dict[str, str] = {row.replaces: row.number for row in later}
    return Found(tuple(ResultLine(*tuple(row), replaced_by.get(row.id, "")) for row in rows), total)


def _conditions(wanted: Wanted) -> list[sa.ColumnElement[bool]]:
    found: list[sa.ColumnElement[bool]] = []
    for name in ("kind", "rig", "gauge", "target", "signer", "decision"):
        value: Any = getattr(wanted, name)
        if value:
            found.append(RESULT.c[name] == value)
    for word in wanted.words.casefold().split():
        found.append(RESULT.c.words.contains(word, autoescape=True))
    if wanted.since:
        found.append(RESULT.c.signed >= wanted.since)
    if wanted.until:
        found.append(RESULT.c.signed < f"{wanted.until}~")  # after every time of that day
    return found
