"""
What a certificate witnesses: the end of the ledger's chain before it, attached as data beside the record.

It is under the signature, and outside the laboratory's machine: who rewrites the ledger cannot rewrite it too.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Final

FILE: Final = "ledger.json"
SCHEMA: Final = "labkit.witness/1"

_HASH: Final = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class Witness:
    """
    The chain up to a certificate.

    Attributes
    ----------
    number : str
        The certificate's.
    entries : int
        How many entries the ledger held before the certificate's own.
    hash : str
        SHA-256 of the last of them, hexadecimal.
    """

    number: str
    entries: int
    hash: str


def attached(witness: Witness) -> bytes:
    """The file as it is attached to the PDF."""
    return json.dumps({"schema": SCHEMA, **vars(witness)}, sort_keys=True, indent=1).encode()


def read_attached(content: bytes) -> Witness:
    """
    What `attached` wrote.

    Raises
    ------
    ValueError, LookupError, TypeError
        It is something else.
    """
    found = json.loads(content)
    if found["schema"] != SCHEMA:
        raise ValueError(found["schema"])
    witness = Witness(found["number"], found["entries"], found["hash"])
    if type(witness.number) is not str or type(witness.entries) is not int or witness.entries < 0:
        raise ValueError(witness)
    if not _HASH.fullmatch(witness.hash):
        raise ValueError(witness.hash)
    return witness
