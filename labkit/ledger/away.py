"""Drafts that nobody goes on with: put away with a reason, out of the list, and there when they are wanted again."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

from labkit.ledger.chain import Writer, writing
from labkit.ledger.drafts import owner_of
from labkit.ledger.live import let_go_of_all
from labkit.ledger.people import Actor
from labkit.ledger.store import open_store
from labkit.ledger.versions import current, put
from labkit.problems import BadInput, Problem

AWAY: Final = "away"


@dataclass(frozen=True)
class Away:
    """
    A draft that was put away, or taken out again.

    Attributes
    ----------
    draft : str
        Its id.
    why, by, at : str
        The reason, by whom and when (UTC, ISO 8601 with Z); the reason is empty where it was taken out again.
    """

    draft: str
    why: str
    by: str
    at: str


def put_away(data: Path, draft_id: str, who: Actor, why: str) -> None:
    """
    Put a draft away; its gauge is free then. Whose it is may, and whoever may approve.

    Raises
    ------
    BadInput
        ``register.no_reason``, ``draft.unknown``, ``page.signed``.
    Problem
        ``door.…``: not signed in. ``draft.of_another``: it is a colleague's.
    """
    with writing(data, who) as writer:
        _may(writer, draft_id)
        if not why.strip():
            raise BadInput("register.no_reason", name="the draft")
        put(writer, AWAY, draft_id, asdict(Away(draft_id, why, who.name, writer.now())), "put away", why)
        let_go_of_all(writer, draft_id)


def take_out(data: Path, draft_id: str, who: Actor) -> None:
    """Have a draft that was put away in the list again."""
    with writing(data, who) as writer:
        _may(writer, draft_id)
        put(writer, AWAY, draft_id, asdict(Away(draft_id, "", who.name, writer.now())), "taken out")


def away_drafts(data: Path) -> dict[str, Away]:
    """What was put away, by the draft's id."""
    store = open_store(data)
    with store.reading() as connection:
        found = [Away(**each.body) for each in current(connection, store.laboratory, (AWAY,))]
    return {each.draft: each for each in found if each.why}


def _may(writer: Writer, draft_id: str) -> None:
    writer.who.must("take over")
    owner = owner_of(writer, draft_id)
    if owner not in ("", writer.who.name) and not writer.who.may("approve"):
        raise Problem("draft.of_another", owner=owner)
