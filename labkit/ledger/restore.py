"""
Putting a backup in the place of the ledger: everything of it is looked at before anything is replaced.

The ledger there is replaced within one transaction of its own database, so that a crash at any moment leaves the old
one or the new one, and other pages go on with whichever there is. Only where an SQLite file is damaged, another file
takes its place. What was there is kept beside in both cases.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa
from alembic.util import CommandError
from sqlalchemy.exc import SQLAlchemyError

from labkit.ledger.backup import DIGEST
from labkit.ledger.backups import BACKUP, RESTORE, THE_LEDGER, skipped_numbers
from labkit.ledger.belongings import put_back
from labkit.ledger.bundle import Bundle, Manifest, digest_of, opened
from labkit.ledger.chain import Head, Writer
from labkit.ledger.checking import check_in
from labkit.ledger.copying import copy_to, database, put_in_place, writing
from labkit.ledger.files import one_writer, sync_file, sync_folder
from labkit.ledger.people import Actor
from labkit.ledger.schema import ENTRY, LABORATORY, METADATA, RESULT, REVISION
from labkit.ledger.store import (
    DATABASE,
    SETTINGS,
    Store,
    address_of,
    close_store,
    database_file,
    migrate,
    open_store,
    schema_of,
)
from labkit.ledger.versions import put
from labkit.problems import BadInput, Problem

KEPT: Final = f"{DATABASE}.before-restore-"
"""The ledger that was replaced lies beside under this name and the time."""

MOST_SKIPPED: Final = 10_000
"""Certificates that a laboratory can have given since its last backup; more is a slip of the finger."""

_STAGING: Final = ".restore"


@dataclass(frozen=True)
class Asked:
    """
    What a person asked for.

    Attributes
    ----------
    replace : bool
        Replace a ledger, though it has entries that the backup lacks.
    why : str
        The reason; needed for that.
    sha256 : str
        The digest that the backup must have; empty where the file beside it says it, or none is known.
    last_number : int or None
        The last certificate number that was given, where it was given after the backup and the ledger is lost.
    """

    replace: bool = False
    why: str = ""
    sha256: str = ""
    last_number: int | None = None


@dataclass(frozen=True)
class Restored:
    """
    What a restore did.

    Attributes
    ----------
    manifest : Manifest
    sha256 : str
        Of the backup, hexadecimal.
    held : bool
        Whether this digest was known from elsewhere.
    head : Head
        Where the chain ends now.
    next_number : int
        Of the next certificate.
    skipped : tuple of str
        Numbers that were given after the backup was made, and will not be given again.
    kept : Path or None
        The ledger that was there before.
    put_back, differ : tuple of str
        Files of the data folder that were missing; and those left as they are, though the backup has others.
    another : bool
        Whether another laboratory's ledger was there: pages that are open still ask for that one.
    """

    manifest: Manifest
    sha256: str
    held: bool
    head: Head
    next_number: int
    skipped: tuple[str, ...]
    kept: Path | None
    put_back: tuple[str, ...]
    differ: tuple[str, ...]
    another: bool


def restore(data: Path, file: Path, who: Actor, asked: Asked | None = None) -> Restored:
    """
    Put the backup `file` in the place of the ledger of `data`.

    Raises
    ------
    BadInput
        ``restore.…``: the backup is not what it should be, or would replace what it lacks. Nothing was changed.
    Problem
        The ledger there, or its server, cannot be used.
    """
    asked = asked or Asked()
    if asked.replace and not asked.why.strip():
        raise BadInput("restore.no_reason")
    if not file.is_file():
        raise BadInput("restore.no_file", file=str(file))
    try:
        digest, held = _digest(file, asked.sha256)
        with opened(file) as bundle, _staging(data) as folder:
            backup = _Backup(folder, bundle, file.name, digest)
            with backup.looked_at() as source:
                return _put(data, backup, source, who, asked, held)
    except OSError as error:
        raise BadInput("restore.cannot", why=str(error)) from error


def _digest(file: Path, wanted: str) -> tuple[str, bool]:
    """The digest of the backup, and whether it was held against one that was known."""
    digest = digest_of(file)
    beside = file.with_name(file.name + DIGEST)
    if not wanted and beside.is_file():
        wanted = next(iter(beside.read_text(encoding="utf-8", errors="replace").split()), "-")
    if wanted and wanted.lower() != digest:
        raise BadInput("restore.digest", file=file.name, wanted=wanted[:64], found=digest)
    return digest, bool(wanted)


@contextlib.contextmanager
def _staging(data: Path) -> Iterator[Path]:
    """A folder that nobody else sees, on the disk of the data folder; one restore at a time."""
    data.mkdir(parents=True, exist_ok=True, mode=0o700)
    place = data / _STAGING
    with one_writer(place):
        for left in place.iterdir():  # by one that was interrupted
            if left.is_dir():
                shutil.rmtree(left)
        with tempfile.TemporaryDirectory(dir=place) as folder:
            yield Path(folder)


class _Backup:
    """A backup unpacked into `folder`, to be looked at and copied from."""

    def __init__(self, folder: Path, bundle: Bundle, name: str, digest: str) -> None:
        self.folder, self.name, self.digest = folder, name, digest
        self.manifest = bundle.manifest
        if self.manifest.database > REVISION:
            raise BadInput("restore.newer_schema", found=self.manifest.database, known=REVISION)
        room, size = shutil.disk_usage(folder).free, self.manifest.sizes[DATABASE]
        if 3 * size > room:  # the copy here, the ledger, and the one that is kept
            raise BadInput("restore.no_room", needed=-(-3 * size // 1_000_000), there=room // 1_000_000)
        self.file = folder / DATABASE
        with os.fdopen(os.open(self.file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as target:
            bundle.unpack(DATABASE, target)
        self.files = {name: bundle.read(name) for name in bundle.names}

    @contextlib.contextmanager
    def looked_at(self) -> Iterator[sa.Connection]:
        """The backup's database, once it has been found whole."""
        _must_be_plain(self.file)
        with database(self.file) as engine:
            with _whole_or_refused(), writing(engine) as connection:
                standing = schema_of(connection)
                if standing != self.manifest.database:
                    raise _not_whole(f"its schema is {standing}")
                migrate(connection)
            with engine.connect() as connection, connection.begin():
                with _whole_or_refused():
                    self._must_be_whole(connection)
                yield connection

    def _must_be_whole(self, connection: sa.Connection) -> None:
        laboratory = self.manifest.laboratory
        if list(connection.execute(sa.select(LABORATORY.c.id)).scalars()) != [laboratory]:
            raise _not_whole("it is another laboratory’s")
        report = check_in(connection, laboratory)
        if not report.whole:
            raise _not_whole(" ".join(str(fault) for fault in report.faults[:3]))
        if (report.head.entries, report.head.hash) != (self.manifest.entries, self.manifest.hash):
            raise _not_whole("its chain ends elsewhere than its manifest says")


@contextlib.contextmanager
def _whole_or_refused() -> Iterator[None]:
    """What rows of any content can raise, where they are read as those of a ledger."""
    try:
        yield
    except Problem:
        raise
    except (SQLAlchemyError, CommandError, LookupError, ValueError, TypeError, AttributeError) as error:
        raise _not_whole(type(error).__name__) from error


def _not_whole(why: str) -> BadInput:
    return BadInput("restore.not_whole", why=why.rstrip("."))


def _must_be_plain(file: Path) -> None:
    """Before anything reads the rows: a sound SQLite file with tables and indexes, and nothing that runs by itself."""
    known = {table.name for table in METADATA.sorted_tables} | {"alembic_version"}
    try:
        with contextlib.closing(sqlite3.connect(file)) as connection:
            connection.execute("PRAGMA trusted_schema=OFF")
            connection.execute("PRAGMA cell_size_check=ON")
            found = connection.execute("SELECT type, tbl_name, coalesce(sql, '') FROM sqlite_master").fetchall()
            sound = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise _not_whole(str(error)) from error
    if sound != "ok":
        raise _not_whole(" ".join(str(sound).split()))
    for kind, table, sql in found:
        plain = kind == "index" or (kind == "table" and sql.startswith("CREATE TABLE"))
        if not plain or table not in known:
            raise _not_whole(f"it holds {kind} {table[:60]}")


def _put(data: Path, backup: _Backup, source: sa.Connection, who: Actor, asked: Asked, held: bool) -> Restored:
    damage = _damage(data)
    step = _Step(data, backup, source, who, asked)
    done = step.within() if damage is None else step.instead(damage)
    return Restored(manifest=backup.manifest, sha256=backup.digest, held=held, **done)


def _damage(data: Path) -> str | None:
    """Why the database that is there cannot be gone on with; None where it can, and where there is none yet."""
    if database_file(data) is None:
        return None
    try:
        with open_store(data).reading() as connection:
            said = str(connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar_one())
    except Problem as problem:
        if problem.code != "ledger.damaged":
            raise
        return str(problem.params["why"])
    return None if said == "ok" else " ".join(said.split())


class _Step:
    """The ledger of a backup taking the place of the one that is there."""

    def __init__(self, data: Path, backup: _Backup, source: sa.Connection, who: Actor, asked: Asked) -> None:
        self.data, self.backup, self.source, self.who, self.asked = data, backup, source, who, asked
        self.laboratory = backup.manifest.laboratory
        self.kept = data / f"{KEPT}{datetime.now(UTC):%Y%m%dT%H%M%S.%fZ}"

    def within(self) -> dict[str, Any]:
        """In one transaction of the database that is there."""
        store = open_store(self.data)
        with store.writing() as (connection, row):
            before = Head(row.head, row.head_hash)
            self._must_be_ours(store, before)
            lost, last = self._lost(connection, store.laboratory), row.last_number
            if store.laboratory != self.laboratory:
                lost, last = [], 0  # numbers of somebody else
            kept = before.entries > 0
            if kept:
                self._keep(connection, store.laboratory)
            put_in_place(self.source, self.laboratory, connection, store.laboratory)
            done = self._entered(connection, before, lost, last)
            # the last step before the ledger is the new one: what is written here takes nothing away
            written, differ = put_back(self.data, self.backup.files)
        if store.laboratory != self.laboratory:
            close_store(self.data)
        another = kept and store.laboratory != self.laboratory
        return done | {"kept": self.kept if kept else None, "put_back": written, "differ": differ, "another": another}

    def instead(self, damage: str) -> dict[str, Any]:
        """As another file, since nothing can be trusted of what is written into a damaged one."""
        if not self.asked.replace:
            raise BadInput("restore.damaged", why=damage)
        file = self.data / DATABASE
        new = self.backup.folder / f"new-{DATABASE}"
        copy_to(new, self.source, self.laboratory)
        with database(new) as engine, writing(engine) as connection:
            done = self._entered(connection, None, [], 0)
        written, differ = put_back(self.data, self.backup.files)
        close_store(self.data)
        self.kept.touch(mode=0o600)
        shutil.copyfile(file, self.kept)
        sync_file(self.kept)
        for tail in ("-wal", "-shm"):
            with contextlib.suppress(FileNotFoundError):
                os.rename(f"{file}{tail}", f"{self.kept}{tail}")
        os.replace(new, file)
        sync_folder(self.data)
        return done | {"kept": self.kept, "put_back": written, "differ": differ, "another": False}

    def _must_be_ours(self, store: Store, before: Head) -> None:
        """On a server there may be other laboratories, and which one is meant stands in the settings."""
        if store.laboratory == self.laboratory or not (self.data / SETTINGS).exists():
            return
        if before.entries or address_of(self.data)[1]:
            raise BadInput("restore.other_laboratory", file=SETTINGS, laboratory=self.laboratory)

    def _lost(self, connection: sa.Connection, laboratory: str) -> list[str]:
        """
        Numbers that were given there and are not in the backup: of results, and of those that a restore before lost.

        Raises
        ------
        BadInput
            ``restore.would_lose``: the backup lacks entries, and nobody has said that they may go.
        """
        here = sa.select(ENTRY.c.hash, ENTRY.c.kind, ENTRY.c.at, ENTRY.c.who).where(ENTRY.c.laboratory == laboratory)
        there = set(self.source.execute(sa.select(ENTRY.c.hash)).scalars())
        gone = [row for row in connection.execute(here.order_by(ENTRY.c.seq)) if row.hash not in there]
        gone = [row for row in gone if row.kind not in (BACKUP, RESTORE)]
        ids = set(self.source.execute(sa.select(RESULT.c.id)).scalars())
        results = connection.execute(
            sa.select(RESULT.c.id, RESULT.c.number).where(RESULT.c.laboratory == laboratory).order_by(RESULT.c.place)
        )
        numbers = [row.number for row in results if row.id not in ids]
        if gone and not self.asked.replace:
            at, who = f"{gone[-1].at[:19]}Z", gone[-1].who
            raise BadInput("restore.would_lose", entries=len(gone), at=at, who=who, numbers=numbers or ["none"])
        known = skipped_numbers(self.source, self.laboratory)
        return numbers + sorted(skipped_numbers(connection, laboratory) - known)

    def _keep(self, connection: sa.Connection, laboratory: str) -> None:
        staged = self.backup.folder / self.kept.name
        copy_to(staged, connection, laboratory)
        os.rename(staged, self.kept)
        sync_folder(self.data)

    def _entered(self, connection: sa.Connection, before: Head | None, lost: list[str], last: int) -> dict[str, Any]:
        """The entry that speaks of the restore, and a look at all that has been written."""
        row = connection.execute(sa.select(LABORATORY).where(LABORATORY.c.id == self.laboratory)).one()
        writer = Writer(connection, row, self.who)
        skipped = self._skipped(writer, lost, last)
        manifest, why = self.backup.manifest, self.asked.why.strip()
        body = {
            "file": self.backup.name,
            "sha256": self.backup.digest,
            "made": manifest.made,
            "entries": manifest.entries,
            "before": {"entries": before.entries, "hash": before.hash} if before is not None else None,
            "skipped": skipped,
            "why": why,
        }
        put(writer, RESTORE, THE_LEDGER, body, "restored", why)
        writer.finish()
        report = check_in(connection, self.laboratory)
        if not report.whole:
            raise Problem("restore.not_taken", why=" ".join(str(fault) for fault in report.faults[:3]))
        return {"head": writer.head, "next_number": writer.last_number + 1, "skipped": tuple(skipped)}

    def _skipped(self, writer: Writer, lost: list[str], last: int) -> list[str]:
        """Numbers that the backup does not know to be given; certificates have been handed out under them."""
        last = max(self.asked.last_number or 0, writer.last_number, last)
        if last > writer.last_number + MOST_SKIPPED:
            raise BadInput("restore.last_number", number=last, known=writer.last_number)
        certificates = [f"{number:04d}" for number in range(writer.last_number + 1, last + 1)]
        writer.last_number = last
        return certificates + [number for number in lost if not number.isdigit()]
