"""
The audit chain: every change is an entry that carries the hash of the one before.

An entry names what was changed and the digest of the row that was written; nobody can alter, remove or reorder a row or
an entry without breaking a hash that a later entry, or a certificate outside, has carried on.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from labkit.ledger.canonical import row_digest
from labkit.ledger.people import Actor
from labkit.ledger.schema import ENTRY, LABORATORY
from labkit.ledger.store import Store, open_store

_FORM: Final = "%Y-%m-%dT%H:%M:%S.%fZ"

ENTRY_KEYS: Final = tuple(column.name for column in ENTRY.columns if column.name != "hash")
"""What the hash of an entry is taken over."""


@dataclass(frozen=True)
class Head:
    """
    The end of the chain.

    Attributes
    ----------
    entries : int
        How many there are.
    hash : str
        SHA-256 of the last one, hexadecimal.
    """

    entries: int
    hash: str


class Writer:
    """
    One transaction of one person on a laboratory's ledger.

    Attributes
    ----------
    connection : sqlalchemy.Connection
    laboratory : str
    who : Actor
    """

    def __init__(self, connection: sa.Connection, row: sa.Row[Any], who: Actor) -> None:
        self.connection = connection
        self.laboratory: str = row.id
        self.who = who
        self.last_number: int = row.last_number
        self._head = Head(row.head, row.head_hash)
        self._last_at: str = row.last_at

    @property
    def head(self) -> Head:
        """The chain as it is now, the entries of this transaction included."""
        return self._head

    def now(self) -> str:
        """
        A time for the next entry: UTC to the microsecond, later than every one before, though the clock was set back.
        """
        now = datetime.now(UTC).strftime(_FORM)
        if now <= self._last_at:
            now = (datetime.strptime(self._last_at, _FORM) + timedelta(microseconds=1)).strftime(_FORM)
        return now

    def enter(self, what: str, kind: str, subject: str, revision: int, row: Mapping[str, Any], why: str = "") -> Head:
        """
        Add an entry about a row that has been written.

        Parameters
        ----------
        what : str
            One of `labkit.ledger.words`: "registered", "saved", "signed", ….
        kind, subject : str
        revision : int
        row : mapping
            The row, texts and whole numbers; the laboratory is left out.
        why : str
            The reason that was given.
        """
        at = self.now()
        entry: dict[str, Any] = {
            "laboratory": self.laboratory,
            "seq": self._head.entries + 1,
            "at": at,
            "who": self.who.name,
            "role": self.who.role,
            "what": what,
            "kind": kind,
            "subject": subject,
            "revision": revision,
            "digest": row_digest(row),
            "why": why,
            "before": self._head.hash,
        }
        entry["hash"] = row_digest(entry)
        self.connection.execute(_INSERT_ENTRY, entry)
        self._head = Head(entry["seq"], entry["hash"])
        self._last_at = at
        return self._head

    def finish(self) -> None:
        """Write down where the chain ends now."""
        self.connection.execute(
            sa.update(LABORATORY)
            .where(LABORATORY.c.id == self.laboratory)
            .values(
                head=self._head.entries,
                head_hash=self._head.hash,
                last_at=self._last_at,
                last_number=self.last_number,
            )
        )


_INSERT_ENTRY: Final = sa.insert(ENTRY)


@contextlib.contextmanager
def writing(data: Path, who: Actor) -> Iterator[Writer]:
    """
    A transaction on the ledger of `data`: what is written and entered inside is kept together, or not at all.

    Raises
    ------
    Problem
        See `Store.writing`.
    """
    with open_store(data).writing() as (connection, row):
        writer = Writer(connection, row, who)
        yield writer
        writer.finish()


def head(data: Path) -> Head:
    """Where the chain of the ledger of `data` ends."""
    store: Store = open_store(data)
    with store.reading() as connection:
        row = connection.execute(sa.select(LABORATORY).where(LABORATORY.c.id == store.laboratory)).one()
    return Head(row.head, row.head_hash)
