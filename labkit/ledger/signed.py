"""Signed results: numbered per laboratory inside the lock that keeps them, each with its PDF and its hashes."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import rfc8785

from labkit.ledger.files import (
    checked_id,
    checked_number,
    new_id,
    one_writer,
    read_json,
    to_json,
    unreadable,
    utc_now,
    write_safely,
)
from labkit.problems import BadInput, Problem

SCHEMA: Final = "labkit.entry/1"


@dataclass(frozen=True)
class Entry:
    """
    One signed result as it is kept.

    Attributes
    ----------
    number : str
        The printed number, such as ``0119``.
    id : str
        UUIDv7, for life.
    rig : str
        The name of the rig that it is about.
    kept : str
        When it was signed and kept: UTC, ISO 8601 with Z.
    record : mapping
        What was signed, as data.
    pdf : Path
        The certificate.
    """

    number: str
    id: str
    rig: str
    kept: str
    record: Mapping[str, Any]
    pdf: Path


def sign_and_keep(data: Path, record: Mapping[str, Any], make_pdf: Callable[[str], bytes]) -> Entry:
    """
    Give a record the next number, have its signed PDF made, and keep both.

    Parameters
    ----------
    data : Path
        The data folder of the laboratory.
    record : mapping
        JSON without NaN. Its ``id`` is used where it has one; the rig is ``record["inputs"]["about"]["rig"]["name"]``.
    make_pdf : callable
        Takes the number, returns the signed PDF. It is called while nobody else can take a number; if it raises,
        the number is not used and nothing is kept.

    Returns
    -------
    Entry

    Raises
    ------
    BadInput
        ``ledger.kept_already``: a record of this id is in the ledger.
    """
    record_hash = record_sha256(record)
    with one_writer(data):
        entry_id = checked_id(record["id"]) if record.get("id") else new_id()
        for entry in _entries(data):
            if entry["id"] == entry_id:
                raise BadInput("ledger.kept_already", number=entry["number"])
        _clear_unfinished(data)
        number = f"{_last_number(data) + 1:04d}"
        pdf = make_pdf(number)
        found = {
            "schema": SCHEMA,
            "number": number,
            "id": entry_id,
            "rig": _rig_name(record),
            "kept": utc_now(),
            "record_sha256": record_hash,
            "pdf_sha256": hashlib.sha256(pdf).hexdigest(),
            "record": dict(record),
        }
        # the PDF first: an entry exists once its JSON does
        write_safely(data / "signed" / f"{number}.pdf", pdf)
        write_safely(data / "signed" / f"{number}.json", to_json(found))
    return _as_entry(data, found)


def find(data: Path, number_or_id: str) -> Entry:
    """
    The signed result with this printed number or this id.

    Raises
    ------
    BadInput
        ``ledger.not_found``, or ``ledger.bad_id`` where the text is neither.
    Problem
        ``ledger.unreadable`` where its file is damaged, ``ledger.changed`` where it is not what was signed.
    """
    number = checked_number(number_or_id)
    if number is not None:
        path = data / "signed" / f"{number}.json"
        if not path.exists():
            raise BadInput("ledger.not_found", wanted=number)
        return _checked(data, _read(path))
    entry_id = checked_id(number_or_id)
    for entry in _entries(data):
        if entry["id"] == entry_id:
            return _checked(data, entry)
    raise BadInput("ledger.not_found", wanted=entry_id)


def in_force(data: Path, rig_name: str) -> Entry | None:
    """The calibration signed last for the rig `rig_name`, or None where there is none."""
    for entry in _entries(data):
        if entry["rig"] == rig_name:
            return _checked(data, entry)
    return None


def record_sha256(record: Mapping[str, Any]) -> str:
    """
    SHA-256 of a record, in hexadecimal, over its canonical JSON.

    References
    ----------
    RFC 8785, JSON Canonicalization Scheme.
    """
    return hashlib.sha256(rfc8785.dumps(dict(record))).hexdigest()


def _rig_name(record: Mapping[str, Any]) -> str:
    about = (record.get("inputs") or {}).get("about") or {}
    return str((about.get("rig") or {}).get("name") or "")


def _entries(data: Path) -> Iterator[dict[str, Any]]:
    """Every entry, the newest first; a damaged one is a Problem, for nothing may be concluded without it."""
    for path in sorted((data / "signed").glob("*.json"), key=lambda path: path.stem.zfill(9), reverse=True):
        yield _read(path)


def _read(path: Path) -> dict[str, Any]:
    found = read_json(path)
    expected = {"schema": SCHEMA, "number": path.stem}
    if any(found.get(key) != value for key, value in expected.items()) or not isinstance(found.get("record"), dict):
        raise unreadable(path, "it holds no entry of that number")
    return found


def _checked(data: Path, found: dict[str, Any]) -> Entry:
    entry = _as_entry(data, found)
    pdf_hash = hashlib.sha256(entry.pdf.read_bytes()).hexdigest() if entry.pdf.exists() else ""
    if record_sha256(entry.record) != found["record_sha256"] or pdf_hash != found["pdf_sha256"]:
        raise Problem("ledger.changed", number=entry.number)
    return entry


def _as_entry(data: Path, found: Mapping[str, Any]) -> Entry:
    pdf = data / "signed" / f"{found['number']}.pdf"
    return Entry(found["number"], found["id"], found["rig"], found["kept"], found["record"], pdf)


def _last_number(data: Path) -> int:
    stems = [path.stem for path in (data / "signed").glob("*.json")]
    return max((int(stem) for stem in stems if checked_number(stem)), default=0)


def _clear_unfinished(data: Path) -> None:
    """A PDF without its JSON is from a crash while signing: it was given to nobody, and its number is free."""
    for pdf in (data / "signed").glob("*.pdf"):
        if not pdf.with_suffix(".json").exists():
            os.replace(pdf, pdf.with_name(f"{pdf.stem}.unfinished-{new_id()}"))
