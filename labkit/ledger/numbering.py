"""Printed numbers, given inside the transaction that keeps a result: certificates in one row, checks after theirs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import sqlalchemy as sa

from labkit.ledger.backups import skipped_numbers
from labkit.ledger.canonical import canonical, sha256
from labkit.ledger.chain import Writer
from labkit.ledger.force import row_in_force
from labkit.ledger.schema import LEAN, RESULT
from labkit.problems import BadInput

CHECK: Final = "check"
"""The kind of result that has no number of its own: ``0094-09`` is the ninth check of certificate 0094."""

CERTIFICATE: Final = "result"
"""The kind of what a check leans on: the certificate, by its id."""


def next_number(writer: Writer, kind: str, record: Mapping[str, Any]) -> str:
    """
    The number that a result is given.

    Parameters
    ----------
    writer : Writer
        In its transaction nobody else takes a number.
    kind : str
    record : mapping

    Returns
    -------
    str

    Raises
    ------
    BadInput
        A check without an outcome; one whose certificate is not in the ledger as the check has it, or no longer in
        force for its rig.
    """
    if kind != CHECK:
        return f"{writer.last_number + 1:04d}"
    certificate = _certificate(writer, record)
    leans = (LEAN.c.laboratory == writer.laboratory) & (LEAN.c.kind == CERTIFICATE) & (LEAN.c.subject == certificate.id)
    both = (RESULT.c.laboratory == LEAN.c.laboratory) & (RESULT.c.id == LEAN.c.result)
    before = writer.connection.execute(
        sa.select(RESULT.c.number).select_from(LEAN).join(RESULT, both).where(leans, RESULT.c.kind == CHECK)
    ).scalars()
    # those that a restore has lost were handed out, and are no other check's
    taken = [*before, *(n for n in skipped_numbers(writer.connection, writer.laboratory) if "-" in n)]
    mine = [int(n.partition("-")[2]) for n in taken if n.startswith(f"{certificate.number}-")]
    return f"{certificate.number}-{max(mine, default=0) + 1:02d}"


def take_number(writer: Writer, kind: str, number: str) -> int:
    """Enter a number as given; the place of the result among all of them, from 1."""
    if kind != CHECK:
        writer.last_number = max(writer.last_number, int(number))
    last = writer.connection.execute(
        sa.select(sa.func.coalesce(sa.func.max(RESULT.c.place), 0)).where(RESULT.c.laboratory == writer.laboratory)
    ).scalar_one()
    return int(last) + 1


def last_certificate(numbers: Mapping[str, str]) -> int:
    """The highest number of a certificate among these, given with their kinds; 0 where there is none."""
    own = (number for number, kind in numbers.items() if kind != CHECK)
    return max((int(number) for number in own if _counted(number)), default=0)


def missing_numbers(given: int, numbers: Mapping[str, str]) -> list[str]:
    """
    Numbers that were given and are not there.

    Parameters
    ----------
    given : int
        The last number of a certificate.
    numbers : mapping of str to str
        The kind of each result, by its number; a number that somebody has tampered with may be any text.
    """
    certificates = {number for number, kind in numbers.items() if kind != CHECK}
    checks: dict[str, int] = {}
    for number, kind in numbers.items():
        certificate, _, count = number.partition("-")
        if kind == CHECK and _counted(count):
            checks[certificate] = max(checks.get(certificate, 0), int(count))
    wanted = [f"{n:04d}" for n in range(1, given + 1)]
    of_checks = [f"{each}-{n:02d}" for each, last in sorted(checks.items()) for n in range(1, last + 1)]
    return [each for each in wanted if each not in certificates] + [each for each in of_checks if each not in numbers]


def _counted(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 10


def _certificate(writer: Writer, record: Mapping[str, Any]) -> sa.Row[Any]:
    """The certificate that a check leans on: as it is in the ledger, and in force."""
    held = (record.get("inputs") or {}).get("calibration") or {}
    number = str(held.get("number") or "")
    if not (record.get("results") or {}).get("verdict"):
        raise BadInput("ledger.no_outcome", number=number)
    mine = (RESULT.c.laboratory == writer.laboratory) & (RESULT.c.kind != CHECK)
    row = writer.connection.execute(sa.select(RESULT).where(mine, RESULT.c.number == number)).first()
    if row is None or row.record_sha256 != sha256(canonical(held.get("record") or {})):
        raise BadInput("ledger.no_certificate", number=number)
    newest = row_in_force(writer.connection, writer.laboratory, row.rig)
    if newest is None or newest.number != number:
        newer = newest.number if newest is not None else "–"
        raise BadInput("ledger.not_in_force", number=number, rig=row.rig, newer=newer)
    return row
