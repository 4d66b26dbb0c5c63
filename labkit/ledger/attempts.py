"""Wrong passphrases, counted for all pages and stations together: a signing file rests after too many in a row."""

from __future__ import annotations

import logging
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import sqlalchemy as sa

from labkit.ledger.chain import Writer, writing
from labkit.ledger.people import Actor
from labkit.ledger.schema import ATTEMPT
from labkit.ledger.versions import put
from labkit.problems import BadInput

FREE_TRIES: Final = 3
"""Wrong passphrases in a row before the file rests."""

FIRST_REST_S: Final = 60
LONGEST_REST_S: Final = 3600
"""The rest doubles with each further wrong one, up to this [s]."""

_LOG: Final = logging.getLogger(__name__)


def before_passphrase(data: Path, person: str) -> None:
    """
    A passphrase of `person` is about to be tried.

    Raises
    ------
    BadInput
        ``door.rests``: too many wrong ones were tried; with the seconds that are left.
    """
    with writing(data, Actor(person)) as writer:
        wrong, last = _found(writer, person)
        left = _rest_s(wrong) - _seconds_since(last) if wrong >= FREE_TRIES else 0.0
    if left > 0:
        _LOG.warning("refused: a passphrase of %r while the signing file rests", person[:80])
        raise BadInput("door.rests", seconds=int(left) + 1)


def wrong_passphrase(data: Path, person: str) -> None:
    """It was wrong: counted and logged, and entered in the chain once the file rests."""
    with writing(data, Actor(person)) as writer:
        wrong = _found(writer, person)[0] + 1
        _write(writer, person, wrong)
        if wrong >= FREE_TRIES:
            put(writer, "passphrase", person, {"wrong": wrong}, "refused")
    _LOG.warning("refused: wrong passphrase of %r, %d in a row", person[:80], wrong)


def right_passphrase(data: Path, person: str) -> None:
    """It was right: the count begins anew."""
    with writing(data, Actor(person)) as writer:
        if _found(writer, person)[0]:
            _write(writer, person, 0)


def _rest_s(wrong: int) -> float:
    return float(min(FIRST_REST_S * 2 ** min(wrong - FREE_TRIES, 10), LONGEST_REST_S))


def _seconds_since(last: str) -> float:
    """A clock that was set back does not make the rest longer."""
    return max((_now() - datetime.fromisoformat(last)).total_seconds(), 0.0) if last else LONGEST_REST_S


def _now() -> datetime:
    return datetime.now(UTC)


def _found(writer: Writer, person: str) -> tuple[int, str]:
    row = writer.connection.execute(sa.select(ATTEMPT).where(*_mine(writer, person))).first()
    return (row.wrong, row.last) if row is not None else (0, "")


def _write(writer: Writer, person: str, wrong: int) -> None:
    values = {"wrong": wrong, "last": _now().isoformat()}
    if writer.connection.execute(sa.update(ATTEMPT).where(*_mine(writer, person)).values(values)).rowcount == 0:
        row = {"laboratory": writer.laboratory, "person": person, **values}
        writer.connection.execute(sa.insert(ATTEMPT), row)


def _mine(writer: Writer, person: str) -> tuple[sa.ColumnElement[bool], ...]:
    return ATTEMPT.c.laboratory == writer.laboratory, ATTEMPT.c.person == person
