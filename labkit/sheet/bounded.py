"""
What is looked at before a stranger's PDF is read: that it is no larger than a sheet, packed or unpacked.

A stream of a few kilobytes can unpack to all the memory there is, and a reader unpacks what it needs without asking.
"""

from __future__ import annotations

import re
import zlib
from typing import Final

from labkit.problems import BadInput

LARGEST_MB: Final = 20
"""Of the file: a sheet has well under one."""

UNPACKED_MB: Final = 120
"""Of all its streams together."""

_STREAM: Final = re.compile(rb"stream\r?\n")
_END: Final = b"endstream"
_DICTIONARY: Final = 4000
"""Bytes before a stream within which its dictionary begins."""

_PACKED: Final = re.compile(
    rb"/(?:LZW|RunLength|CCITTFax|JBIG2|ASCIIHex|ASCII85|JPX)Decode|/(?:LZW|RL|AHx|A85)\b|/Crypt"
)
_TWICE: Final = re.compile(rb"/Fl(?:ateDecode)?\s*/Fl(?:ateDecode)?\b")
_SPELT: Final = re.compile(rb"/[A-Za-z]*#[0-9A-Fa-f]{2}")

_KIND: Final = re.compile(rb"/Subtype\s*/[^\s/<>\[\]()]+")
"""Of an attachment: ``/application#2Fjson``."""


def bounded(pdf: bytes) -> None:
    """
    Go on only with a file that can be read within the memory of a desk.

    Raises
    ------
    BadInput
        ``verify.large``: it is larger than any sheet, or unpacks to more, or is packed as no sheet is.
    """
    if len(pdf) > LARGEST_MB * 1_000_000:
        raise BadInput("verify.large", limit_mb=LARGEST_MB)
    left = UNPACKED_MB * 1_000_000
    for found in _STREAM.finditer(pdf):
        if pdf[found.start() - 3 : found.start()] == b"end":
            continue
        before = pdf[max(0, found.start() - _DICTIONARY) : found.start()]
        dictionary = _KIND.sub(b"", before[before.rfind(b"obj") + 3 :])
        if _PACKED.search(dictionary) or _TWICE.search(dictionary) or _SPELT.search(dictionary):
            raise BadInput("verify.large", limit_mb=UNPACKED_MB)
        try:
            left -= len(zlib.decompressobj().decompress(pdf[found.end() :], left + 1))
        except zlib.error:
            continue  # not packed, or broken: whoever reads it finds that out
        if left < 0:
            raise BadInput("verify.large", limit_mb=UNPACKED_MB)
