"""Unfinished pages as the Bench lists them: where each stands and what is left, read from the draft alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from labkit.ledger import Away, Bench, DraftLine
from labkit.workflow.clock import today
from labkit.workflow.log import PARTS
from labkit.workflow.particulars import switched_on

Draft = Mapping[str, Any]

MOST_NAMED: Final = 4
"""Rows that are named one by one; where more are left, they are counted."""


@dataclass(frozen=True)
class Standing:
    """
    How far a page has come.

    Attributes
    ----------
    section : int
        The first with something left; 0 where nobody can say.
    title : str
    left : tuple of str
        What is left there and after, in a few words each.
    """

    section: int = 0
    title: str = ""
    left: tuple[str, ...] = ()


@dataclass(frozen=True)
class Unfinished:
    """A draft, where it stands, and whether it was put away."""

    line: DraftLine
    standing: Standing
    order: str = ""
    away: Away | None = None


@dataclass(frozen=True)
class WarmUp:
    """
    A rig that was switched on today.

    Attributes
    ----------
    rig : str
    since, warm : str
        UTC, ISO 8601 with Z.
    needs_min : float
    """

    rig: str
    since: str
    warm: str
    needs_min: float

    def minutes_on(self, now: str) -> float:
        return (datetime.fromisoformat(now) - datetime.fromisoformat(self.since)).total_seconds() / 60


def standing_of(draft: Draft) -> Standing:
    """Where a draft stands; nothing is computed for it, so a curve that does not fit is not among what is left."""
    reader = _STANDINGS.get(str(draft.get("page", "")))
    return reader(draft) if reader is not None else Standing()


def warm_up_of(draft: Draft, bench: Bench, now: str) -> WarmUp | None:
    """The warm-up clock of a draft; None where its rig was not switched on today."""
    fields = _fields(draft)
    rig = next((each for each in bench.rigs if each.name == fields.get("rig")), None)
    if rig is None or not fields.get("switched_on") or not draft.get("begun"):
        return None
    try:
        since = switched_on(fields["switched_on"], str(draft["begun"]), bench.zone)
        needs = float((fields.get("needs_min") or str(rig.rig.warm_up_min or 0)).replace(",", "."))
    except ValueError:
        return None
    if today(since, bench.zone) != today(now, bench.zone) or not 0 < needs <= 24 * 60:
        return None
    warm = datetime.fromisoformat(since) + timedelta(minutes=needs)
    return WarmUp(rig.name, since, warm.strftime("%Y-%m-%dT%H:%M:%SZ"), needs)


def order_of(draft: Draft) -> str:
    """The customer's order that a draft is for."""
    return _fields(draft).get("order", "")


def _fields(draft: Draft) -> dict[str, str]:
    work = draft.get("work")
    fields = work.get("fields") if isinstance(work, Mapping) else None
    return {str(key): str(value) for key, value in fields.items()} if isinstance(fields, Mapping) else {}


def _calibrate(draft: Draft) -> Standing:
    steps = (
        (1, "Rig and conditions", _conditions),
        (2, "As found", _as_found),
        (3, "Readings", _readings),
        (6, "Check shims", _checks),
    )
    found = [(no, title, said) for no, title, left in steps if (said := tuple(left(draft)))]
    if not found:
        return Standing(7, "Sheet", ("to be signed",))
    no, title, _ = found[0]
    return Standing(no, title, tuple(each for _, _, said in found for each in said))


def _conditions(draft: Draft) -> Iterator[str]:
    fields = _fields(draft)
    if not fields.get("rig"):
        yield "no rig chosen"
    elif not fields.get("temperature"):
        yield "temperature"


def _as_found(draft: Draft) -> Iterator[str]:
    if not _fields(draft).get("as_found_reason") and not any(_taken(line) for line in _lines(draft, "as-found")):
        yield "as found"


def _readings(draft: Draft) -> Iterator[str]:
    lines = _lines(draft, "readings")
    if not any(_taken(line) for line in lines):
        yield "no readings yet"
        return
    yield from _named([line for line in lines if not line.get("set_aside") and _taken(line) < line.get("wanted", 0)])


def _checks(draft: Draft) -> Iterator[str]:
    lines = _lines(draft, "checks")
    if not any(_taken(line) for line in lines):
        yield "check shims"
        return
    yield from _named([line for line in lines if not line.get("set_aside") and _taken(line) < line.get("wanted", 0)])


def _named(lines: list[Mapping[str, Any]]) -> Iterator[str]:
    if len(lines) > MOST_NAMED:
        yield f"{len(lines)} rows"
        return
    for line in lines:
        role = str(line.get("role", ""))
        name = " + ".join(map(str, line.get("shims") or ())) or role.removeprefix("closing-")
        yield f"{name}, closing" if role.startswith("closing") else name


def _lines(draft: Draft, part: str) -> list[Mapping[str, Any]]:
    work = draft.get("work")
    log = work.get("log") if isinstance(work, Mapping) else None
    return [line for line in log or () if isinstance(line, Mapping) and line.get("role") in PARTS[part]]


def _taken(line: Mapping[str, Any]) -> int:
    return sum(bool(cell.get("text")) for cell in line.get("cells") or ())


def _check(draft: Draft) -> Standing:
    log = draft.get("log")
    lines = [line for line in log or () if isinstance(line, Mapping)] if isinstance(log, list) else []
    left = [line for line in lines if not line.get("set_aside") and _taken(line) < line.get("wanted", 0)]
    if not lines:
        return Standing(1, "Today’s check", ("no rig chosen" if not draft.get("rig") else "no readings yet",))
    return Standing(1, "Today’s check", tuple(_named(left))) if left else Standing(2, "Decision", ("to be signed",))


_STANDINGS: Final[dict[str, Callable[[Draft], Standing]]] = {"calibrate": _calibrate, "check": _check}
"""How the draft of each page is read; one line for a page."""
