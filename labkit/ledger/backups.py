"""What the ledger knows of its own backups: when the last one was made, and what a restore left out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import sqlalchemy as sa

from labkit.ledger.store import open_store
from labkit.ledger.versions import Version, history, newest

BACKUP: Final = "backup"
RESTORE: Final = "restore"
"""Kinds of the register; entries about them are no work of anybody, and a backup without them lacks nothing."""

THE_LEDGER: Final = "ledger"
"""The one subject of both kinds."""


@dataclass(frozen=True)
class Backup:
    """
    A backup of the ledger.

    Attributes
    ----------
    made : str
        When: UTC, ISO 8601 with Z.
    file : str
        Its name, without the folder.
    sha256 : str
        Of the whole file, hexadecimal.
    entries : int
        How many entries of the chain are in it.
    """

    made: str
    file: str
    sha256: str
    entries: int


def last_backup(data: Path) -> Backup | None:
    """
    The newest backup of which the ledger of `data` knows; None where it knows of none.

    A backup cannot hold the entry that speaks of it: after a restore, the one that was restored counts.
    """
    store = open_store(data)
    with store.reading() as connection:
        found = [newest(connection, store.laboratory, kind, THE_LEDGER) for kind in (BACKUP, RESTORE)]
    backups = [Backup(*(each.body[key] for key in Backup.__dataclass_fields__)) for each in found if each is not None]
    return max(backups, key=lambda each: each.made, default=None)


def restores(data: Path) -> tuple[Version, ...]:
    """Every time that this ledger was restored, the first one first."""
    store = open_store(data)
    with store.reading() as connection:
        return tuple(history(connection, store.laboratory, RESTORE, THE_LEDGER))


def skipped_numbers(connection: sa.Connection, laboratory: str) -> set[str]:
    """Numbers that were given before a restore and are in no backup: they are never given again."""
    found = history(connection, laboratory, RESTORE, THE_LEDGER)
    return {number for version in found for number in version.body["skipped"]}
