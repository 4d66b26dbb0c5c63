"""
Asking somebody to approve a sheet, and what was answered; each answer is a state that stays.

A draft and the certificate that is made of it bear one id, so that what was asked of the draft goes on for the
certificate.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final, Literal

import sqlalchemy as sa

from labkit.ledger.chain import Writer, writing
from labkit.ledger.files import checked_id, new_id
from labkit.ledger.people import MAY, Actor
from labkit.ledger.schema import DRAFT, RESULT
from labkit.ledger.store import open_store
from labkit.ledger.versions import current, newest, put
from labkit.problems import BadInput, Problem

REQUEST: Final = "request"

Answer = Literal["asked", "withdrawn", "sent back", "approved", "signed", "seen"]
"""Open; taken back by who asked; sent back with a note; approved; signed by who was asked; and the answer was read."""

_TOLD: Final = ("sent back", "approved", "signed")
"""Answers of which whoever asked is told."""


@dataclass(frozen=True)
class Request:
    """
    One request, as it stands.

    Attributes
    ----------
    id : str
    about : str
        The id of the draft, which is that of its certificate too.
    to : str
        Whom it was asked of; empty for any engineer or manager.
    says : str
        What the page said of the sheet when it was asked.
    by, asked : str
        Who asked, and when (UTC, ISO 8601 with Z).
    state : str
    note, answered_by, answered : str
        What was written back, by whom and when.
    """

    id: str
    about: str
    to: str
    says: str
    by: str
    asked: str
    state: Answer = "asked"
    note: str = ""
    answered_by: str = ""
    answered: str = ""

    @property
    def open(self) -> bool:
        return self.state == "asked"

    @property
    def told(self) -> bool:
        """Whether there is an answer that whoever asked has not yet put away."""
        return self.state in _TOLD


@dataclass(frozen=True)
class Subject:
    """
    A draft or certificate that somebody asked about.

    Attributes
    ----------
    id, rig, page, begun : str
        `begun` in UTC, ISO 8601 with Z.
    kind, number, signer, signed : str
        Of the certificate; empty while it is a draft.
    """

    id: str
    rig: str = ""
    page: str = ""
    begun: str = ""
    kind: str = ""
    number: str = ""
    signer: str = ""
    signed: str = ""


def ask(data: Path, about: str, who: Actor, *, to: str = "", says: str = "") -> Request:
    """
    Ask somebody to approve a draft or a certificate. Nobody needs to sign in for it.

    Parameters
    ----------
    data : Path
    about : str
        The id of the draft or of the certificate.
    who : Actor
        A person of the register.
    to : str
        A person who may approve; empty for anybody who may.
    says : str
        What the sheet says, in a few words.

    Raises
    ------
    BadInput
        ``bench.unknown``, ``draft.unknown``, ``request.cannot_approve``, ``request.of_oneself``,
        ``request.asked_already``.
    """
    with writing(data, who) as writer:
        people = _people(writer)
        if who.name not in people:
            raise BadInput("bench.unknown", kind="person", name=who.name or "–")
        if to and people.get(to, "") not in MAY["approve"]:
            raise BadInput("request.cannot_approve", name=to)
        if to == who.name:
            raise BadInput("request.of_oneself")
        if not _is_there(writer, checked_id(about)):
            raise BadInput("draft.unknown", id=about)
        before = open_request(writer, about)
        if before is not None:
            raise BadInput("request.asked_already", by=before.by, of=before.to or "–")
        made = Request(new_id(), about, to, says, who.name, writer.now())
        put_request(writer, made, "asked")
        return made


def withdraw_request(data: Path, request_id: str, who: Actor) -> None:
    """Take back what one asked; whoever asked, and nobody else."""
    with writing(data, who) as writer:
        request = _open(writer, request_id)
        if request.by != who.name:
            raise Problem("request.of_another", by=request.by)
        put_request(writer, _answered(writer, request, "withdrawn"), "withdrawn")


def send_back(data: Path, request_id: str, who: Actor, note: str) -> None:
    """
    Answer with a note: it stays as it is, and whoever asked is told.

    Raises
    ------
    BadInput
        ``request.no_note``, ``request.answered``.
    Problem
        ``door.…``: not allowed.
    """
    with writing(data, who) as writer:
        who.must("approve")
        if not note.strip():
            raise BadInput("request.no_note")
        put_request(writer, _answered(writer, _open(writer, request_id), "sent back", note), "sent back", note)


def seen(data: Path, request_id: str, who: Actor) -> None:
    """Put the answer to one's own request away."""
    with writing(data, who) as writer:
        request = _found(writer, request_id)
        if request.by != who.name:
            raise Problem("request.of_another", by=request.by)
        if request.told:
            put_request(writer, replace(request, state="seen"), "seen")


def signed_by(writer: Writer, about: str) -> None:
    """Within the transaction that keeps a certificate: who could have approved it has signed it, which answers."""
    request = open_request(writer, about)
    if request is not None and request.by != writer.who.name and writer.who.role in MAY["approve"]:
        put_request(writer, _answered(writer, request, "signed"), "answered by signing")


def requests(data: Path) -> tuple[Request, ...]:
    """Every request, the last one asked first."""
    store = open_store(data)
    with store.reading() as connection:
        found = [_of(each.body) for each in current(connection, store.laboratory, (REQUEST,))]
    return tuple(sorted(found, key=lambda each: each.asked, reverse=True))


def request_about(data: Path, about: str) -> Request | None:
    """What was asked last about a draft or certificate; None where nothing was."""
    return next((each for each in requests(data) if each.about == about), None)


def subjects(data: Path, ids: Iterable[str]) -> dict[str, Subject]:
    """What requests are about: each draft, or the certificate that was made of it, by its id."""
    wanted = list(ids)
    store = open_store(data)
    found: dict[str, Subject] = {}
    with store.reading() as connection:
        for table, columns in (
            (DRAFT, ("rig", "page", "begun")),
            (RESULT, ("rig", "kind", "number", "signer", "signed")),
        ):
            for row in connection.execute(
                sa.select(table.c.id, *(table.c[name] for name in columns)).where(
                    table.c.laboratory == store.laboratory, table.c.id.in_(wanted)
                )
            ):
                known = found.get(row.id, Subject(row.id))
                found[row.id] = replace(known, **{name: getattr(row, name) for name in columns})
    return found


def open_request(writer: Writer, about: str) -> Request | None:
    """The request about a draft or certificate that nobody has answered."""
    for each in current(writer.connection, writer.laboratory, (REQUEST,)):
        request = _of(each.body)
        if request.about == about and request.open:
            return request
    return None


def _answered(writer: Writer, request: Request, state: Answer, note: str = "") -> Request:
    return replace(request, state=state, note=note, answered_by=writer.who.name, answered=writer.now())


def _open(writer: Writer, request_id: str) -> Request:
    request = _found(writer, request_id)
    if not request.open:
        raise BadInput("request.answered", by=request.answered_by, state=request.state)
    return request


def _found(writer: Writer, request_id: str) -> Request:
    found = newest(writer.connection, writer.laboratory, REQUEST, checked_id(request_id))
    if found is None:
        raise BadInput("request.unknown")
    return _of(found.body)


def answer_request(writer: Writer, request: Request, state: Answer, note: str = "") -> None:
    """Within a transaction: the person who writes has answered."""
    put_request(writer, _answered(writer, request, state, note), state, note)


def put_request(writer: Writer, request: Request, what: str, why: str = "") -> None:
    """Within a transaction: the next state of a request."""
    put(writer, REQUEST, request.id, asdict(request), what, why)


def _of(body: Mapping[str, Any]) -> Request:
    return Request(**body)


def _is_there(writer: Writer, about: str) -> bool:
    for table in (DRAFT, RESULT):
        there = sa.select(table.c.id).where(table.c.laboratory == writer.laboratory, table.c.id == about)
        if writer.connection.execute(there).first() is not None:
            return True
    return False


def _people(writer: Writer) -> dict[str, str]:
    """The roles of everybody who is in use, by name."""
    return {
        each.subject: each.body["role"]
        for each in current(writer.connection, writer.laboratory, ("person",))
        if each.body["state"] == "in use"
    }
