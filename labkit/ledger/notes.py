"""Notes that a person writes about a thing of the register: they stand in the margin until they are struck out."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final

from labkit.ledger.chain import writing
from labkit.ledger.files import checked_id, new_id
from labkit.ledger.people import Actor
from labkit.ledger.store import open_store
from labkit.ledger.versions import current, newest, put
from labkit.problems import BadInput

NOTE: Final = "note"
LONGEST: Final = 500


@dataclass(frozen=True)
class Note:
    """
    One note.

    Attributes
    ----------
    id : str
    kind, name : str
        Of what: a kind of the register, or "draft", and its name or id.
    text : str
    by, at : str
        Who wrote it, and when (UTC, ISO 8601 with Z).
    struck : str
        Who struck it out; empty where it stands.
    """

    id: str
    kind: str
    name: str
    text: str
    by: str
    at: str
    struck: str = ""


def write_note(data: Path, kind: str, name: str, text: str, who: Actor) -> Note:
    """
    Write a note about a thing.

    Raises
    ------
    BadInput
        ``note.empty``, ``note.long``.
    Problem
        ``door.…``: not signed in.
    """
    with writing(data, who) as writer:
        who.must("note")
        if not text.strip():
            raise BadInput("note.empty")
        if len(text) > LONGEST:
            raise BadInput("note.long", limit=LONGEST)
        note = Note(new_id(), kind, name, text.strip(), who.name, writer.now())
        put(writer, NOTE, note.id, asdict(note), "noted")
        return note


def strike_out(data: Path, note_id: str, who: Actor) -> None:
    """Take a note out of the margin; it stays in the ledger."""
    with writing(data, who) as writer:
        who.must("note")
        found = newest(writer.connection, writer.laboratory, NOTE, checked_id(note_id))
        if found is not None and not found.body["struck"]:
            put(writer, NOTE, note_id, asdict(replace(Note(**found.body), struck=who.name)), "struck out")


def notes(data: Path, kind: str = "", name: str = "") -> tuple[Note, ...]:
    """The notes that stand, the last one first; all of them, or those about one kind or thing."""
    store = open_store(data)
    with store.reading() as connection:
        found = [Note(**each.body) for each in current(connection, store.laboratory, (NOTE,))]
    standing = [each for each in found if not each.struck and kind in ("", each.kind) and name in ("", each.name)]
    return tuple(sorted(standing, key=lambda each: each.at, reverse=True))
