"""Finding signed results among very many."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from labkit.ledger.canonical import sha256
from labkit.ledger.schema import RESULT
from labkit.ledger.store import open_store
from labkit.ledger.waiting import approved_as

_AT_ONCE: Final = 500
"""Values in one question: a database takes only so many."""


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
        First and last day, ISO dates.
    zone : str
        The IANA zone in which the days begin and end.
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
    zone: str = "UTC"


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
    # two steps: SQLite looks for places in an index that holds all that is asked for, a third as wide as the rows
    places = sa.select(RESULT.c.place).where(*conditions).order_by(RESULT.c.place.desc()).limit(limit).offset(offset)
    with store.reading() as connection:
        found = connection.execute(places).scalars().all()
        if 0 < len(found) < limit or not (found or offset):
            total = offset + len(found)
        else:
            total = connection.execute(sa.select(sa.func.count()).select_from(RESULT).where(*conditions)).scalar_one()
        rows = [
            row
            for start in range(0, len(found), _AT_ONCE)
            for row in connection.execute(
                sa.select(*columns)
                .where(RESULT.c.laboratory == store.laboratory, RESULT.c.place.in_(found[start : start + _AT_ONCE]))
                .order_by(RESULT.c.place.desc())
            )
        ]
        later = _replaced_by(connection, store.laboratory, [row.id for row in rows])
    return Found(tuple(_line(row, later) for row in rows), total)


def known_pdf(data: Path, pdf: bytes) -> ResultLine | None:
    """The result whose certificate is this very file, byte by byte; None where there is none."""
    store = open_store(data)
    columns = [RESULT.c[name] for name in ResultLine.__dataclass_fields__ if name != "replaced_by"]
    with store.reading() as connection:
        digest = sha256(pdf)
        approved = approved_as(connection, store.laboratory, digest)
        this = RESULT.c.pdf_sha256 == digest if approved is None else RESULT.c.id == approved[0]
        row = connection.execute(sa.select(*columns).where(RESULT.c.laboratory == store.laboratory, this)).first()
        if row is None:
            return None
        return _line(row, _replaced_by(connection, store.laboratory, [row.id]))


def replaced_by(data: Path, ids: Sequence[str]) -> dict[str, str]:
    """Which of these results were superseded: the number of what supersedes each, by the id of the result."""
    store = open_store(data)
    with store.reading() as connection:
        return _replaced_by(connection, store.laboratory, ids)


def numbers_of(data: Path, ids: Sequence[str]) -> dict[str, str]:
    """The numbers of results, by id."""
    store = open_store(data)
    found: dict[str, str] = {}
    with store.reading() as connection:
        for start in range(0, len(ids), _AT_ONCE):
            rows = connection.execute(
                sa.select(RESULT.c.id, RESULT.c.number).where(
                    RESULT.c.laboratory == store.laboratory, RESULT.c.id.in_(ids[start : start + _AT_ONCE])
                )
            )
            found |= {row.id: row.number for row in rows}
    return found


def _line(row: sa.Row[Any], later: Mapping[str, str]) -> ResultLine:
    return ResultLine(**{str(key): value for key, value in row._mapping.items()}, replaced_by=later.get(row.id, ""))


def _replaced_by(connection: sa.Connection, laboratory: str, ids: Sequence[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for start in range(0, len(ids), _AT_ONCE):
        rows = connection.execute(
            sa.select(RESULT.c.replaces, RESULT.c.number).where(
                RESULT.c.laboratory == laboratory, RESULT.c.replaces.in_(ids[start : start + _AT_ONCE])
            )
        )
        found |= {row.replaces: row.number for row in rows}
    return found


def _conditions(wanted: Wanted) -> list[sa.ColumnElement[bool]]:
    found: list[sa.ColumnElement[bool]] = []
    for name in ("kind", "rig", "gauge", "target", "signer", "decision"):
        value: Any = getattr(wanted, name)
        if value:
            found.append(RESULT.c[name] == value)
    for word in wanted.words.casefold().split():
        found.append(RESULT.c.words.contains(word, autoescape=True))
    if wanted.since:
        found.append(RESULT.c.signed >= _midnight(wanted.since, wanted.zone))
    if wanted.until:
        found.append(RESULT.c.signed < _midnight(wanted.until, wanted.zone, days=1))
    return found


def _midnight(day: str, zone: str, days: int = 0) -> str:
    """The beginning of a day in a zone, as it compares with times in UTC of whatever precision."""
    local = datetime.combine(date.fromisoformat(day) + timedelta(days=days), time(), ZoneInfo(zone))
    return local.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S")
