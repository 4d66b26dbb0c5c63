"""Tables and files that any program opens: text that no spreadsheet takes for a formula, names that fit every disk."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from labkit.inert import inert
from labkit.ledger.canonical import sha256

_RESERVED: Final = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
"""Names that mean devices on Windows."""

_LONGEST: Final = 60


def write_table(path: Path, heads: Sequence[str], rows: Iterable[Sequence[object]]) -> int:
    """
    Write a CSV (UTF-8 with its mark, commas, everything in quotes); how many rows it has.

    In quotes a text is in one cell too where a spreadsheet expects semicolons.
    """
    count = 0
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file, quoting=csv.QUOTE_ALL, lineterminator="\n")
        writer.writerow([inert(each) for each in heads])
        for row in rows:
            writer.writerow([inert(each) for each in row])
            count += 1
    return count


def write_json(path: Path, content: Any) -> None:
    """Write JSON that a person can read."""
    path.write_text(json.dumps(content, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")


def flat(body: Mapping[str, Any], before: str = "") -> dict[str, Any]:
    """A JSON object as columns: ``rig.name`` for what lies deeper, lists of texts and numbers in one cell."""
    found: dict[str, Any] = {}
    for key, value in body.items():
        name = f"{before}{key}"
        if isinstance(value, Mapping):
            found |= flat(value, f"{name}.")
        elif isinstance(value, list):
            plain = not any(isinstance(each, list | dict) for each in value)
            found[name] = "; ".join(map(str, value)) if plain else json.dumps(value, ensure_ascii=False)
        else:
            found[name] = value
    return found


class Names:
    """File names for what people named: within one folder, no two are alike on any disk."""

    def __init__(self) -> None:
        self._given: set[str] = set()

    def give(self, wanted: str) -> str:
        """A name of letters, digits, dots, dashes and blanks; with part of a digest where that changed it."""
        name = re.sub(r"[^A-Za-z0-9 ._-]+", "-", wanted)[:_LONGEST].strip(" .-")
        if name != wanted or not name or _RESERVED.fullmatch(name) or name.casefold() in self._given:
            name = f"{name}~{sha256(wanted)[:12]}".lstrip("~")
            name = f"_{name}" if _RESERVED.fullmatch(name) else name
        self._given.add(name.casefold())
        return name
