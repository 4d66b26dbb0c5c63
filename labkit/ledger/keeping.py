"""Files of the ledger, each kept under the SHA-256 of what is in it."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa

from labkit.ledger.canonical import sha256
from labkit.ledger.chain import Writer
from labkit.ledger.schema import FILE

PDF: Final = "application/pdf"
JSON: Final = "application/json"


def keep_file(writer: Writer, media_type: str, content: bytes) -> str:
    """Keep a file under the SHA-256 of what is in it, which is returned; the same one is kept once."""
    digest = sha256(content)
    there = sa.select(FILE.c.sha256).where(FILE.c.laboratory == writer.laboratory, FILE.c.sha256 == digest)
    if writer.connection.execute(there).first() is None:
        row = {"laboratory": writer.laboratory, "sha256": digest, "media_type": media_type, "content": content}
        writer.connection.execute(sa.insert(FILE), row)
    return digest


def kept_file(connection: sa.Connection, laboratory: str, digest: str) -> bytes | None:
    """The file that was kept under a hash; None where it is not there, or not what was kept."""
    content = connection.execute(
        sa.select(FILE.c.content).where(FILE.c.laboratory == laboratory, FILE.c.sha256 == digest)
    ).scalar()
    return bytes(content) if content is not None and sha256(content) == digest else None
