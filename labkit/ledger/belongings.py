"""
What belongs to a ledger in its data folder besides the database: signing files, trusted certificates, curve families.

Nothing that would be of use to a thief leaves the folder: no key that needs no passphrase, and not ``ledger.toml``.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

from labkit.ledger.bundle import FOLDERS, LARGEST_FILE, MOST_FILES, fit
from labkit.problems import Reason


def belongings(data: Path) -> tuple[dict[str, bytes], tuple[Reason, ...]]:
    """
    The files of the data folder `data` that go with its ledger, as ``FOLDER/NAME``, and which were left out and why.

    Links, folders within the folders and hidden files are no part of it.
    """
    found: dict[str, bytes] = {}
    left_out: list[Reason] = []
    for name, file in _files(data):
        size = file.stat().st_size
        if size > LARGEST_FILE or not fit(file.name) or len(found) >= MOST_FILES:
            left_out.append(Reason("backup.left_out", {"file": name}))
            continue
        content = file.read_bytes()
        if unprotected_key(content):
            left_out.append(Reason("backup.open_key", {"file": name}))
            continue
        found[name] = content
    return found, tuple(left_out)


def put_back(data: Path, files: dict[str, bytes]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """
    Write the files of a backup that are missing in the data folder `data`.

    Returns
    -------
    tuple of str, tuple of str
        Which were written, and which are there with another content: these are left as they are.
    """
    written, differ = [], []
    for name, content in files.items():
        file = data / name
        if os.path.lexists(file):
            if not file.is_file() or file.is_symlink() or file.read_bytes() != content:
                differ.append(name)
            continue
        file.parent.mkdir(mode=0o700, exist_ok=True)
        with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as opened:
            opened.write(content)
            opened.flush()
            os.fsync(opened.fileno())
        written.append(name)
    return tuple(written), tuple(differ)


def unprotected_key(content: bytes) -> bool:
    """Whether it holds a private key that opens without a passphrase: PEM, DER or PKCS#12."""
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.serialization import pkcs12

    if b"PRIVATE KEY-----" in content and b"ENCRYPTED" not in content:
        return True
    for passphrase in (None, b""):
        try:
            if pkcs12.load_key_and_certificates(content, passphrase)[0] is not None:
                return True
        except (ValueError, TypeError):
            pass
    try:
        serialization.load_der_private_key(content, None)
    except (ValueError, TypeError):
        return False
    return True


def _files(data: Path) -> Iterator[tuple[str, Path]]:
    for folder in FOLDERS:
        there = data / folder
        if there.is_symlink() or not there.is_dir():
            continue
        for file in sorted(there.iterdir()):
            if not file.name.startswith(".") and stat.S_ISREG(file.lstat().st_mode):
                yield f"{folder}/{file.name}", file
