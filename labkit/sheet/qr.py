"""The code on a certificate, its label and its card: the number, and the digest of the data in the certificate."""

from __future__ import annotations

import io
from hashlib import sha256
from typing import Final

from labkit.language import say
from labkit.sheet.attachments import record_bytes, record_name
from labkit.sheet.blocks import Record

_GROUP: Final = 8


def digest(record: Record) -> str:
    """
    SHA-256 of the record as it is attached, hexadecimal: what `sha256sum calibration.json` says of the file taken out
    of the PDF. It can be known before the signature, which covers the file and the digest alike.
    """
    return sha256(record_bytes(record)).hexdigest()


def grouped(digits: str) -> str:
    """A digest as it is compared by telephone."""
    return " ".join(digits[i : i + _GROUP] for i in range(0, len(digits), _GROUP))


def payload(record: Record, number: str) -> str:
    """What a telephone shows that reads the code."""
    return f"{number} {record_name(record)} SHA-256 {digest(record)}"


def in_words(number: str) -> str:
    """The code for those who cannot see it."""
    return say("QR code with the number {number} and the SHA-256 of the attached record", number=number)


def qr_svg(text: str) -> str:
    """
    A QR code as SVG; the same text gives the same bytes.

    References
    ----------
    ISO/IEC 18004, level M: about 15 % of it may be lost (from memory).
    """
    import segno

    out = io.BytesIO()
    segno.make(text, error="m", micro=False, boost_error=False).save(
        out, kind="svg", border=2, xmldecl=False, omitsize=True, nl=False
    )
    return out.getvalue().decode()
