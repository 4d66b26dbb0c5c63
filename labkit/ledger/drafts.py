"""
Drafts: work that is not signed yet, kept after each change.

A draft is a JSON object. A few of its keys are read here, the rest belongs to the page that made it: ``id`` (`new_id`),
``revision`` (0 for a new one), ``number`` (given when it was signed: it is then no longer listed), ``owner`` (whose
work it is, as soon as there is work; nobody else changes it then), and for the list ``page``, ``rig``, ``person`` and
``begun``.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from labkit.ledger.canonical import canonical
from labkit.ledger.chain import Writer, writing
from labkit.ledger.files import checked_id, utc_now
from labkit.ledger.people import Actor
from labkit.ledger.schema import DRAFT
from labkit.ledger.store import open_store
from labkit.problems import BadInput, Problem


@dataclass(frozen=True)
class DraftLine:
    """
    One line of the list of drafts.

    Attributes
    ----------
    id, page, rig, person, owner : str
        The person at the page; the owner is empty while nothing was read.
    begun, saved : str
        UTC, ISO 8601 with Z.
    revision : int
    """

    id: str
    page: str = ""
    rig: str = ""
    person: str = ""
    owner: str = ""
    begun: str = ""
    saved: str = ""
    revision: int = 0


def save_draft(data: Path, draft: Mapping[str, Any], who: Actor | None = None) -> int:
    """
    Keep a draft.

    Parameters
    ----------
    data : Path
        The data folder.
    draft : mapping
        With its ``id``, and the ``revision`` that `save_draft` returned last (0 or absent for a new one).
    who : Actor
        Who changes it; by default the person whom the draft names, unproven.

    Returns
    -------
    int
        The revision under which it is kept now.

    Raises
    ------
    Problem
        ``draft.newer_elsewhere``: another tab has saved it since. ``draft.of_another``: it is a colleague's, and was
        not taken over. ``page.signed``: it was signed. Nothing is written.
    BadInput
        The id is none, or the draft holds what JSON has no form for.
    """
    draft_id = checked_id(draft.get("id"))
    who = who or Actor(str(draft.get("person") or ""))
    with writing(data, who) as writer:
        before = _row(writer.connection, writer.laboratory, draft_id)
        revision = int(draft.get("revision", 0))
        owner = str(draft.get("owner") or "")
        if before is not None:
            if before.revision > revision:
                raise Problem("draft.newer_elsewhere", saved=before.saved)
            if before.number and before.number != draft.get("number"):
                raise BadInput("page.signed", number=before.number)
            owner = before.owner or owner
            revision = before.revision
        if owner not in ("", who.name):
            raise Problem("draft.of_another", owner=owner)
        return write_draft(writer, {**draft, "revision": revision + 1, "owner": owner}, "saved")


def write_draft(writer: Writer, draft: Mapping[str, Any], what: str, why: str = "") -> int:
    """Write the next state of a draft, as it is, and its entry; its revision."""
    row: dict[str, Any] = {
        key: str(draft.get(key) or "") for key in ("page", "rig", "person", "owner", "begun", "number")
    }
    row |= {
        "id": draft["id"],
        "revision": draft["revision"],
        "saved": utc_now(),
    }
    try:
        row["body"] = canonical({**draft, "saved": row["saved"]})
    except ValueError as error:
        raise BadInput("ledger.no_json", why=str(error)) from error
    mine = (DRAFT.c.laboratory == writer.laboratory) & (DRAFT.c.id == row["id"])
    if writer.connection.execute(sa.update(DRAFT).where(mine).values(row)).rowcount == 0:
        writer.connection.execute(sa.insert(DRAFT), {"laboratory": writer.laboratory, **row})
    writer.enter(what, "draft", row["id"], row["revision"], row, why)
    return int(row["revision"])


def take_over(data: Path, draft_id: str, who: Actor, why: str = "") -> int:
    """
    Make a colleague's draft one's own; the readings in it keep the names of those who took them.

    Returns
    -------
    int
        The revision under which it is kept now; tabs that hold an earlier one can only look.

    Raises
    ------
    BadInput
        ``draft.unknown``, ``page.signed``.
    Problem
        ``door.…``: not signed in.
    """
    with writing(data, who) as writer:
        who.must("take over")
        before = _unsigned(writer, draft_id)
        taken = {**_body(before), "revision": before.revision + 1, "person": who.name, "owner": who.name}
        return write_draft(writer, taken, "taken over", why)


def owner_of(writer: Writer, draft_id: str) -> str:
    """
    Whose an unsigned draft is; empty where it is nobody's yet.

    Raises
    ------
    BadInput
        ``ledger.bad_id``, ``draft.unknown``, ``page.signed``.
    """
    return str(_unsigned(writer, draft_id).owner)


def load_draft(data: Path, draft_id: str) -> dict[str, Any]:
    """
    A draft as it was saved last, with its ``revision`` and ``saved`` (UTC).

    Raises
    ------
    BadInput
        ``ledger.bad_id`` or ``draft.unknown``.
    """
    store = open_store(data)
    with store.reading() as connection:
        row = _row(connection, store.laboratory, checked_id(draft_id))
    if row is None:
        raise BadInput("draft.unknown", id=draft_id)
    return _body(row)


def _body(row: sa.Row[Any]) -> dict[str, Any]:
    try:
        found: dict[str, Any] = json.loads(row.body)
    except ValueError as error:
        raise Problem("ledger.damaged", why=f"draft {row.id}: {error}") from error
    return found


def list_drafts(data: Path) -> tuple[DraftLine, ...]:
    """The drafts that are not signed, last saved first."""
    store = open_store(data)
    columns = [DRAFT.c[name] for name in DraftLine.__dataclass_fields__]
    with store.reading() as connection:
        rows = connection.execute(
            sa.select(*columns)
            .where(DRAFT.c.laboratory == store.laboratory, DRAFT.c.number == "")
            .order_by(DRAFT.c.saved.desc(), DRAFT.c.id.desc())
        ).all()
    return tuple(DraftLine(*row) for row in rows)


def draft_bodies(data: Path, ids: Iterable[str]) -> dict[str, dict[str, Any]]:
    """These drafts, as `load_draft` gives them, by their ids; those that are not there are left out."""
    store = open_store(data)
    with store.reading() as connection:
        rows = connection.execute(
            sa.select(DRAFT).where(DRAFT.c.laboratory == store.laboratory, DRAFT.c.id.in_(list(ids)))
        ).all()
    return {row.id: _body(row) for row in rows}


def _unsigned(writer: Writer, draft_id: str) -> sa.Row[Any]:
    row = _row(writer.connection, writer.laboratory, checked_id(draft_id))
    if row is None:
        raise BadInput("draft.unknown", id=draft_id)
    if row.number:
        raise BadInput("page.signed", number=row.number)
    return row


def _row(connection: sa.Connection, laboratory: str, draft_id: str) -> sa.Row[Any] | None:
    return connection.execute(sa.select(DRAFT).where(DRAFT.c.laboratory == laboratory, DRAFT.c.id == draft_id)).first()
