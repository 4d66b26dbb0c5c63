"""
The database of a data folder: found, brought to the newest schema, opened; one writer of a laboratory at a time.

``ledger.sqlite`` in the data folder, or a PostgreSQL server for several stations: its address stands in ``ledger.toml``
beside it (``url = "postgresql+psycopg://…"``, ``laboratory = "ID"``), which nobody else may read, as it can hold a
password.
"""

from __future__ import annotations

import contextlib
import os
import stat
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from labkit.ledger.files import new_id, one_writer
from labkit.ledger.schema import LABORATORY, REVISION
from labkit.problems import Problem

DATABASE: Final = "ledger.sqlite"
SETTINGS: Final = "ledger.toml"

START_HASH: Final = "0" * 64
"""What stands as the hash before the first entry."""

_WAIT_S: Final = 30
"""How long a writer waits for another one [s]."""

_MIGRATION_LOCK: Final = 0x1AB417
"""Held on a server while one station brings the schema up."""


@dataclass(frozen=True)
class Store:
    """
    One laboratory's ledger, open.

    Attributes
    ----------
    data : Path
        The data folder.
    engine : sqlalchemy.Engine
    laboratory : str
        Its id in the database.
    """

    data: Path
    engine: sa.Engine
    laboratory: str

    @contextlib.contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """
        One consistent look at the ledger.

        Raises
        ------
        Problem
            ``ledger.damaged``, ``ledger.out_of_reach``.
        """
        with _said(self), self.engine.connect() as connection:
            if connection.dialect.name == "postgresql":
                # by default each statement there sees what others have written since the one before
                connection.execution_options(isolation_level="REPEATABLE READ")
            yield connection

    @contextlib.contextmanager
    def writing(self) -> Iterator[tuple[sa.Connection, sa.Row[Any]]]:
        """
        A transaction with the row of the laboratory, locked: whoever comes second waits. All of it is kept, or none.

        Raises
        ------
        Problem
            ``ledger.cannot_write``, ``ledger.damaged``, ``ledger.out_of_reach``; nothing is kept then.
        """
        with _said(self), self.engine.connect().execution_options(labkit_writes=True) as connection, connection.begin():
            row = connection.execute(
                sa.select(LABORATORY).where(LABORATORY.c.id == self.laboratory).with_for_update()
            ).one_or_none()
            if row is None:
                close_store(self.data)  # whoever comes next looks anew
                raise Problem("ledger.cannot_write", why="a restore has put another laboratory’s in its place")
            yield connection, row


_OPEN: Final[dict[tuple[str, int], tuple[Store, tuple[int, int] | None]]] = {}


def open_store(data: Path) -> Store:
    """
    The store of the data folder `data`: made where there is none, brought to the newest schema where it is older.

    Raises
    ------
    Problem
        ``ledger.newer``: a newer labkit has written it. ``ledger.settings``: ledger.toml says nothing usable.
        ``ledger.cannot_write``, ``ledger.damaged``, ``ledger.out_of_reach``, ``ledger.unreadable``.
    """
    data = data.absolute()
    key = (str(data), os.getpid())  # a connection does not survive a fork
    store, seen = _OPEN.get(key, (None, None))
    if store is not None and seen == _identity(data):
        return store
    if store is not None:
        store.engine.dispose()  # a restore has put another file in its place
    store = _opened(data)
    _OPEN[key] = (store, _identity(data))
    return store


def close_store(data: Path) -> None:
    """Let go of the database of `data`, so that its file can be replaced."""
    store, _ = _OPEN.pop((str(data.absolute()), os.getpid()), (None, None))
    if store is not None:
        store.engine.dispose()


def database_file(data: Path) -> Path | None:
    """The database as a file; None where it is on a server."""
    return None if (data / SETTINGS).exists() else data / DATABASE


def make_engine(url: str | sa.URL) -> sa.Engine:
    """An engine as every store has it: SQLite in WAL with full synchronous, PostgreSQL serializing by row locks."""
    address = sa.make_url(url)
    if address.get_backend_name() != "sqlite":
        return sa.create_engine(address, pool_pre_ping=True, hide_parameters=True)
    # the driver must not begin transactions of its own
    connect = {"timeout": _WAIT_S, "isolation_level": None}
    engine = sa.create_engine(address, hide_parameters=True, connect_args=connect)

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _: object) -> None:
        pragmas = ("foreign_keys=ON", "synchronous=FULL")
        for pragma in pragmas if "immutable" in str(address) else ("journal_mode=WAL", *pragmas):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        # a reader that becomes a writer half-way would have to give up: writers say so at once
        writes = connection.get_execution_options().get("labkit_writes")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def migrate(connection: sa.Connection) -> None:
    """Bring the database of `connection` to the newest schema, inside its transaction."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "labkit.ledger:migrations")
    config.attributes["connection"] = connection
    command.upgrade(config, REVISION)


def schema_of(connection: sa.Connection) -> str | None:
    """The migration at which a database stands; None for an empty one."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    return str(connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar_one())


def _opened(data: Path) -> Store:
    url, wanted = address_of(data)
    try:
        engine = make_engine(url)
    except (sa.exc.ArgumentError, sa.exc.NoSuchModuleError, ImportError) as error:
        raise Problem("ledger.settings", file=SETTINGS, why=type(error).__name__) from error
    store = Store(data, engine, wanted)
    try:
        with _said(store):
            return _made_ready(store)
    except BaseException:
        engine.dispose()
        raise


def _made_ready(store: Store) -> Store:
    """The store at the newest schema, with a laboratory in it; what the first form kept is brought in."""
    with store.engine.connect() as connection:
        if schema_of(connection) == REVISION:
            found = _laboratory(connection, store.laboratory)
            if found:
                return Store(store.data, store.engine, found)
    with (
        one_writer(store.data),
        store.engine.connect().execution_options(labkit_writes=True) as connection,
        connection.begin(),
    ):
        if connection.dialect.name == "postgresql":
            connection.execute(sa.text("SELECT pg_advisory_xact_lock(:key)"), {"key": _MIGRATION_LOCK})
        standing = schema_of(connection)
        if standing is not None and standing > REVISION:
            raise Problem("ledger.newer", found=standing, known=REVISION)
        if standing != REVISION:
            migrate(connection)
        laboratory = _laboratory(connection, store.laboratory)
        if not laboratory:
            laboratory = store.laboratory or new_id()
            row = {"id": laboratory, "head": 0, "head_hash": START_HASH, "last_at": "", "last_number": 0}
            connection.execute(sa.insert(LABORATORY).values(row))
            from labkit.ledger.first_form import bring_in

            bring_in(store.data, connection, laboratory)
    return Store(store.data, store.engine, laboratory)


def _laboratory(connection: sa.Connection, wanted: str) -> str:
    """The id of the laboratory whose ledger this is; empty where it is not there yet."""
    found = set(connection.execute(sa.select(LABORATORY.c.id)).scalars())
    if wanted or len(found) <= 1:
        return wanted if wanted in found else "" if wanted else next(iter(found), "")
    raise Problem("ledger.settings", file=SETTINGS, why="laboratory")


def address_of(data: Path) -> tuple[str | sa.URL, str]:
    """Where the database is, and which laboratory's ledger is meant (empty: the only one)."""
    settings = data / SETTINGS
    if settings.exists():
        if os.name == "posix" and settings.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise Problem("ledger.settings_open", file=str(settings))
        try:
            found = tomllib.loads(settings.read_text(encoding="utf-8"))
            url, laboratory = found["url"], found.get("laboratory", "")
        except (ValueError, KeyError) as error:
            raise Problem("ledger.settings", file=SETTINGS, why=type(error).__name__) from error
        if not isinstance(url, str) or not isinstance(laboratory, str):
            raise Problem("ledger.settings", file=SETTINGS, why="url")
        return url, laboratory
    file = data / DATABASE
    if file.exists() and not (os.access(file, os.W_OK) and os.access(data, os.W_OK)):
        # nobody can have written here since: it may be read without the lock that cannot be made
        return sa.URL.create(
            "sqlite", database=f"file:{file}", query={"mode": "ro", "immutable": "1", "uri": "true"}
        ), ""
    data.mkdir(parents=True, exist_ok=True)
    with contextlib.suppress(FileExistsError):
        os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    return sa.URL.create("sqlite", database=str(file)), ""


def _identity(data: Path) -> tuple[int, int] | None:
    """Which file lies there as the database; None where it is on a server, or none."""
    file = database_file(data)
    try:
        found = file.stat() if file is not None else None
    except FileNotFoundError:
        return None
    return (found.st_dev, found.st_ino) if found is not None else None


@contextlib.contextmanager
def _said(store: Store) -> Iterator[None]:
    """Faults of the database as problems that a person can act on."""
    try:
        yield
    except DBAPIError as error:
        raise _problem(str(error.orig), sqlite=store.engine.dialect.name == "sqlite") from error
    except SQLAlchemyError as error:
        raise Problem("ledger.out_of_reach", why=type(error).__name__) from error


_DAMAGED: Final = ("malformed", "not a database", "file is encrypted", "unsupported file format", "not decode")


def _problem(why: str, *, sqlite: bool) -> Problem:
    why = why.splitlines()[0] if why else ""
    if not sqlite:
        return Problem("ledger.out_of_reach", why=why)
    return Problem("ledger.damaged" if any(each in why for each in _DAMAGED) else "ledger.cannot_write", why=why)
