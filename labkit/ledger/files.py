"""Ids and times of the ledger; files that are either the old ones or the new ones, whole; one writer at a time."""

from __future__ import annotations

import contextlib
import os
import re
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import uuid6

from labkit.problems import BadInput

_ID: Final = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_NUMBER: Final = re.compile(r"([0-9]{1,9})(?:-([0-9]{1,6}))?")


def new_id() -> str:
    """A UUIDv7: the name that a draft or a record keeps for life, in the order in which they were begun."""
    return str(uuid6.uuid7())


def utc_now() -> str:
    """The time now, UTC, ISO 8601 to the second with Z."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def checked_id(text: object) -> str:
    """
    An id that came from outside, fit to be part of a file name.

    Raises
    ------
    BadInput
        It is not a UUID in its usual form: a path, for example.
    """
    if isinstance(text, str) and _ID.fullmatch(text):
        return text
    raise BadInput("ledger.bad_id", id=str(text)[:60])


def checked_number(text: object) -> str | None:
    """
    A printed number with its leading zeros (``"97"`` gives ``"0097"``, ``"97-9"`` the check ``"0097-09"``), or None
    where the text is none.
    """
    found = _NUMBER.fullmatch(text) if isinstance(text, str) else None
    if found is None:
        return None
    certificate = f"{int(found[1]):04d}"
    return f"{certificate}-{int(found[2]):02d}" if found[2] else certificate


def write_safely(path: Path, content: bytes) -> None:
    """
    Replace the file `path` with `content`, so that a crash at any moment leaves the old file or the new one.

    Temporary file, fsync, rename, fsync of the folder.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".tmp")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    sync_folder(path.parent)


def sync_file(path: Path) -> None:
    """Wait until what was written to the file `path` is on the disk."""
    with path.open("r+b") as file:
        os.fsync(file.fileno())


@contextlib.contextmanager
def one_writer(data: Path) -> Iterator[None]:
    """Hold the lock of the data folder `data`; whoever comes second waits. A crash lets go of it."""
    data.mkdir(parents=True, exist_ok=True)
    with (data / ".lock").open("a+b") as file:
        _lock(file.fileno())
        yield


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> None:
        while True:
            with contextlib.suppress(OSError):  # gives up after ten seconds each time
                msvcrt.locking(handle, msvcrt.LK_LOCK, 1)
                return

    def sync_folder(folder: Path) -> None:
        """Windows renames are already ordered, and it opens no folders."""
else:
    import fcntl

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX)

    def sync_folder(folder: Path) -> None:
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
