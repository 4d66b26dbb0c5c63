"""Signers who were withdrawn: who did it, when and why, and the list that says so to others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

import sqlalchemy as sa

from labkit.ledger.chain import writing
from labkit.ledger.people import Actor
from labkit.ledger.store import open_store
from labkit.ledger.versions import current, put
from labkit.problems import BadInput

WITHDRAWAL: Final = "withdrawal"
"""That a signer was withdrawn, by the fingerprint of the certificate."""

WITHDRAWN_LIST: Final = "withdrawn list"
THE_LIST: Final = "of the laboratory's own authority"


@dataclass(frozen=True)
class Withdrawal:
    """
    A signer who was withdrawn.

    Attributes
    ----------
    fingerprint : str
        SHA-256 of the certificate, in groups of four.
    name, serial : str
        In the certificate; its serial number, decimal.
    since : str
        From when on nothing is believed that it signed: UTC, ISO 8601 with Z.
    why : str
        "left" or "key lost".
    reason : str
        In a person's words.
    """

    fingerprint: str
    name: str
    serial: str
    since: str
    why: str
    reason: str


def withdraw_signer(data: Path, found: Withdrawal, crl: bytes, who: Actor) -> None:
    """
    Write down that a signer is withdrawn, and the list that says so.

    Parameters
    ----------
    data : Path
    found : Withdrawal
    crl : bytes
        The list with this signer on it (X.509 CRL, PEM). Only the key of an authority that the data folder trusts
        makes one: it is what shows that whoever writes may.
    who : Actor

    Raises
    ------
    BadInput
        ``withdraw.already``; ``withdraw.reason``; ``withdraw.list``: the list is of no authority that is trusted here,
        or lacks the signer.
    """
    if not found.reason.strip():
        raise BadInput("withdraw.reason", name=found.name)
    trusted = [data / "identities" / "authority.pem", *sorted((data / "trust").glob("*.pem"))]
    if not any(_names(crl, file.read_bytes(), int(found.serial)) for file in trusted if file.is_file()):
        raise BadInput("withdraw.list")
    with writing(data, who) as writer:
        before = {each.subject for each in current(writer.connection, writer.laboratory, (WITHDRAWAL,))}
        if found.fingerprint in before:
            raise BadInput("withdraw.already", name=found.name)
        put(writer, WITHDRAWAL, found.fingerprint, asdict(found), "withdrawn", found.reason)
        put(writer, WITHDRAWN_LIST, THE_LIST, {"pem": crl.decode()}, "withdrawn", found.reason)


def withdrawals(data: Path) -> tuple[Withdrawal, ...]:
    """Every signer who was withdrawn, the first one first."""
    store = open_store(data)
    with store.reading() as connection:
        found = current(connection, store.laboratory, (WITHDRAWAL,))
    return tuple(_of(each.body) for each in sorted(found, key=lambda each: each.at))


def kept_lists(data: Path) -> tuple[bytes, ...]:
    """The list that the ledger keeps; none where nobody was withdrawn."""
    store = open_store(data)
    with store.reading() as connection:
        return tuple(each.body["pem"].encode() for each in current(connection, store.laboratory, (WITHDRAWN_LIST,)))


def withdrawn_signers(connection: sa.Connection, laboratory: str) -> frozenset[str]:
    """The fingerprints of all who were withdrawn."""
    return frozenset(each.subject for each in current(connection, laboratory, (WITHDRAWAL,)))


def _of(body: Mapping[str, str]) -> Withdrawal:
    return Withdrawal(**body)


def _names(crl: bytes, authority: bytes, serial: int) -> bool:
    """Whether a list is an authority's and has a serial number on it."""
    from cryptography import x509

    try:
        found, issuer = x509.load_pem_x509_crl(crl), x509.load_pem_x509_certificate(authority)
        mine = found.issuer == issuer.subject and found.is_signature_valid(issuer.public_key())  # type: ignore[arg-type]
    except (ValueError, TypeError):
        return False
    return mine and found.get_revoked_certificate_by_serial_number(serial) is not None
