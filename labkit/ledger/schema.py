"""
The tables of the ledger.

What can change is never changed in place: a row of ``version`` is a state of one registered thing, and the one with the
highest revision holds. Drafts alone are overwritten, as they are saved after each reading; every save is an entry of
the chain. Bodies are canonical JSON (RFC 8785) kept as text, so that their SHA-256 is that of the bytes that are there.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

REVISION: Final = "0001"
"""The migration to which a store is brought when it is opened."""

METADATA: Final = MetaData()

_SEQUENCE = BigInteger().with_variant(Integer, "sqlite")


def _laboratory(*, primary_key: bool = True) -> Column[str]:
    return Column("laboratory", Text, ForeignKey("laboratory.id"), primary_key=primary_key, nullable=False)


LABORATORY: Final = Table(
    "laboratory",
    METADATA,
    Column("id", Text, primary_key=True),
    Column("head", _SEQUENCE, nullable=False),
    Column("head_hash", Text, nullable=False),
    Column("last_at", Text, nullable=False),
    Column("last_number", Integer, nullable=False),
)
"""One row a laboratory: the end of its chain and the last number it gave."""

ENTRY: Final = Table(
    "entry",
    METADATA,
    _laboratory(),
    Column("seq", _SEQUENCE, primary_key=True, autoincrement=False),
    Column("at", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("digest", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("before", Text, nullable=False),
    Column("hash", Text, nullable=False),
    Index("entry_of_subject", "laboratory", "kind", "subject", "revision"),
)
"""The audit chain: who did what, when and why, each with the hash of the one before."""

VERSION: Final = Table(
    "version",
    METADATA,
    _laboratory(),
    Column("kind", Text, primary_key=True),
    Column("subject", Text, primary_key=True),
    Column("revision", Integer, primary_key=True, autoincrement=False),
    Column("at", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("body", Text, nullable=False),
)
"""What is registered, noted, asked or live, every state of it."""

DRAFT: Final = Table(
    "draft",
    METADATA,
    _laboratory(),
    Column("id", Text, primary_key=True),
    Column("revision", Integer, nullable=False),
    Column("page", Text, nullable=False),
    Column("rig", Text, nullable=False),
    Column("person", Text, nullable=False),
    Column("owner", Text, nullable=False),
    Column("begun", Text, nullable=False),
    Column("saved", Text, nullable=False),
    Column("number", Text, nullable=False),
    Column("body", Text, nullable=False),
    Index("draft_unfinished", "laboratory", "number", "saved"),
)

FILE: Final = Table(
    "file",
    METADATA,
    _laboratory(),
    Column("sha256", Text, primary_key=True),
    Column("media_type", Text, nullable=False),
    Column("content", LargeBinary, nullable=False),
)
"""Certificates, records and shim certificates, by what is in them."""

SOUGHT: Final = ("kind", "rig", "gauge", "target", "signer", "decision", "signed", "words")
"""What a result is looked for by."""

RESULT: Final = Table(
    "result",
    METADATA,
    _laboratory(),
    Column("id", Text, primary_key=True),
    Column("number", Text, nullable=False),
    Column("place", Integer, nullable=False),
    Column("kind", Text, nullable=False),
    Column("rig", Text, nullable=False),
    Column("gauge", Text, nullable=False),
    Column("target", Text, nullable=False),
    Column("signer", Text, nullable=False),
    Column("customer", Text, nullable=False),
    Column("decision", Text, nullable=False),
    Column("says", Text, nullable=False),
    Column("signed", Text, nullable=False),
    Column("words", Text, nullable=False),
    Column("replaces", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("record_sha256", Text, nullable=False),
    Column("pdf_sha256", Text, nullable=False),
    Column("head", _SEQUENCE, nullable=False),
    Column("head_hash", Text, nullable=False),
    UniqueConstraint("laboratory", "number", name="result_number"),
    Index("result_by_place", "laboratory", "place"),
    Index("result_by_rig", "laboratory", "rig", "place"),
    # SQLite alone: a row of an index has a largest size on a server, which has one of its own (result_words)
    Index("result_sought", "laboratory", "place", *SOUGHT).ddl_if(dialect="sqlite"),
    Index("result_replaces", "laboratory", "replaces"),
)
"""Signed results. Immutable: what replaces one is a row of its own that names it."""

LEAN: Final = Table(
    "lean",
    METADATA,
    _laboratory(),
    Column("result", Text, primary_key=True),
    Column("kind", Text, primary_key=True),
    Column("subject", Text, primary_key=True),
    Column("revision", Integer, nullable=False),
    Column("detail", Text, nullable=False),
    ForeignKeyConstraint(["laboratory", "result"], ["result.laboratory", "result.id"]),
    Index("lean_on", "laboratory", "kind", "subject"),
)
"""What a result leans on: shims, parts of the rig, instruments, procedure, people; as they were registered then."""

ATTEMPT: Final = Table(
    "attempt",
    METADATA,
    _laboratory(),
    Column("person", Text, primary_key=True),
    Column("wrong", Integer, nullable=False),
    Column("last", Text, nullable=False),
)
"""Wrong passphrases in a row, counted for all pages and stations together; no part of the chain."""
