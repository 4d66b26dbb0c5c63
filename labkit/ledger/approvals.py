"""Approving a certificate: an entry of the ledger, and where the laboratory wants it a second signature in the file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from labkit.ledger.chain import Writer, writing
from labkit.ledger.files import checked_id, new_id
from labkit.ledger.keeping import PDF, keep_file, kept_file
from labkit.ledger.people import Actor
from labkit.ledger.requests import Request, answer_request, open_request, put_request
from labkit.ledger.schema import RESULT
from labkit.ledger.store import open_store
from labkit.ledger.versions import newest, put
from labkit.ledger.waiting import APPROVAL, TO_APPROVE, Signing, signing_of, waits
from labkit.problems import BadInput, Problem

SignAgain = Callable[[bytes, Signing], bytes]
"""From the signed file, and what the laboratory wants, to the file with the second signature."""


@dataclass(frozen=True)
class Approval:
    """
    That a certificate was read and approved.

    Attributes
    ----------
    about, number : str
        The certificate's id and number.
    by, at : str
        By whom and when (UTC, ISO 8601 with Z).
    note : str
    pdf_sha256 : str
        SHA-256 of the file with the second signature; empty where the laboratory wants none.
    """

    about: str
    number: str
    by: str
    at: str
    note: str = ""
    pdf_sha256: str = ""


def approve(data: Path, result_id: str, who: Actor, note: str = "", sign: SignAgain | None = None) -> Approval:
    """
    Approve a certificate: an entry of the ledger, with who and when.

    Parameters
    ----------
    data : Path
    result_id : str
    who : Actor
    note : str
    sign : callable, optional
        Puts the second signature on a certificate that has a place for it. What it gives is kept beside the first
        file, which stays as it is, and handed out from then on. If it raises, nothing is approved.

    Raises
    ------
    BadInput
        ``request.not_signed``: there is no certificate yet. ``request.approved_already``. ``request.signature``: it is
        approved with a signature. ``request.other_file``: what `sign` gave is not the same certificate.
    Problem
        ``door.…``: not allowed. ``request.own``: whoever signed it cannot approve it. ``ledger.changed``.
    """
    with writing(data, who) as writer:
        who.must("approve")
        row = writer.connection.execute(
            sa.select(RESULT.c.number, RESULT.c.signer, RESULT.c.pdf_sha256).where(
                RESULT.c.laboratory == writer.laboratory, RESULT.c.id == checked_id(result_id)
            )
        ).first()
        if row is None:
            raise BadInput("request.not_signed")
        if row.signer == who.name:
            raise Problem("request.own", number=row.number)
        before = newest(writer.connection, writer.laboratory, APPROVAL, result_id)
        if before is not None:
            raise BadInput("request.approved_already", number=row.number, by=before.body["by"])
        digest = _signed_again(writer, row, sign) if waits(writer.connection, writer.laboratory, result_id) else ""
        made = Approval(result_id, row.number, who.name, writer.now(), note, digest)
        put(writer, APPROVAL, result_id, asdict(made), "approved", note)
        request = open_request(writer, result_id)
        if request is not None:
            answer_request(writer, request, "approved", note)
        return made


def approval_of(data: Path, result_id: str) -> Approval | None:
    """Who approved a certificate and when; None where nobody has."""
    store = open_store(data)
    with store.reading() as connection:
        found = newest(connection, store.laboratory, APPROVAL, result_id)
    return Approval(**found.body) if found is not None else None


def waits_for_signature(data: Path, result_id: str) -> bool:
    """Whether a certificate is approved with a signature, and has not been."""
    store = open_store(data)
    with store.reading() as connection:
        return waits(connection, store.laboratory, result_id)


def ask_to_approve(writer: Writer, row: Mapping[str, Any]) -> None:
    """Within the transaction that keeps a certificate: it waits for a second person, and whoever may is asked."""
    put(writer, TO_APPROVE, row["id"], {"number": row["number"]}, "to be approved")
    if open_request(writer, row["id"]) is None:
        put_request(writer, Request(new_id(), row["id"], "", row["says"], writer.who.name, writer.now()), "asked")


def _signed_again(writer: Writer, row: Any, sign: SignAgain | None) -> str:
    """The hash of the file with the second signature, which is kept."""
    if sign is None:
        raise BadInput("request.signature", number=row.number)
    first = kept_file(writer.connection, writer.laboratory, row.pdf_sha256)
    if first is None:
        raise Problem("ledger.changed", number=row.number)
    approved = sign(first, signing_of(writer.connection, writer.laboratory))
    if len(approved) <= len(first) or not approved.startswith(first):
        raise BadInput("request.other_file", number=row.number)
    return keep_file(writer, PDF, approved)
