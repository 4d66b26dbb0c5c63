"""Signing as a page and a command do it: the sheet and its signature in one, and a rest after wrong passphrases."""

from __future__ import annotations

from collections.abc import Mapping
from time import monotonic
from typing import Any, Final

from labkit.problems import BadInput

MOST_TRIES: Final = 3
REST_S: Final = 60.0
"""After so many wrong passphrases in a row the signing file rests that long [s]."""


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

    reason = f"Calibration certificate {number}"
    return sign(render(record, number=number, signed=True), p12, passphrase, reason=reason, zone=record["zone"])


class Tries:
    """Counts wrong passphrases, and has the signing file rest after too many of them."""

    def __init__(self) -> None:
        self._wrong = 0
        self._last = 0.0

    def begin(self) -> None:
        """
        A passphrase is about to be tried.

        Raises
        ------
        BadInput
            ``page.rests``: the signing file rests.
        """
        if self._wrong < MOST_TRIES:
            return
        left = REST_S - (monotonic() - self._last)
        if left > 0:
            raise BadInput("page.rests", seconds=int(left) + 1)
        self._wrong = 0

    def wrong(self) -> None:
        self._wrong += 1
        self._last = monotonic()
