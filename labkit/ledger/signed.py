"""Signed results: numbered per laboratory inside the transaction that keeps them, each with its PDF and its hashes."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from labkit.ledger.approvals import ask_to_approve
from labkit.ledger.canonical import canonical, sha256
from labkit.ledger.chain import Head, Writer, writing
from labkit.ledger.drafts import write_draft
from labkit.ledger.files import checked_id, checked_number, new_id
from labkit.ledger.force import row_in_force
from labkit.ledger.keeping import JSON, PDF, keep_file
from labkit.ledger.leans import Lean, leans_of
from labkit.ledger.live import let_go_of_all
from labkit.ledger.numbering import next_number, take_number
from labkit.ledger.people import Actor
from labkit.ledger.requests import signed_by
from labkit.ledger.schema import DRAFT, FILE, LEAN, RESULT
from labkit.ledger.store import open_store
from labkit.ledger.versions import newest
from labkit.ledger.waiting import approved_file, signing_of
from labkit.problems import BadInput, Problem


@dataclass(frozen=True)
class Place:
    """
    What a certificate is given in the moment of signing.

    Attributes
    ----------
    number : str
        The printed number, such as ``0119``; a check is numbered after its certificate, such as ``0094-09``.
    head : Head
        The chain up to the entry before this certificate's own: it witnesses the ledger up to its day.
    to_approve : bool
        Whether another person is to sign it too.
    timestamps : str
        The address of a timestamp authority; empty where the laboratory asks none.
    withdrawn : frozenset of str
        Fingerprints of signing certificates with which nothing is signed any more.
    """

    number: str
    head: Head
    to_approve: bool = False
    timestamps: str = ""
    withdrawn: frozenset[str] = frozenset()


MakePdf = Callable[[Place], bytes]

APPROVED_KIND: Final = "calibration"
"""What a second person signs, where the laboratory wants it: certificates, and not the checks between them."""


@dataclass(frozen=True)
class Entry:
    """
    One signed result as it is kept.

    Attributes
    ----------
    number : str
        The printed number, such as ``0119``.
    id : str
        UUIDv7, for life.
    kind : str
        "calibration", "check", "parts" or "study".
    rig : str
        The name of the rig that it is about.
    kept : str
        When it was signed and kept: UTC, ISO 8601 with Z.
    signer : str
    record : mapping
        What was signed, as data.
    pdf : bytes
        The certificate as it is handed out: with the second signature, once it has that.
    head : Head
        The chain before its own entry.
    replaces, reason : str
        The id of the result that it replaces, and why; empty where it replaces none.
    first_pdf : bytes
        The certificate as it was before it was approved with a signature; empty where it was not.
    """

    number: str
    id: str
    kind: str
    rig: str
    kept: str
    signer: str
    record: Mapping[str, Any]
    pdf: bytes
    head: Head
    replaces: str = ""
    reason: str = ""
    first_pdf: bytes = b""


def sign_and_keep(
    data: Path,
    record: Mapping[str, Any],
    make_pdf: MakePdf,
    who: Actor,
    *,
    replaces: str = "",
    reason: str = "",
) -> Entry:
    """
    Give a record the next number, have its signed PDF made, and keep both.

    Parameters
    ----------
    data : Path
        The data folder of the laboratory.
    record : mapping
        JSON without NaN. Its ``id`` is used where it has one; a draft of this id is signed with it.
    make_pdf : callable
        Takes the `Place`, returns the signed PDF. It is called while nobody else can take a number; if it raises,
        the number is not used and nothing is kept.
    who : Actor
        Who signs.
    replaces, reason : str, optional
        The number or id of the result that this one supersedes, and why; who amends must be allowed to.

    Returns
    -------
    Entry

    Raises
    ------
    BadInput
        ``ledger.kept_already``: a record of this id is in the ledger. About the certificate of a check: see
        `labkit.ledger.numbering.next_number`. ``ledger.replaced_already``,
        ``ledger.not_found``, ``register.no_reason``: about what it should replace.
    Problem
        ``door.…``: the person may not amend.
    """
    with writing(data, who) as writer:
        result_id = checked_id(record["id"]) if record.get("id") else new_id()
        kept = writer.connection.execute(_one(writer.laboratory, id=result_id)).first()
        if kept is not None:
            raise BadInput("ledger.kept_already", number=kept.number)
        replaced = _replaced(writer, replaces, reason) if replaces else ""
        kind, wants = result_kind(record), signing_of(writer.connection, writer.laboratory)
        number = next_number(writer, kind, record)
        to_approve = wants.approval and kind == APPROVED_KIND
        place = Place(number, writer.head, to_approve, wants.timestamps, wants.withdrawn)
        pdf = make_pdf(place)
        row = keep_result(writer, record, pdf, place.number, result_id, who.name, replaces=replaced, reason=reason)
        if place.to_approve:
            ask_to_approve(writer, row)
    return _entry(row, json.loads(canonical(record)), pdf)


def keep_result(
    writer: Writer,
    record: Mapping[str, Any],
    pdf: bytes,
    number: str,
    result_id: str,
    signer: str,
    signed: str = "",
    *,
    replaces: str = "",
    reason: str = "",
) -> dict[str, Any]:
    """Write a result under its number, and its entry; the row. `signed` is the time, default now."""
    place = take_number(writer, result_kind(record), number)
    row = _described(record, number, signer) | {
        "id": result_id,
        "number": number,
        "place": place,
        "signer": signer,
        "signed": signed or writer.now(),
        "replaces": replaces,
        "reason": reason,
        "record_sha256": keep_file(writer, JSON, canonical(record).encode()),
        "pdf_sha256": keep_file(writer, PDF, pdf),
        "head": writer.head.entries,
        "head_hash": writer.head.hash,
    }
    writer.connection.execute(sa.insert(RESULT), {"laboratory": writer.laboratory, **row})
    leans = [_lean_row(writer, result_id, lean) for lean in leans_of(record)]
    if leans:
        writer.connection.execute(sa.insert(LEAN), [{"laboratory": writer.laboratory, **each} for each in leans])
    writer.enter("signed" if not signed else "brought in", "result", result_id, 1, result_row(row, leans), reason)
    _finish_draft(writer, result_id, number)
    let_go_of_all(writer, result_id)
    signed_by(writer, result_id)
    return row


def find(data: Path, number_or_id: str) -> Entry:
    """
    The signed result with this printed number or this id.

    Raises
    ------
    BadInput
        ``ledger.not_found``, or ``ledger.bad_id`` where the text is neither.
    Problem
        ``ledger.changed`` where it is not what was signed.
    """
    number = checked_number(number_or_id)
    store = open_store(data)
    wanted = {"number": number} if number is not None else {"id": checked_id(number_or_id)}
    with store.reading() as connection:
        row = connection.execute(_one(store.laboratory, **wanted)).first()
        if row is None:
            raise BadInput("ledger.not_found", wanted=number or number_or_id)
        return _loaded(connection, store.laboratory, row)


def in_force(data: Path, rig_name: str, before: str = "") -> Entry | None:
    """
    The calibration in force for the rig `rig_name`, or None where there is none.

    With `before`, the number of a certificate: the one that was in force when that was signed.
    """
    store = open_store(data)
    with store.reading() as connection:
        place = 0
        if before:
            place = connection.execute(_one(store.laboratory, number=before)).one().place
        row = row_in_force(connection, store.laboratory, rig_name, place)
        return _loaded(connection, store.laboratory, row) if row is not None else None


def record_sha256(record: Mapping[str, Any]) -> str:
    """
    SHA-256 of a record, in hexadecimal, over its canonical JSON.

    References
    ----------
    RFC 8785, JSON Canonicalization Scheme.
    """
    return sha256(canonical(record))


def result_row(row: Mapping[str, Any], leans: list[dict[str, Any]]) -> dict[str, Any]:
    """What the entry of a result is a digest of: its row, and what it leans on."""
    return {**row, "leans": sorted(([each[key] for key in sorted(each)] for each in leans), key=str)}


def result_kind(record: Mapping[str, Any]) -> str:
    """The kind of a record, from its schema: ``labkit.calibration/1`` gives "calibration"."""
    return str(record.get("schema") or "").removeprefix("labkit.").partition("/")[0] or "calibration"


def _described(record: Mapping[str, Any], *more: str) -> dict[str, Any]:
    """The columns by which a result is found, `more` words among them."""
    inputs, results = record.get("inputs") or {}, record.get("results") or {}
    about = inputs.get("about") or {}
    rig = about.get("rig") or {}
    customer = about.get("customer") or {}
    target = rig.get("target") or {}
    found = {
        "kind": result_kind(record),
        "rig": str(rig.get("name") or ""),
        "gauge": str((rig.get("gauge") or {}).get("name") or ""),
        "target": str(target.get("kind") or target.get("name") or ""),
        "customer": str(customer.get("name") or ""),
        "decision": str(results.get("verdict") or ""),
        "says": str((record.get("printed") or {}).get("largest_U") or ""),
    }
    names = (
        {lean.subject for lean in leans_of(record)} | set(found.values()) | {str(about.get("procedure") or ""), *more}
    )
    return found | {"words": "\n".join(sorted(each.casefold() for each in names if each))}


def _lean_row(writer: Writer, result_id: str, lean: Lean) -> dict[str, Any]:
    registered = newest(writer.connection, writer.laboratory, lean.kind, lean.subject)
    return {
        "result": result_id,
        "kind": lean.kind,
        "subject": lean.subject,
        "revision": registered.revision if registered is not None else 0,
        "detail": lean.detail,
    }


def _replaced(writer: Writer, wanted: str, reason: str) -> str:
    """The id of the result that is to be superseded."""
    writer.who.must("amend")
    if not reason.strip():
        raise BadInput("register.no_reason", name=wanted)
    number = checked_number(wanted)
    key = {"number": number} if number is not None else {"id": checked_id(wanted)}
    row = writer.connection.execute(_one(writer.laboratory, **key)).first()
    if row is None:
        raise BadInput("ledger.not_found", wanted=wanted)
    by = writer.connection.execute(
        sa.select(RESULT.c.number).where(RESULT.c.laboratory == writer.laboratory, RESULT.c.replaces == row.id)
    ).scalar()
    if by is not None:
        raise BadInput("ledger.replaced_already", number=row.number, by=by)
    return str(row.id)


def _finish_draft(writer: Writer, draft_id: str, number: str) -> None:
    """The draft of a result has its number from the same moment on."""
    row = writer.connection.execute(
        sa.select(DRAFT).where(DRAFT.c.laboratory == writer.laboratory, DRAFT.c.id == draft_id)
    ).first()
    if row is not None and row.number != number:
        draft = {**json.loads(row.body), "revision": row.revision + 1, "number": number}
        write_draft(writer, draft, "finished")


def _one(laboratory: str, **key: str) -> sa.Select[Any]:
    conditions = [RESULT.c[name] == value for name, value in key.items()]
    return sa.select(RESULT).where(RESULT.c.laboratory == laboratory, *conditions)


def _loaded(connection: sa.Connection, laboratory: str, row: sa.Row[Any]) -> Entry:
    approved = approved_file(connection, laboratory, row.id)
    wanted = [row.record_sha256, row.pdf_sha256, *([approved] if approved else [])]
    files = {
        found.sha256: found.content
        for found in connection.execute(
            sa.select(FILE.c.sha256, FILE.c.content).where(FILE.c.laboratory == laboratory, FILE.c.sha256.in_(wanted))
        )
    }
    if any(sha256(files.get(each, b"")) != each for each in wanted):
        raise Problem("ledger.changed", number=row.number)
    return _entry(
        {str(key): value for key, value in row._mapping.items()},
        json.loads(files[row.record_sha256]),
        files[approved or row.pdf_sha256],
        files[row.pdf_sha256] if approved else b"",
    )


def _entry(row: Mapping[str, Any], record: Mapping[str, Any], pdf: bytes, first_pdf: bytes = b"") -> Entry:
    return Entry(
        row["number"],
        row["id"],
        row["kind"],
        row["rig"],
        row["signed"],
        row["signer"],
        record,
        pdf,
        Head(row["head"], row["head_hash"]),
        row["replaces"],
        row["reason"],
        first_pdf,
    )
