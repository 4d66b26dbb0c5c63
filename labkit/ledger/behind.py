"""What stands behind a signed result, for an auditor: as it was registered on the day, from the ledger alone."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from labkit.ledger.approvals import Approval
from labkit.ledger.canonical import sha256
from labkit.ledger.chain import ENTRY_KEYS
from labkit.ledger.instrument_certificates import INSTRUMENT_CERTIFICATE, InstrumentCertificate, certificate_behind
from labkit.ledger.requests import REQUEST
from labkit.ledger.schema import ENTRY, FILE, LEAN, VERSION
from labkit.ledger.search import replaced_by
from labkit.ledger.shim_certificates import SHIM_CERTIFICATE
from labkit.ledger.signed import Entry, find
from labkit.ledger.store import Store, open_store
from labkit.ledger.versions import Version, current, newest
from labkit.ledger.waiting import APPROVAL, TO_APPROVE

ENTRY_COLUMNS: Final = (*ENTRY_KEYS[1:], "hash")
"""What is handed out of an entry of the chain: all of it but the laboratory's id."""


_STATE: Final = ("revision", "at", "who", "body")


@dataclass(frozen=True)
class LeanedOn:
    """
    One thing that a result leaned on.

    Attributes
    ----------
    kind, subject : str
    said : mapping
        What the record says of it.
    registered : Version or None
        As it was registered when the result was signed; None where it was not.
    certificate : bytes or None
        The PDF of the certificate of a shim or an instrument; None where none was handed in, or it is not what was
        handed in.
    stands_on : InstrumentCertificate or None
        The certificate of an instrument that says the date which the record names; None where none is registered.
    """

    kind: str
    subject: str
    said: Mapping[str, Any]
    registered: Version | None
    certificate: bytes | None = None
    stands_on: InstrumentCertificate | None = None


@dataclass(frozen=True)
class Behind:
    """
    Everything behind one result.

    Attributes
    ----------
    entry : Entry
    laboratory : str
        Its id, which is part of what an entry's hash is taken over.
    replaces, replaced_by : str
        Numbers of results; empty where there is none.
    leans : tuple of LeanedOn
    people : tuple of Version
        Everybody who was registered when it was signed, in the role that they had then.
    approval : Approval or None
    entries : tuple of mapping
        The entries of the chain about the result, its draft, what was asked about it and what it leaned on, with the
        keys `ENTRY_COLUMNS`, in the order of the chain.
    """

    entry: Entry
    laboratory: str
    replaces: str
    replaced_by: str
    leans: tuple[LeanedOn, ...]
    people: tuple[Version, ...]
    approval: Approval | None
    entries: tuple[Mapping[str, Any], ...]


def behind(data: Path, number_or_id: str) -> Behind:
    """
    Everything that the ledger knows about a signed result.

    Raises
    ------
    BadInput, Problem
        As `find`.
    """
    entry = find(data, number_or_id)
    store = open_store(data)
    with store.reading() as connection:
        leans = _leans(connection, store, entry)
        people = tuple(state_at(connection, store.laboratory, "person", entry.kept))
        approved = newest(connection, store.laboratory, APPROVAL, entry.id)
        about = [(kind, entry.id) for kind in ("result", "draft", TO_APPROVE, APPROVAL)]
        about += _requests(connection, store, entry)
        states = [*(each.registered for each in leans if each.registered is not None), *people]
        wanted = [[ENTRY.c.kind == kind, ENTRY.c.subject == subject] for kind, subject in about]
        wanted += [
            [ENTRY.c.kind == each.kind, ENTRY.c.subject == each.subject, ENTRY.c.revision == each.revision]
            for each in states
        ]
        entries = _entries(connection, store, wanted)
    replaces = find(data, entry.replaces).number if entry.replaces else ""
    return Behind(
        entry,
        store.laboratory,
        replaces,
        replaced_by(data, (entry.id,)).get(entry.id, ""),
        leans,
        people,
        Approval(**approved.body) if approved is not None else None,
        entries,
    )


def state_at(connection: sa.Connection, laboratory: str, kind: str, at: str) -> list[Version]:
    """Everything of a kind as it was registered at a time (UTC, ISO 8601 with Z), by name."""
    newest_then = (
        sa.select(VERSION.c.subject, sa.func.max(VERSION.c.revision).label("revision"))
        .where(VERSION.c.laboratory == laboratory, VERSION.c.kind == kind, VERSION.c.at <= at)
        .group_by(VERSION.c.subject)
        .subquery()
    )
    rows = connection.execute(
        sa.select(VERSION)
        .join(
            newest_then,
            (VERSION.c.subject == newest_then.c.subject) & (VERSION.c.revision == newest_then.c.revision),
        )
        .where(VERSION.c.laboratory == laboratory, VERSION.c.kind == kind)
        .order_by(VERSION.c.subject)
    )
    return [Version(row.kind, row.subject, row.revision, row.at, row.who, json.loads(row.body)) for row in rows]


def _leans(connection: sa.Connection, store: Store, entry: Entry) -> tuple[LeanedOn, ...]:
    rows = connection.execute(
        sa.select(LEAN.c.kind, LEAN.c.subject, LEAN.c.detail, *(VERSION.c[name] for name in _STATE))
        .join(
            VERSION,
            (VERSION.c.laboratory == LEAN.c.laboratory)
            & (VERSION.c.kind == LEAN.c.kind)
            & (VERSION.c.subject == LEAN.c.subject)
            & (VERSION.c.revision == LEAN.c.revision),
            isouter=True,
        )
        .where(LEAN.c.laboratory == store.laboratory, LEAN.c.result == entry.id)
        .order_by(LEAN.c.kind, LEAN.c.subject)
    ).all()
    found = []
    for row in rows:
        (kind, subject, detail), (revision, at, who, body) = row[:3], row[3:]
        said = json.loads(detail)
        registered = Version(kind, subject, revision, at, who, json.loads(body)) if body is not None else None
        pdf = _shim_certificate(connection, store, subject, said) if kind == "shim" else None
        stands_on = None
        if kind == "instrument":
            certificates = current(connection, store.laboratory, (INSTRUMENT_CERTIFICATE,))
            stands_on = certificate_behind(certificates, subject, str(said.get("due") or ""), entry.kept)
            pdf = _pdf(connection, store, stands_on.sha256) if stands_on is not None else None
        found.append(LeanedOn(kind, subject, said, registered, pdf, stands_on))
    return tuple(found)


def _shim_certificate(connection: sa.Connection, store: Store, shim: str, said: Mapping[str, Any]) -> bytes | None:
    """The PDF of the certificate that the record names for a shim."""
    kept = newest(connection, store.laboratory, SHIM_CERTIFICATE, f"{shim}/{said.get('certificate', '')}")
    return _pdf(connection, store, kept.body["sha256"]) if kept is not None else None


def _pdf(connection: sa.Connection, store: Store, digest: str) -> bytes | None:
    content: Any = connection.execute(
        sa.select(FILE.c.content).where(FILE.c.laboratory == store.laboratory, FILE.c.sha256 == digest)
    ).scalar()
    return bytes(content) if content is not None and sha256(content) == digest else None


def _requests(connection: sa.Connection, store: Store, entry: Entry) -> list[tuple[str, str]]:
    subjects = connection.execute(
        sa.select(VERSION.c.subject)
        .where(
            VERSION.c.laboratory == store.laboratory,
            VERSION.c.kind == REQUEST,
            # a body is canonical JSON: this is how it writes the key
            VERSION.c.body.contains(f'"about":"{entry.id}"', autoescape=True),
        )
        .distinct()
    ).scalars()
    return [(REQUEST, subject) for subject in subjects]


def _entries(
    connection: sa.Connection, store: Store, wanted: Iterable[list[sa.ColumnElement[bool]]]
) -> tuple[Mapping[str, Any], ...]:
    """The entries that any of the conditions names, each once, in the order of the chain."""
    columns = [ENTRY.c[key] for key in ENTRY_COLUMNS]
    found: dict[int, Mapping[str, Any]] = {}
    for conditions in wanted:
        rows = connection.execute(sa.select(*columns).where(ENTRY.c.laboratory == store.laboratory, *conditions))
        found |= {row.seq: dict(zip(ENTRY_COLUMNS, row, strict=True)) for row in rows}
    return tuple(found[seq] for seq in sorted(found))
