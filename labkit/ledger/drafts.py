"""
Drafts: work that is not signed yet, kept after each change.

A draft is a JSON object. Four of its keys are read here, the rest belongs to the page that made it: ``id``
(`new_id`), ``revision`` (0 for a new one), ``number`` (given when it was signed: it is then no longer listed), and
for the list ``page``, ``rig``, ``person`` and ``begun``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labkit.ledger.files import (
    checked_id,
    one_writer,
    read_json,
    set_aside,
    to_json,
    unreadable,
    utc_now,
    write_safely,
)
from labkit.problems import BadInput, Fault, Problem


@dataclass(frozen=True)
class DraftLine:
    """
    One line of the list of drafts.

    Attributes
    ----------
    id, page, rig, person : str
    begun, saved : str
        UTC, ISO 8601 with Z.
    revision : int
    fault : Fault or None
        Why it cannot be opened; the other fields but `id` are then empty.
    """

    id: str
    page: str = ""
    rig: str = ""
    person: str = ""
    begun: str = ""
    saved: str = ""
    revision: int = 0
    fault: Fault | None = None


def save_draft(data: Path, draft: Mapping[str, Any]) -> int:
    """
    Keep a draft.

    Parameters
    ----------
    data : Path
        The data folder.
    draft : mapping
        With its ``id``, and the ``revision`` that `save_draft` returned last (0 or absent for a new one).

    Returns
    -------
    int
        The revision under which it is kept now.

    Raises
    ------
    Problem
        ``draft.newer_elsewhere``: another tab has saved it since; nothing is written.
    BadInput
        The id is none.
    """
    path = _path(data, draft.get("id"))
    with one_writer(data):
        kept = 0
        if path.exists():
            try:
                current = _read(path)
            except Problem:
                set_aside(path)
            else:
                kept = current["revision"]
                if kept > int(draft.get("revision", 0)):
                    raise Problem("draft.newer_elsewhere", saved=current.get("saved", ""))
        revision = max(kept, int(draft.get("revision", 0))) + 1
        write_safely(path, to_json({**draft, "revision": revision, "saved": utc_now()}))
    return revision


def load_draft(data: Path, draft_id: str) -> dict[str, Any]:
    """
    A draft as it was saved last, with its ``revision`` and ``saved`` (UTC).

    Raises
    ------
    BadInput
        ``ledger.bad_id`` or ``draft.unknown``.
    Problem
        ``ledger.unreadable``: the file is damaged. It is left as it is.
    """
    path = _path(data, draft_id)
    try:
        return _read(path)
    except FileNotFoundError:
        raise BadInput("draft.unknown", id=draft_id) from None


def list_drafts(data: Path) -> tuple[DraftLine, ...]:
    """The drafts that are not signed, last saved first; damaged ones at the end, each with its fault."""
    lines, damaged = [], []
    for path in sorted((data / "drafts").glob("*.json")):
        try:
            found = _read(path)
        except FileNotFoundError:
            continue  # set aside by another process since the folder was listed
        except Problem as problem:
            damaged.append(DraftLine(path.stem, fault=problem.fault))
            continue
        if not found.get("number"):
            lines.append(_line(found))
    return (*sorted(lines, key=lambda line: line.saved, reverse=True), *damaged)


def _line(found: Mapping[str, Any]) -> DraftLine:
    page, rig, person, begun, saved = (str(found.get(key) or "") for key in ("page", "rig", "person", "begun", "saved"))
    return DraftLine(found["id"], page, rig, person, begun, saved, found["revision"])


def _path(data: Path, draft_id: object) -> Path:
    return data / "drafts" / f"{checked_id(draft_id)}.json"


def _read(path: Path) -> dict[str, Any]:
    found = read_json(path)
    if not isinstance(found.get("revision"), int) or found.get("id") != path.stem:
        raise unreadable(path, "it holds no draft of that name")
    return found
