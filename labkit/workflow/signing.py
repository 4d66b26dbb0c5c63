"""A signed sheet from a record: rendering and signing joined, for the page and for the command."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def signed_sheet(record: Mapping[str, Any], number: str, p12: bytes, passphrase: str) -> bytes:
    """
    The certificate of a record, signed.

    Parameters
    ----------
    record : mapping
        Of schema ``labkit.calibration/1``.
    number : str
        The certificate's number.
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

    return sign(render(record, number=number, signed=True), p12, passphrase, zone=record["zone"])
