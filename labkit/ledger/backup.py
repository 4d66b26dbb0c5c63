"""A backup of the ledger while it is in use: one file for an SQLite ledger and for one on a server, fit for both."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

import labkit
from labkit.ledger.backups import BACKUP, THE_LEDGER
from labkit.ledger.belongings import belongings
from labkit.ledger.bundle import Bundle, Manifest, digest_of, opened, pack
from labkit.ledger.chain import writing
from labkit.ledger.checking import ChainReport, check_in
from labkit.ledger.copying import copy_to, database
from labkit.ledger.files import sync_file, sync_folder, utc_now, write_safely
from labkit.ledger.people import Actor
from labkit.ledger.schema import LABORATORY, REVISION
from labkit.ledger.store import DATABASE, Store, open_store
from labkit.ledger.versions import newest, put
from labkit.problems import BadInput, Problem, Reason

DIGEST: Final = ".sha256"
"""Beside the backup: its SHA-256, in the form that ``sha256sum --check`` reads."""


@dataclass(frozen=True)
class BackedUp:
    """
    A backup that was made, and read back.

    Attributes
    ----------
    file : Path
    sha256 : str
        Of the whole file, hexadecimal.
    manifest : Manifest
    report : ChainReport
        What a check of the copy found: a broken ledger is kept too, though no restore will take it.
    left_out : tuple of Reason
        Files of the data folder that are not in it.
    not_noted : Problem or None
        Why the ledger does not know of this backup.
    """

    file: Path
    sha256: str
    manifest: Manifest
    report: ChainReport
    left_out: tuple[Reason, ...]
    not_noted: Problem | None


def back_up(data: Path, file: Path, who: Actor) -> BackedUp:
    """
    Write a backup of the ledger of `data`; others may go on writing in it meanwhile.

    Parameters
    ----------
    data : Path
    file : Path
        It must not be there: no backup is written over.
    who : Actor

    Raises
    ------
    BadInput
        ``backup.exists``, ``backup.cannot_write``.
    Problem
        The ledger cannot be read. Nothing is left behind then.
    """
    store = open_store(data)
    if os.path.lexists(file):
        raise BadInput("backup.exists", file=str(file))
    try:
        with tempfile.TemporaryDirectory(dir=file.parent, prefix=f".{file.name[:60]}.") as folder:
            copy, packed = Path(folder) / DATABASE, Path(folder) / "backup"
            _snapshot(store, copy)
            report, described = _looked_at(copy, store.laboratory)
            files, left_out = belongings(data)
            manifest = pack(packed, copy, files, described)
            digest = _read_back(packed)
            os.rename(packed, file)
        sync_folder(file.parent)
        beside = file.with_name(file.name + DIGEST)
        write_safely(beside, f"{digest}  {file.name}\n".encode())
    except OSError as error:
        raise BadInput("backup.cannot_write", file=str(file), why=error.strerror or str(error)) from error
    return BackedUp(file, digest, manifest, report, left_out, _noted(data, file, digest, manifest, who))


def _snapshot(store: Store, target: Path) -> None:
    """One moment of the ledger, whatever others write meanwhile."""
    with store.reading() as connection:
        alone = connection.execute(sa.select(LABORATORY.c.id)).scalars().all() == [store.laboratory]
        if connection.dialect.name != "sqlite" or not alone:
            copy_to(target, connection, store.laboratory)
            return
        target.touch(mode=0o600)
        source: Any = connection.connection.driver_connection
        with contextlib.closing(sqlite3.connect(target)) as copy:
            source.backup(copy)
            copy.execute("PRAGMA journal_mode=DELETE")
    sync_file(target)


def _looked_at(copy: Path, laboratory: str) -> tuple[ChainReport, dict[str, Any]]:
    """What a check of the copy finds, and what the manifest says of it."""
    with database(copy) as engine, Store(copy.parent, engine, laboratory).reading() as connection:
        report = check_in(connection, laboratory)
        row = connection.execute(sa.select(LABORATORY).where(LABORATORY.c.id == laboratory)).one()
        named = newest(connection, laboratory, "laboratory", "laboratory")
    described = {
        "labkit": labkit.__version__,
        "database": REVISION,
        "laboratory": laboratory,
        "name": str(((named.body.get("party") or {}) if named is not None else {}).get("name") or ""),
        "made": utc_now(),
        "entries": row.head,
        "hash": row.head_hash,
    }
    return report, described


def _read_back(packed: Path) -> str:
    """The digest of a backup, once every member has been read from the disk and is what was written."""
    if hasattr(os, "posix_fadvise"):
        with packed.open("rb") as written:  # from the disk, not from memory
            os.posix_fadvise(written.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    with opened(packed) as found:
        _read_all(found)
    return digest_of(packed)


def _read_all(found: Bundle) -> None:
    for name in found.manifest.sizes:
        found.unpack(name, None)


def _noted(data: Path, file: Path, digest: str, manifest: Manifest, who: Actor) -> Problem | None:
    """Let the ledger know of the backup, which is there whether it can be noted or not."""
    body = {"file": file.name, "sha256": digest, "made": manifest.made, "entries": manifest.entries}
    try:
        with writing(data, who) as writer:
            put(writer, BACKUP, THE_LEDGER, body, "backed up")
    except Problem as problem:
        return problem
    return None
