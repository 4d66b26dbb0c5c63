"""Certificates that are to be approved: which wait for it, which have been, and the file that was signed twice."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import sqlalchemy as sa

from labkit.ledger.schema import VERSION
from labkit.ledger.versions import newest
from labkit.ledger.withdrawals import withdrawn_signers

APPROVAL: Final = "approval"
"""That a certificate was approved, by its id; with the file that was signed for it, where there is one."""

TO_APPROVE: Final = "to approve"
"""That a certificate has a place for a second signature, by its id: until that is there, it is not in force."""

_AT_ONCE: Final = 500


@dataclass(frozen=True)
class Signing:
    """
    What a laboratory wants of its signatures.

    Attributes
    ----------
    approval : bool
        Whether a second person signs a certificate.
    timestamps : str
        The address of a timestamp authority; empty where none is asked.
    withdrawn : frozenset of str
        Fingerprints of signing certificates with which nothing is signed any more.
    """

    approval: bool = False
    timestamps: str = ""
    withdrawn: frozenset[str] = frozenset()


def signing_of(connection: sa.Connection, laboratory: str) -> Signing:
    """What the laboratory wants now."""
    found = newest(connection, laboratory, "laboratory", "laboratory")
    body = found.body if found is not None else {}
    withdrawn = withdrawn_signers(connection, laboratory)
    return Signing(bool(body.get("approval")), str(body.get("timestamps") or ""), withdrawn)


def waiting_among(connection: sa.Connection, laboratory: str, ids: Iterable[str], until: str = "") -> set[str]:
    """Which of these results wait for a second signature; with `until`, which did at that time."""
    wanted = list(ids)
    asked: set[str] = set()
    approved: set[str] = set()
    for start in range(0, len(wanted), _AT_ONCE):
        for row in connection.execute(
            sa.select(VERSION.c.kind, VERSION.c.subject, VERSION.c.at).where(
                VERSION.c.laboratory == laboratory,
                VERSION.c.kind.in_((APPROVAL, TO_APPROVE)),
                VERSION.c.subject.in_(wanted[start : start + _AT_ONCE]),
            )
        ):
            if row.kind == TO_APPROVE:
                asked.add(row.subject)
            elif not until or row.at <= until:
                approved.add(row.subject)
    return asked - approved


def waits(connection: sa.Connection, laboratory: str, result_id: str) -> bool:
    """Whether a result waits for a second signature."""
    return bool(waiting_among(connection, laboratory, [result_id]))


def approved_file(connection: sa.Connection, laboratory: str, result_id: str) -> str:
    """The hash of the file that was signed twice; empty where there is none."""
    found = newest(connection, laboratory, APPROVAL, result_id)
    return str(found.body.get("pdf_sha256") or "") if found is not None else ""


def approved_as(connection: sa.Connection, laboratory: str, pdf_sha256: str) -> tuple[str, str] | None:
    """The result of which this is the approved file, and when it was approved; None where it is of none."""
    for row in connection.execute(
        sa.select(VERSION.c.subject, VERSION.c.at, VERSION.c.body).where(
            VERSION.c.laboratory == laboratory,
            VERSION.c.kind == APPROVAL,
            VERSION.c.body.contains(f'"pdf_sha256":"{pdf_sha256}"', autoescape=True),  # as canonical JSON writes it
        )
    ):
        body: dict[str, Any] = json.loads(row.body)
        if body.get("pdf_sha256") == pdf_sha256:
            return row.subject, row.at
    return None
