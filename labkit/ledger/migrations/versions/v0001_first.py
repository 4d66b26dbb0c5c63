"""The first schema of the ledger as a database."""

from __future__ import annotations

import logging
from typing import Final

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_LOG: Final = logging.getLogger(__name__)
_SEQUENCE = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "laboratory",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("head", _SEQUENCE, nullable=False),
        sa.Column("head_hash", sa.Text, nullable=False),
        sa.Column("last_at", sa.Text, nullable=False),
        sa.Column("last_number", sa.Integer, nullable=False),
    )
    op.create_table(
        "entry",
        _laboratory(),
        sa.Column("seq", _SEQUENCE, primary_key=True, autoincrement=False),
        *_texts("at", "who", "role", "what", "kind", "subject"),
        sa.Column("revision", sa.Integer, nullable=False),
        *_texts("digest", "why", "before", "hash"),
    )
    op.create_index("entry_of_subject", "entry", ["laboratory", "kind", "subject", "revision"])
    op.create_table(
        "version",
        _laboratory(),
        sa.Column("kind", sa.Text, primary_key=True),
        sa.Column("subject", sa.Text, primary_key=True),
        sa.Column("revision", sa.Integer, primary_key=True, autoincrement=False),
        *_texts("at", "who", "body"),
    )
    op.create_table(
        "draft",
        _laboratory(),
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("revision", sa.Integer, nullable=False),
        *_texts("page", "rig", "person", "owner", "begun", "saved", "number", "body"),
    )
    op.create_index("draft_unfinished", "draft", ["laboratory", "number", "saved"])
    op.create_table(
        "file",
        _laboratory(),
        sa.Column("sha256", sa.Text, primary_key=True),
        sa.Column("media_type", sa.Text, nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "result",
        _laboratory(),
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("number", sa.Text, nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        *_texts("kind", "rig", "gauge", "target", "signer", "customer", "decision", "says", "signed", "words"),
        *_texts("replaces", "reason", "record_sha256", "pdf_sha256"),
        sa.Column("head", _SEQUENCE, nullable=False),
        sa.Column("head_hash", sa.Text, nullable=False),
        sa.UniqueConstraint("laboratory", "number", name="result_number"),
    )
    op.create_index("result_by_place", "result", ["laboratory", "place"])
    op.create_index("result_by_rig", "result", ["laboratory", "rig", "place"])
    if op.get_bind().dialect.name == "sqlite":
        sought = ["kind", "rig", "gauge", "target", "signer", "decision", "signed", "words"]
        op.create_index("result_sought", "result", ["laboratory", "place", *sought])
    else:
        _index_of_words()
    op.create_index("result_replaces", "result", ["laboratory", "replaces"])
    op.create_table(
        "lean",
        _laboratory(),
        sa.Column("result", sa.Text, primary_key=True),
        sa.Column("kind", sa.Text, primary_key=True),
        sa.Column("subject", sa.Text, primary_key=True),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("detail", sa.Text, nullable=False),
        sa.ForeignKeyConstraint(["laboratory", "result"], ["result.laboratory", "result.id"]),
    )
    op.create_index("lean_on", "lean", ["laboratory", "kind", "subject"])
    op.create_table(
        "attempt",
        _laboratory(),
        sa.Column("person", sa.Text, primary_key=True),
        sa.Column("wrong", sa.Integer, nullable=False),
        sa.Column("last", sa.Text, nullable=False),
    )


def _index_of_words() -> None:
    """Parts of words, by PostgreSQL's own extension; where the server has none, the table is read through."""
    connection = op.get_bind()
    try:
        with connection.begin_nested():
            connection.execute(sa.text("CREATE EXTENSION IF NOT EXISTS pg_trgm"))
            connection.execute(sa.text("CREATE INDEX result_words ON result USING gin (words gin_trgm_ops)"))
    except sa.exc.DBAPIError:
        _LOG.warning("the server has no pg_trgm: finding among very many results takes a second")


def _laboratory() -> sa.Column[str]:
    return sa.Column("laboratory", sa.Text, sa.ForeignKey("laboratory.id"), primary_key=True, nullable=False)


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]
