"""What commands share: lengths as arguments, and files that are written whole or not at all."""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

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


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside itself first, so that a failure leaves what was there before."""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
            os.replace(name, path)
        except BaseException:
            os.unlink(name)
            raise
    except OSError as error:
        raise BadInput("command.cannot_write", file=str(path), why=error.strerror or "no reason given") from error


def write_json(target: str, record: Mapping[str, Any]) -> None:
    """To a file, or to standard output where `target` is ``-``."""
    text = json.dumps(record, ensure_ascii=False, indent=2, allow_nan=False) + "\n"
    if target == "-":
        sys.stdout.write(text)
    else:
        write_whole(Path(target), text.encode("utf-8"))
