"""Registering, changing, setting aside and withdrawing what lies on the bench; nothing is deleted."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from labkit.ledger.bench_rows import KINDS, Subject, bench_of, subjects
from labkit.ledger.chain import Writer, writing
from labkit.ledger.people import MAY, SYSTEM, Actor
from labkit.ledger.register import Bench
from labkit.ledger.schema import ENTRY
from labkit.ledger.store import open_store
from labkit.ledger.versions import Version, current, history, newest, put
from labkit.problems import BadInput, Problem


def load_bench(data: Path) -> Bench:
    """
    What is registered in the ledger of the data folder `data`; an empty `Bench` where nothing has been yet.

    Raises
    ------
    Problem
        The ledger cannot be read, or a newer labkit has written in it.
    """
    store = open_store(data)
    with store.reading() as connection:
        found = current(connection, store.laboratory, KINDS)
    try:
        return bench_of(found)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise Problem("ledger.damaged", why=f"{type(error).__name__}: {error}") from error


def load_register(data: Path, *kinds: str) -> tuple[Version, ...]:
    """Everything of these kinds (default all), in use or not, as it is registered now."""
    store = open_store(data)
    with store.reading() as connection:
        return tuple(current(connection, store.laboratory, kinds or KINDS))


def history_of(data: Path, kind: str, name: str) -> tuple[Version, ...]:
    """Every state of one registered thing, the first one first: a shim's certificates, a procedure's revisions."""
    store = open_store(data)
    with store.reading() as connection:
        return tuple(history(connection, store.laboratory, kind, name))


def reasons_of(data: Path, kind: str, name: str) -> dict[int, str]:
    """The reason that was given for each state of a registered thing, by its revision; empty where none was needed."""
    store = open_store(data)
    with store.reading() as connection:
        rows = connection.execute(
            sa.select(ENTRY.c.revision, ENTRY.c.why).where(
                ENTRY.c.laboratory == store.laboratory, ENTRY.c.kind == kind, ENTRY.c.subject == name
            )
        ).all()
    return {row.revision: row.why for row in rows}


def save_bench(data: Path, bench: Bench, who: Actor = SYSTEM, why: str = "") -> None:
    """
    Register everything of `bench` at once; what was in use and is not in it is withdrawn.

    Parameters
    ----------
    data : Path
    bench : Bench
        Its `not_in_use` is not looked at: what is set aside stays so.
    who : Actor
        May register; without a person in the register, anybody may.
    why : str
    """
    with writing(data, who) as writer:
        must(writer, "register")
        put_bench(writer, bench, why)


def put_bench(writer: Writer, bench: Bench, why: str = "") -> None:
    """`save_bench` within a transaction."""
    there = {(each.kind, each.subject): each for each in current(writer.connection, writer.laboratory, KINDS)}
    wanted = list(subjects(bench))
    for order, subject in enumerate(wanted):
        before = there.pop((subject.kind, subject.name), None)
        _put(writer, subject, before, why, order)
    for (kind, name), left in there.items():
        if left.body["state"] == "in use":
            put(writer, kind, name, {**left.body, "state": "withdrawn", "why": why}, "withdrawn", why)


def register(data: Path, kind: str, name: str, body: Mapping[str, Any], who: Actor, why: str = "") -> int:
    """
    Register a thing, or its next state; its revision.

    Parameters
    ----------
    data : Path
    kind : str
        Of `labkit.ledger.bench_rows.KINDS`.
    name : str
        What the laboratory calls it; for a shim ``SET/SHIM``.
    body : mapping
        As `labkit.ledger.bench_rows.subjects` writes it.
    who : Actor
        May register; for a person, administer.
    why : str
        Needed where something is changed that was registered before.

    Raises
    ------
    BadInput
        ``register.no_name``, ``register.no_reason``, ``register.wrong``: the bench could not be read with it.
    Problem
        ``door.…``: not allowed.
    """
    if kind not in KINDS or not name.strip():
        raise BadInput("register.no_name", kind=kind)
    with writing(data, who) as writer:
        must(writer, "administer" if kind in ("person", "laboratory") else "register")
        before = newest(writer.connection, writer.laboratory, kind, name)
        if before is not None and not why.strip():
            raise BadInput("register.no_reason", name=name)
        order, leads = next_order(writer, kind), _leads(writer)
        revision = _put(writer, Subject(kind, name, body), before, why, order)
        try:
            bench_of(current(writer.connection, writer.laboratory, KINDS))
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise BadInput("register.wrong", kind=kind, name=name, why=str(error)) from error
        _somebody_left(writer, leads)
        return revision


def withdraw(data: Path, kind: str, name: str, who: Actor, why: str) -> None:
    """
    Take a thing out of use for good: it stays in the register, with the reason.

    Raises
    ------
    BadInput
        ``bench.unknown``, ``register.no_reason``.
    Problem
        ``door.…``: not allowed.
    """
    with writing(data, who) as writer:
        must(writer, "administer" if kind == "person" else "register")
        leads = _leads(writer)
        _set_state(writer, kind, name, "withdrawn", why)
        _somebody_left(writer, leads)


def set_aside(data: Path, set_name: str, shim: str, who: Actor, why: str) -> None:
    """
    Put a shim that was dropped or damaged aside: it cannot be used until it is put back with a new certificate.

    Anybody may: a shim in doubt is better lost than trusted.

    Raises
    ------
    BadInput
        ``bench.unknown``, ``register.no_reason``.
    """
    with writing(data, who) as writer:
        _set_state(writer, "shim", f"{set_name}/{shim}", "set aside", why)


def put_back(data: Path, kind: str, name: str, who: Actor, why: str) -> None:
    """Use a thing again that was set aside or withdrawn; who may register, with a reason."""
    with writing(data, who) as writer:
        must(writer, "administer" if kind == "person" else "register")
        _set_state(writer, kind, name, "in use", why)


def _put(writer: Writer, subject: Subject, before: Version | None, why: str, order: int) -> int:
    own = {"order": order, "state": "in use", "why": ""}
    if before is not None:
        own = {key: before.body[key] for key in own}
        if own["state"] == "withdrawn":
            own |= {"state": "in use", "why": ""}
    return put(writer, subject.kind, subject.name, {**subject.body, **own}, why=why)


def _set_state(writer: Writer, kind: str, name: str, state: str, why: str) -> None:
    if not why.strip():
        raise BadInput("register.no_reason", name=name)
    before = newest(writer.connection, writer.laboratory, kind, name)
    if before is None:
        raise BadInput("bench.unknown", kind=kind, name=name)
    what = {"in use": "put back"}.get(state, state)
    put(writer, kind, name, {**before.body, "state": state, "why": why}, what, why)


def _leads(writer: Writer) -> list[str]:
    """Everybody in use who may register."""
    people = current(writer.connection, writer.laboratory, ("person",))
    return [each.subject for each in people if each.body["state"] == "in use" and each.body["role"] in MAY["register"]]


def _somebody_left(writer: Writer, before: list[str]) -> None:
    """Nobody takes away the last person who could register another one."""
    if before and not _leads(writer):
        raise BadInput("register.last_one", name=before[0])


def next_order(writer: Writer, kind: str) -> int:
    """The place of a new thing of a kind: behind all that are registered."""
    return 1 + max((each.body["order"] for each in current(writer.connection, writer.laboratory, (kind,))), default=-1)


def must(writer: Writer, action: str) -> None:
    """
    Go on only if the writer may do this in this laboratory.

    Until somebody is registered who could let others do it, anybody may; and engineers administer where there is no
    manager.
    """
    if writer.who == SYSTEM:
        return
    people = current(writer.connection, writer.laboratory, ("person",))
    if not any(each.body["role"] in MAY["register"] for each in people):
        return
    managers = any(each.body["role"] == "manager" and each.body["state"] == "in use" for each in people)
    if action == "administer" and not managers and writer.who.may("register"):
        return
    writer.who.must(action)
