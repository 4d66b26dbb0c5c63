"""Which gauge is in use in which rig: a gauge is one thing on one bench, and never in two rigs at once."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final

from labkit.ledger.chain import Writer, writing
from labkit.ledger.files import checked_id
from labkit.ledger.people import Actor
from labkit.ledger.store import open_store
from labkit.ledger.versions import current, newest, put
from labkit.problems import BadInput, Problem

LIVE: Final = "live"


@dataclass(frozen=True)
class Live:
    """
    A gauge in use.

    Attributes
    ----------
    gauge, rig : str
    drafts : tuple of str
        The ids of the drafts that use it; empty where it is free.
    person, since : str
        Who began, and when (UTC, ISO 8601 with Z).
    """

    gauge: str
    rig: str = ""
    drafts: tuple[str, ...] = ()
    person: str = ""
    since: str = ""


def claim(data: Path, gauge: str, rig: str, draft_id: str, who: Actor) -> None:
    """
    Take a gauge into use for a rig; done before its first reading is kept. Nothing happens where it is so already.

    Parameters
    ----------
    data : Path
    gauge : str
        Its name; nothing is claimed where a rig names none.
    rig, draft_id : str
    who : Actor

    Raises
    ------
    Problem
        ``gauge.in_use``: it is live in another rig.
    """
    if not gauge:
        return
    store = open_store(data)
    with store.reading() as connection:
        before = newest(connection, store.laboratory, LIVE, gauge)
    if before is not None and before.body["rig"] == rig and draft_id in before.body["drafts"]:
        return
    with writing(data, who) as writer:
        live = _live(writer, gauge)
        if not live.drafts:
            live = Live(gauge, rig, (), who.name, writer.now())
        if live.rig != rig:
            raise in_use(live)
        if draft_id not in live.drafts:
            _put(writer, replace(live, drafts=(*live.drafts, checked_id(draft_id))), "in use")


def release(data: Path, gauge: str, who: Actor, why: str) -> None:
    """
    Say that a gauge is free, whatever its drafts say: its probe was changed, or its page was left open.

    Raises
    ------
    BadInput
        ``register.no_reason``.
    """
    if not why.strip():
        raise BadInput("register.no_reason", name=gauge)
    with writing(data, who) as writer:
        if _live(writer, gauge).drafts:
            _put(writer, Live(gauge), "free", why)


def let_go(data: Path, draft_id: str, who: Actor) -> None:
    """The draft has no rig live any more: its readings were put away."""
    if any(draft_id in each.drafts for each in live_gauges(data)):
        with writing(data, who) as writer:
            let_go_of_all(writer, draft_id)


def let_go_of_all(writer: Writer, draft_id: str) -> None:
    """`let_go` within a transaction, such as the one that signs."""
    for each in current(writer.connection, writer.laboratory, (LIVE,)):
        live = _of(each.body)
        if draft_id in live.drafts:
            left = tuple(draft for draft in live.drafts if draft != draft_id)
            _put(writer, replace(live, drafts=left) if left else Live(live.gauge), "free")


def live_gauges(data: Path) -> tuple[Live, ...]:
    """Every gauge that is in use now."""
    store = open_store(data)
    with store.reading() as connection:
        found = [_of(each.body) for each in current(connection, store.laboratory, (LIVE,))]
    return tuple(each for each in found if each.drafts)


def in_use(live: Live) -> Problem:
    """What is said to who wants a gauge that is in use."""
    return Problem("gauge.in_use", gauge=live.gauge, rig=live.rig, person=live.person, since=live.since)


def _live(writer: Writer, gauge: str) -> Live:
    found = newest(writer.connection, writer.laboratory, LIVE, gauge)
    return _of(found.body) if found is not None else Live(gauge)


def _put(writer: Writer, live: Live, what: str, why: str = "") -> None:
    put(writer, LIVE, live.gauge, asdict(live), what, why)


def _of(body: object) -> Live:
    assert isinstance(body, dict)
    return Live(**{**body, "drafts": tuple(body["drafts"])})
