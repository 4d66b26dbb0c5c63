"""
A backup as one file: a zip with the ledger, what else belongs to it in the data folder, and a manifest of it all.

Nothing of a zip is believed before the manifest and the bytes agree: names, sizes and digests.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import stat
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final, Self

from labkit.ledger.files import sync_file
from labkit.ledger.store import DATABASE
from labkit.problems import BadInput

MANIFEST: Final = "manifest.json"
FAMILY: Final = "labkit.backup/"
NEWEST: Final = 1

FOLDERS: Final = ("identities", "trust", "families")
"""What belongs to a ledger in its data folder, besides the database."""

LARGEST_FILE: Final = 10_000_000
"""Of a signing file, a certificate or a curve family [bytes]."""

MOST_FILES: Final = 2_000
_LARGEST_MANIFEST: Final = 1_000_000
_MOST_TIMES: Final = 100
"""Larger than so many times its packed size no ledger has ever been: hashes and PDFs hardly pack."""

_CHUNK: Final = 1 << 20
_DIGEST: Final = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class Manifest:
    """
    What a backup says of itself.

    Attributes
    ----------
    labkit, database : str
        The version of labkit and the schema of the database.
    laboratory, name : str
        The laboratory's id in the database, and its name.
    made : str
        UTC, ISO 8601 with Z.
    entries, hash : int, str
        The end of the chain.
    sizes, digests : mapping
        Size [bytes] and SHA-256 of each member, by its name.
    """

    labkit: str
    database: str
    laboratory: str
    name: str
    made: str
    entries: int
    hash: str
    sizes: Mapping[str, int]
    digests: Mapping[str, str]

    def to_dict(self) -> dict[str, Any]:
        return {
            "schema": f"{FAMILY}{NEWEST}",
            "labkit": self.labkit,
            "database": self.database,
            "laboratory": {"id": self.laboratory, "name": self.name},
            "made": self.made,
            "head": {"entries": self.entries, "hash": self.hash},
            "members": [
                {"name": name, "size": self.sizes[name], "sha256": self.digests[name]} for name in sorted(self.sizes)
            ],
        }

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        laboratory, head, members = found["laboratory"], found["head"], found["members"]
        made = cls(
            labkit=str(found["labkit"]),
            database=str(found["database"]),
            laboratory=str(laboratory["id"]),
            name=str(laboratory["name"]),
            made=str(found["made"]),
            entries=head["entries"],
            hash=head["hash"],
            sizes={each["name"]: each["size"] for each in members},
            digests={each["name"]: each["sha256"] for each in members},
        )
        numbers = (made.entries, *made.sizes.values())
        digests = (made.hash, *made.digests.values())
        if len(made.sizes) != len(members) or not all(type(each) is int and each >= 0 for each in numbers):
            raise ValueError("members")
        if not all(type(each) is str and _DIGEST.fullmatch(each) for each in digests):
            raise ValueError("digests")
        return made


def fit(name: str) -> bool:
    """Whether a file of the data folder may be a member under this name: one that stays in its folder everywhere."""
    return (
        0 < len(name.encode()) <= 200
        and not name.startswith((".", " "))
        and not name.endswith((".", " "))
        and not any(each in '/\\:*?"<>|' or not each.isprintable() for each in name)
    )


def pack(target: Path, database: Path, files: Mapping[str, bytes], described: Mapping[str, Any]) -> Manifest:
    """
    Write a backup, readable for its owner alone, and wait until it is on the disk.

    Parameters
    ----------
    target : Path
        It must not be there.
    database : Path
    files : mapping of str to bytes
        ``FOLDER/NAME`` and what is in it.
    described : mapping
        What `Manifest` has besides the members.
    """
    sizes, digests = {}, {}
    descriptor = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as raw, zipfile.ZipFile(raw, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as packed:
        with (
            database.open("rb") as source,
            packed.open(_member(DATABASE, described["made"]), "w", force_zip64=True) as to,
        ):
            sizes[DATABASE], digests[DATABASE] = _pour(source, to)
        for name, content in files.items():
            packed.writestr(_member(name, described["made"]), content)
            sizes[name], digests[name] = len(content), hashlib.sha256(content).hexdigest()
        manifest = Manifest(**described, sizes=sizes, digests=digests)
        text = json.dumps(manifest.to_dict(), ensure_ascii=False, indent=1)
        packed.writestr(_member(MANIFEST, described["made"]), text.encode())
    sync_file(target)
    return manifest


class Bundle:
    """
    A backup that is read; everything in it is what its manifest says, or refused.

    Attributes
    ----------
    manifest : Manifest
    """

    def __init__(self, packed: zipfile.ZipFile) -> None:
        self._packed = packed
        self._members = _members(packed)
        self.manifest = self._manifest()
        sizes = {name: info.file_size for name, info in self._members.items() if name != MANIFEST}
        if sizes != dict(self.manifest.sizes):
            raise _refused("members")

    def _manifest(self) -> Manifest:
        info = self._members.get(MANIFEST)
        if info is None or DATABASE not in self._members:
            raise _refused("manifest")
        try:
            found = json.loads(self._read(info, _LARGEST_MANIFEST))
            schema = str(found["schema"])
            if not schema.startswith(FAMILY):
                raise ValueError(schema)
            if int(schema.removeprefix(FAMILY)) > NEWEST:
                raise BadInput("restore.newer_backup", found=schema, known=f"{FAMILY}{NEWEST}")
            return Manifest.from_dict(found)
        except (LookupError, TypeError, AttributeError, ValueError, RecursionError) as error:
            if isinstance(error, BadInput):
                raise
            raise _refused("manifest") from error

    @property
    def names(self) -> tuple[str, ...]:
        """The files besides the database, as ``FOLDER/NAME``."""
        return tuple(sorted(set(self.manifest.sizes) - {DATABASE}))

    def read(self, name: str) -> bytes:
        """What is in one of the smaller files."""
        content = self._read(self._members[name], LARGEST_FILE)
        self._held(name, len(content), hashlib.sha256(content).hexdigest())
        return content

    def unpack(self, name: str, target: IO[bytes] | None) -> None:
        """A member, whole or not at all, into `target`; without one it is only held against the manifest."""
        with _sayable(), self._packed.open(self._members[name]) as source:
            self._held(name, *_pour(source, target, self.manifest.sizes[name]))

    def _read(self, info: zipfile.ZipInfo, limit: int) -> bytes:
        with _sayable(), self._packed.open(info) as source:
            content = source.read(limit + 1)
        if len(content) > limit:
            raise _refused("size")
        return content

    def _held(self, name: str, size: int, digest: str) -> None:
        if (size, digest) != (self.manifest.sizes[name], self.manifest.digests[name]):
            raise BadInput("restore.member", name=name)


@contextlib.contextmanager
def opened(file: Path) -> Iterator[Bundle]:
    """
    The backup `file`.

    Raises
    ------
    BadInput
        ``restore.not_a_backup``, ``restore.newer_backup``.
    """
    with contextlib.ExitStack() as stack:
        with _sayable():
            found = Bundle(stack.enter_context(zipfile.ZipFile(file)))
        yield found


def digest_of(file: Path) -> str:
    """SHA-256 of a whole file, hexadecimal."""
    with file.open("rb") as source:
        return hashlib.file_digest(source, "sha256").hexdigest()


def _member(name: str, made: str) -> zipfile.ZipInfo:
    year, month, day, hour, minute, second = (int(each) for each in re.split("[-T:Z]", made)[:6])
    info = zipfile.ZipInfo(name, (year, month, day, hour, minute, second))
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = (stat.S_IFREG | 0o600) << 16
    return info


def _members(packed: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    """The members by name; a name, a kind or a size that no backup has is refused before anything is unpacked."""
    infos = packed.infolist()
    if len(infos) > MOST_FILES + 2 or len({info.filename.casefold() for info in infos}) < len(infos):
        raise _refused("members")
    for info in infos:
        name = info.filename
        kind = stat.S_IFMT(info.external_attr >> 16)
        if info.orig_filename != name or kind not in (0, stat.S_IFREG) or info.flag_bits & 1:
            raise _refused("kind")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise _refused("kind")
        if name == DATABASE:
            if info.file_size > _MOST_TIMES * max(info.compress_size, 1):
                raise _refused("size")
        elif name != MANIFEST:
            folder, _, rest = name.partition("/")
            if folder not in FOLDERS or not fit(rest):
                raise _refused("name")
            if info.file_size > LARGEST_FILE:
                raise _refused("size")
    return {info.filename: info for info in infos}


def _pour(source: IO[bytes], target: IO[bytes] | None, limit: int | None = None) -> tuple[int, str]:
    """From one open file to another; how much it was, and its SHA-256. It stops beyond `limit`."""
    digest, size = hashlib.sha256(), 0
    while chunk := source.read(_CHUNK):
        size += len(chunk)
        if limit is not None and size > limit:
            raise _refused("size")
        digest.update(chunk)
        if target is not None:
            target.write(chunk)
    return size, digest.hexdigest()


@contextlib.contextmanager
def _sayable() -> Iterator[None]:
    """What a damaged zip can raise, as a problem."""
    try:
        yield
    except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError) as error:
        raise _refused("zip") from error


def _refused(why: str) -> BadInput:
    return BadInput("restore.not_a_backup", why=_WHY[why])


_WHY: Final = {
    "zip": "it is no zip, or it is damaged",
    "manifest": "it has no manifest that could be read",
    "members": "it does not hold what its manifest says",
    "name": "a file in it has a name that no backup has",
    "kind": "a file in it is of a kind that no backup has",
    "size": "it unpacks to more than a backup can",
}
