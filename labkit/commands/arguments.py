"""What commands share: lengths as arguments, files read to a limit, and files written whole or not at all."""

from __future__ import annotations

import errno
import json
import os
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from labkit.paths import families_folder
from labkit.problems import BadInput
from labkit.units import parse_length


def length_mm(text: str) -> float:
    """A length in mm, or with its unit; BadInput where it is none."""
    try:
        return parse_length(text)
    except ValueError:
        raise BadInput("command.length", typed=text) from None


def range_mm(text: str) -> tuple[float, float]:
    """``LO:HI`` in mm, each end with or without its unit."""
    ends = text.split(":")
    if len(ends) != 2:
        raise BadInput("command.range", typed=text)
    try:
        low, high = (parse_length(end) for end in ends)
    except ValueError:
        raise BadInput("command.range", typed=text) from None
    return low, high


def share(text: str) -> float:
    """A share such as ``0.025`` or ``2.5%``; BadInput where it is none."""
    number = text.strip().removesuffix("%")
    try:
        return float(number) / (100 if number != text.strip() else 1)
    except ValueError:
        raise BadInput("command.share", typed=text) from None


def check_outputs(*paths: Path | None) -> None:
    """
    Refuse, before anything is computed or signed, what could not be written in the end.

    Raises
    ------
    BadInput
        Two results would go to one file, or a place is no file or cannot be written to.
    """
    wanted = [path for path in paths if path is not None]
    if len({path.absolute() for path in wanted}) < len(wanted):
        raise BadInput("command.one_file", file=str(wanted[0]))
    for path in wanted:
        try:
            beside = _beside(path)
            beside.touch(exist_ok=False)
            beside.unlink()
        except OSError as error:
            raise _cannot_write(path, error) from error


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside itself first, so that a failure leaves what was there before."""
    try:
        beside = _beside(path)
        try:
            with beside.open("xb") as file:
                file.write(content)
            beside.replace(path)
        except BaseException:
            beside.unlink(missing_ok=True)
            raise
    except OSError as error:
        raise _cannot_write(path, error) from error


def _beside(path: Path) -> Path:
    """The name under which a file is written first. A device is left alone: a file would take its place."""
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, "it is a folder")
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, "it is not a file")
    return path.with_name(f".{path.name[:100]}-{os.getpid()}")


def _cannot_write(path: Path, error: OSError) -> BadInput:
    return BadInput("command.cannot_write", file=str(path), why=error.strerror or "no reason given")


def writable_folder(folder: Path) -> Path:
    """The folder, made where it was missing; BadInput where nothing can be written in it."""
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        probe = folder / ".writable"
        probe.touch()
        probe.unlink()
    except OSError as error:
        raise BadInput("serve.not_a_folder", path=str(folder)) from error
    return folder


def load_families(data: Path) -> None:
    """Take in the laboratory's own curve families; what is wrong with one is said, and stops nothing."""
    from labkit.curves import load_own_families

    for fault in load_own_families(families_folder(data)):
        print(fault, fault.hint or "", file=sys.stderr)


def read_at_most(path: Path, limit: int) -> bytes:
    """The content of a file, and no more than one byte beyond `limit` of it: a device may have no end."""
    with path.open("rb") as file:
        return file.read(limit + 1)


def json_path(target: str | None) -> Path | None:
    """The file that `write_json` would write; None where it would write none."""
    return None if target in (None, "-") else Path(target)


def write_json(target: str, record: Mapping[str, Any], *, indent: int | None = 2) -> None:
    """To a file, or to standard output where `target` is ``-``; without indent a million numbers take a tenth."""
    text = json.dumps(record, ensure_ascii=False, indent=indent, allow_nan=False) + "\n"
    if target == "-":
        sys.stdout.write(text)
    else:
        write_whole(Path(target), text.encode("utf-8"))
