"""JSON in the one form over which hashes are taken (RFC 8785), and the hashes."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from json.encoder import encode_basestring
from typing import Any

import rfc8785


def canonical(content: Mapping[str, Any]) -> str:
    """
    The canonical JSON of any object.

    Raises
    ------
    ValueError
        It holds what JSON has no form for: NaN, an integer beyond 2⁵³, a date.

    References
    ----------
    RFC 8785, JSON Canonicalization Scheme.
    """
    return rfc8785.dumps(dict(content)).decode()


def sha256(content: str | bytes) -> str:
    """SHA-256 in hexadecimal; of a text, over its UTF-8."""
    return hashlib.sha256(content.encode() if isinstance(content, str) else content).hexdigest()


def row_digest(row: Mapping[str, Any]) -> str:
    """
    SHA-256 of the canonical JSON of a row of the ledger.

    Texts, whole numbers and lists of them under ASCII keys: for these the parts of the standard library's writer give
    RFC 8785, thirty times as fast as one that is made for everything.
    """
    parts = [f'"{key}":{_text(row[key])}' for key in sorted(row)]
    return sha256("{" + ",".join(parts) + "}")


def _text(value: object) -> str:
    if type(value) is str:
        return encode_basestring(value)
    if type(value) is int:
        return int.__repr__(value)
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
