"""Signing as a page and a command do it: the sheet and its signature in one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from labkit.ledger import Actor, Bench, Place


def signed_sheet(record: Mapping[str, Any], place: Place, p12: bytes, passphrase: str) -> bytes:
    """
    The certificate of a calibration, or the record of a check, signed.

    Parameters
    ----------
    record : mapping
        Of schema ``labkit.calibration/1`` or ``labkit.check/1``.
    place : Place
        The certificate's number, and the end of the ledger's chain that it prints.
    p12 : bytes
        The signer's PKCS#12 file.
    passphrase : str

    Returns
    -------
    bytes
        The PDF.

    Raises
    ------
    BadInput
        A wrong passphrase, a certificate that does not hold today, or a character that cannot be printed.
    """
    from labkit.sheet import render, sign
    from labkit.sheet.check_content import title_of

    reason = title_of(record, place.number)
    head = (place.head.entries, place.head.hash)
    pdf = render(record, number=place.number, ledger_head=head, signed=True)
    return sign(pdf, p12, passphrase, reason=reason, zone=record["zone"])


def signer(p12: bytes, passphrase: str, bench: Bench) -> Actor:
    """
    Whose signing file this is, shown by its passphrase; with the role that the register gives a person of that name.

    Raises
    ------
    BadInput
        A wrong passphrase, or no signing file.
    """
    from labkit.sheet.identity import open_signing_file
    from labkit.sheet.sign import common_name

    name = common_name(open_signing_file(p12, passphrase)[0])
    person = next((each for each in bench.people if each.name == name), None)
    return Actor(name, person.role if person is not None else "", proven=True)
