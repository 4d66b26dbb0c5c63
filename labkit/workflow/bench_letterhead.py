"""The letterhead on the page Bench: what is typed there, as the file that the sheets are made from."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from labkit.language import LANGUAGES
from labkit.ledger.files import write_safely
from labkit.problems import BadInput, Fault
from labkit.sheet.house import FILE, FORMS, House, read_letterhead
from labkit.units import parse_length

FIELDS: Final = ("language", "form", "lines", "rule", "logo_alt", "logo_mm", "text_font", "heading_font")
"""What the page asks, in this order; the logo's file comes by itself."""

BETWEEN_LINES: Final = "|"
"""Stands between the lines of the letterhead in their one field."""

LANGUAGE_CHOICES: Final = tuple((each.name, each.code) for each in LANGUAGES.values())
FORM_CHOICES: Final = (("All of it", FORMS[0]), ("One page", FORMS[1]))


def typed_now(data: Path) -> dict[str, str]:
    """
    What the file says, as it would be typed; what is not there is empty.

    Raises
    ------
    BadInput
        ``house.not_toml``.
    """
    found = _found(data)
    lines = found.get("lines", [])
    shown = {key: str(found.get(key, "")) for key in FIELDS if key != "lines"}
    shown["lines"] = f" {BETWEEN_LINES} ".join(map(str, lines)) if isinstance(lines, list) else str(lines)
    return shown | {"language": shown["language"] or "en", "form": shown["form"] or FORMS[0]}


def logo_now(data: Path) -> str:
    """The name of the logo's file; empty where there is none."""
    return str(_found(data).get("logo", ""))


def keep_letterhead(data: Path, typed: Mapping[str, str], logo: tuple[str, bytes] | None = None) -> House:
    """
    Write what was typed, if sheets can be made from it.

    Parameters
    ----------
    data : Path
    typed : mapping of str to str
        By the names of `FIELDS`.
    logo : (str, bytes), optional
        Name and content of a new logo.

    Raises
    ------
    BadInput
        ``house.…``; nothing is written then.
    """
    values: dict[str, Any] = {key: typed.get(key, "").strip() for key in FIELDS}
    values["lines"] = [each.strip() for each in values["lines"].split(BETWEEN_LINES) if each.strip()]
    width = values.pop("logo_mm")
    if width:
        values["logo_mm"] = _width(width)
    name, content = logo if logo is not None else (logo_now(data), b"")
    values["logo"] = f"logo{Path(name).suffix.lower()}" if logo is not None else name
    source = to_toml({key: value for key, value in values.items() if value not in ("", [])})
    with TemporaryDirectory(prefix="labkit-letterhead-") as scratch:
        if logo is None and name and (data / name).is_file():
            content = (data / name).read_bytes()
        if values["logo"] and content:
            Path(scratch, values["logo"]).write_bytes(content)
        house = read_letterhead(source, data, Path(scratch))
    if logo is not None:
        write_safely(data / values["logo"], content)
    write_safely(data / FILE, source.encode())
    return house


def to_toml(values: Mapping[str, Any]) -> str:
    """Texts, numbers and lists of texts as TOML; a basic string is written like one of JSON, but for one character."""
    written = "".join(f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in values.items())
    return written.replace("\x7f", "\\u007f")


def fault_of(problem: BadInput) -> dict[str, Fault]:
    """The fault by the field that it names; empty where it names none."""
    key = str(problem.params.get("key", ""))
    return {key: problem.fault} if key in FIELDS else {}


def _found(data: Path) -> dict[str, Any]:
    path = data / FILE
    if not path.is_file():
        return {}
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise BadInput("house.not_toml", file=FILE, why=str(error)) from error


def _width(text: str) -> float | str:
    """A width in mm; text that is none stays, and is refused with its key."""
    try:
        return float(parse_length(text))
    except (BadInput, ValueError):
        return text
