"""One laboratory's rows, from one database to another: what backups, restores and a move to a server are made of."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from labkit.ledger.files import sync_file
from labkit.ledger.schema import FILE, LABORATORY, METADATA
from labkit.ledger.store import make_engine, migrate

_TABLES = tuple(table for table in METADATA.sorted_tables if table is not LABORATORY)


@contextlib.contextmanager
def database(file: Path) -> Iterator[sa.Engine]:
    """
    An SQLite database of its own; when it is let go of, it is on the disk and is one file.

    Parameters
    ----------
    file : Path
        It is made where it is missing, readable for its owner alone.
    """
    file.touch(mode=0o600)
    engine = make_engine(sa.URL.create("sqlite", database=str(file)))
    try:
        yield engine
    finally:
        engine.dispose()
    with contextlib.closing(sqlite3.connect(file)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")
    sync_file(file)


@contextlib.contextmanager
def writing(engine: sa.Engine) -> Iterator[sa.Connection]:
    """A transaction on a database that is not open as anybody's ledger."""
    with engine.connect().execution_options(labkit_writes=True) as connection, connection.begin():
        yield connection


def copy_to(file: Path, source: sa.Connection, laboratory: str) -> None:
    """The whole ledger of `laboratory`, as `source` sees it, in a new SQLite database `file`."""
    with database(file) as engine, writing(engine) as target:
        migrate(target)
        target.execute(sa.insert(LABORATORY), _row(source, laboratory))
        _copy_rows(source, target, laboratory)


def put_in_place(source: sa.Connection, laboratory: str, target: sa.Connection, before: str) -> None:
    """
    Put the ledger of `laboratory` in `source` in the place of that of `before` in `target`, within its transaction.

    The row of the laboratory stays where it is the same one: whoever waits for its lock would find it gone.
    """
    for table in reversed(_TABLES):
        target.execute(sa.delete(table).where(table.c.laboratory == before))
    mine = LABORATORY.c.id == before
    if laboratory == before:
        target.execute(sa.update(LABORATORY).where(mine).values(_row(source, laboratory)))
    else:
        target.execute(sa.delete(LABORATORY).where(mine))
        target.execute(sa.insert(LABORATORY), _row(source, laboratory))
    _copy_rows(source, target, laboratory)


def _copy_rows(source: sa.Connection, target: sa.Connection, laboratory: str) -> None:
    for table in _TABLES:
        found = source.execute(
            sa.select(table).where(table.c.laboratory == laboratory).order_by(*table.primary_key.columns),
            execution_options={"yield_per": 10 if table is FILE else 2_000},
        )
        for rows in found.mappings().partitions():
            target.execute(sa.insert(table), [dict(row) for row in rows])


def _row(connection: sa.Connection, laboratory: str) -> dict[str, Any]:
    return dict(connection.execute(sa.select(LABORATORY).where(LABORATORY.c.id == laboratory)).mappings().one())
