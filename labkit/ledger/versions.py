"""Registered things: each state of each is a row that stays; the one with the highest revision holds."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from labkit.ledger.canonical import canonical
from labkit.ledger.chain import Writer
from labkit.ledger.schema import VERSION


@dataclass(frozen=True)
class Version:
    """
    One state of one registered thing.

    Attributes
    ----------
    kind : str
        "person", "gauge", "rig", "shim", …; see `labkit.ledger.bench_rows`.
    subject : str
        Its name, unique among its kind and never given to another.
    revision : int
        Counted from 1.
    at, who : str
        When (UTC, ISO 8601 with Z) and by whom.
    body : mapping
        What is registered, as JSON.
    """

    kind: str
    subject: str
    revision: int
    at: str
    who: str
    body: Mapping[str, Any]


def current(connection: sa.Connection, laboratory: str, kinds: Iterable[str] = (), subject: str = "") -> list[Version]:
    """The states that hold, of the kinds asked for (default all), in the order in which they were first registered."""
    newest = (
        sa.select(VERSION.c.kind, VERSION.c.subject, sa.func.max(VERSION.c.revision).label("revision"))
        .where(VERSION.c.laboratory == laboratory, *_among(kinds, subject))
        .group_by(VERSION.c.kind, VERSION.c.subject)
        .subquery()
    )
    rows = connection.execute(
        sa.select(VERSION)
        .join(
            newest,
            (VERSION.c.kind == newest.c.kind)
            & (VERSION.c.subject == newest.c.subject)
            & (VERSION.c.revision == newest.c.revision),
        )
        .where(VERSION.c.laboratory == laboratory, *_among(kinds, subject))  # again: or all versions are walked
        .order_by(VERSION.c.kind, VERSION.c.subject)
    )
    return [_version(row) for row in rows]


def history(connection: sa.Connection, laboratory: str, kind: str, subject: str) -> list[Version]:
    """Every state of one thing, the first one first."""
    rows = connection.execute(
        sa.select(VERSION)
        .where(VERSION.c.laboratory == laboratory, VERSION.c.kind == kind, VERSION.c.subject == subject)
        .order_by(VERSION.c.revision)
    )
    return [_version(row) for row in rows]


def newest(connection: sa.Connection, laboratory: str, kind: str, subject: str) -> Version | None:
    """The state of one thing that holds, or None where it was never registered."""
    row = connection.execute(
        sa.select(VERSION)
        .where(VERSION.c.laboratory == laboratory, VERSION.c.kind == kind, VERSION.c.subject == subject)
        .order_by(VERSION.c.revision.desc())
        .limit(1)
    ).first()
    return _version(row) if row is not None else None


def put(writer: Writer, kind: str, subject: str, body: Mapping[str, Any], what: str = "", why: str = "") -> int:
    """
    Write the next state of a thing, and its entry.

    Parameters
    ----------
    writer : Writer
    kind, subject : str
    body : mapping
        JSON without NaN.
    what : str
        For the entry; default "registered", and "changed" from the second state on.
    why : str

    Returns
    -------
    int
        Its revision. Where nothing differs from the state that holds, that one's, and nothing is written.
    """
    text = canonical(body)
    before = newest(writer.connection, writer.laboratory, kind, subject)
    if before is not None and canonical(before.body) == text:
        return before.revision
    revision = before.revision + 1 if before is not None else 1
    row: dict[str, Any] = {
        "kind": kind,
        "subject": subject,
        "revision": revision,
        "at": writer.now(),
        "who": writer.who.name,
        "body": text,
    }
    writer.connection.execute(sa.insert(VERSION), {"laboratory": writer.laboratory, **row})
    writer.enter(what or ("changed" if before else "registered"), kind, subject, revision, row, why)
    return revision


def _among(kinds: Iterable[str], subject: str) -> list[sa.ColumnElement[bool]]:
    found: list[sa.ColumnElement[bool]] = []
    wanted = list(kinds)
    if wanted:
        found.append(VERSION.c.kind.in_(wanted))
    if subject:
        found.append(VERSION.c.subject == subject)
    return found


def _version(row: sa.Row[Any]) -> Version:
    return Version(row.kind, row.subject, row.revision, row.at, row.who, json.loads(row.body))
