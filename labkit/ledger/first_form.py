"""
Data folders of the first form, before there was a database: ``bench.json``, ``drafts/ID.json``,
``signed/NUMBER.{json,pdf}``.

They are brought in once, when the ledger is made, and are left where they are. Nothing is guessed: a file that cannot
be read stops it, and is named.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from labkit.ledger.canonical import canonical, sha256
from labkit.ledger.chain import Writer
from labkit.ledger.drafts import write_draft
from labkit.ledger.people import SYSTEM
from labkit.ledger.register import SCHEMA as BENCH_SCHEMA
from labkit.ledger.register import Bench
from labkit.ledger.registering import put_bench
from labkit.ledger.schema import LABORATORY
from labkit.ledger.signed import keep_result, record_sha256
from labkit.problems import Problem

_ENTRY_SCHEMA: Final = "labkit.entry/1"
_WHY: Final = "from the data folder of the first form"


def bring_in(data: Path, connection: sa.Connection, laboratory: str) -> None:
    """
    Bring what the first form kept in the data folder `data` into a ledger that is empty.

    Raises
    ------
    Problem
        ``ledger.unreadable``: a file is damaged, or made by a newer labkit; ``ledger.changed``: a certificate is not
        what was signed. Nothing is brought in then.
    """
    row = connection.execute(sa.select(LABORATORY).where(LABORATORY.c.id == laboratory)).one()
    writer = Writer(connection, row, SYSTEM)
    bench = data / "bench.json"
    if bench.exists():
        put_bench(writer, _bench(bench), _WHY)
    for path in sorted((data / "drafts").glob("*.json")):
        found = _object(path)
        if found.get("id") != path.stem or not isinstance(found.get("revision"), int):
            raise _unreadable(path, "it holds no draft of that name")
        write_draft(writer, found, "brought in", _WHY)
    for found, pdf in _signed(data):
        keep_result(writer, found["record"], pdf, found["number"], found["id"], _signer(found["record"]), found["kept"])
    writer.finish()


def _signed(data: Path) -> Iterator[tuple[dict[str, Any], bytes]]:
    for path in sorted((data / "signed").glob("*.json"), key=lambda path: path.stem.zfill(9)):
        found = _object(path)
        if found.get("schema") != _ENTRY_SCHEMA or found.get("number") != path.stem:
            raise _unreadable(path, "it holds no entry of that number")
        pdf = path.with_suffix(".pdf")
        content = pdf.read_bytes() if pdf.exists() else b""
        if record_sha256(found["record"]) != found["record_sha256"] or sha256(content) != found["pdf_sha256"]:
            raise Problem("ledger.changed", number=found["number"])
        yield found, content


def _signer(record: dict[str, Any]) -> str:
    return str(((record.get("inputs") or {}).get("about") or {}).get("operator") or "")


def _bench(path: Path) -> Bench:
    found = _object(path)
    if found.get("schema") != BENCH_SCHEMA:
        raise _unreadable(path, f"its form is {found.get('schema')!r}, this labkit reads {BENCH_SCHEMA!r}")
    try:
        return Bench.from_dict(found)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _unreadable(path, f"{type(error).__name__}: {error}") from error


def _object(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_bytes())
        canonical(found)
    except (ValueError, TypeError, AttributeError) as error:
        raise _unreadable(path, str(error)) from error
    if not isinstance(found, dict):
        raise _unreadable(path, "it holds no JSON object")
    return found


def _unreadable(path: Path, why: str) -> Problem:
    return Problem("ledger.unreadable", file=f"{path.parent.name}/{path.name}", why=why)
