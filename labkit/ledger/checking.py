"""Walking the chain: every entry, every row that an entry speaks of, and every certificate that witnessed it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa

from labkit.ledger.backups import skipped_numbers
from labkit.ledger.canonical import row_digest, sha256
from labkit.ledger.chain import ENTRY_KEYS, Head
from labkit.ledger.instrument_certificates import INSTRUMENT_CERTIFICATE
from labkit.ledger.keeping import JSON, PDF
from labkit.ledger.numbering import last_certificate, missing_numbers
from labkit.ledger.schema import DRAFT, ENTRY, FILE, LABORATORY, LEAN, RESULT, VERSION
from labkit.ledger.shim_certificates import SHIM_CERTIFICATE
from labkit.ledger.signed import result_row
from labkit.ledger.store import START_HASH, open_store
from labkit.ledger.versions import current
from labkit.ledger.waiting import APPROVAL
from labkit.problems import Fault

MOST_FAULTS: Final = 100
"""Where more is broken than anybody reads, the rest is only counted."""

_STEP: Final = 10_000


@dataclass(frozen=True)
class ChainReport:
    """
    What a check of the ledger found.

    Attributes
    ----------
    entries : int
        Of the chain.
    head : Head
        Where it ends.
    rows : int
        How many rows were held against their entries.
    faults : tuple of Fault
        Where it is broken, the first `MOST_FAULTS` of them, in the order of the chain; empty where it is whole.
    more : int
        How many faults there are beyond these.
    """

    entries: int
    head: Head
    rows: int
    faults: tuple[Fault, ...]
    more: int = 0

    @property
    def whole(self) -> bool:
        return not self.faults

    def to_dict(self) -> dict[str, Any]:
        return {
            "entries": self.entries,
            "head": {"entries": self.head.entries, "hash": self.head.hash},
            "rows": self.rows,
            "whole": self.whole,
            "faults": [fault.to_dict() | {"says": str(fault)} for fault in self.faults],
            "more": self.more,
        }


def check(data: Path, witness: Head | None = None) -> ChainReport:
    """
    Hold every entry and every row of the ledger of `data` against the chain.

    Parameters
    ----------
    data : Path
    witness : Head, optional
        An end of the chain that was seen outside, such as the one printed on a certificate.

    Returns
    -------
    ChainReport
        An entry or a row that was altered, removed, added or moved outside the program is a fault that names it.

    Raises
    ------
    Problem
        ``ledger.damaged``: the database itself cannot be read.
    """
    store = open_store(data)
    with store.reading() as connection:
        return check_in(connection, store.laboratory, witness)


def check_in(connection: sa.Connection, laboratory: str, witness: Head | None = None) -> ChainReport:
    """`check` of a ledger in the database of `connection`, within its transaction."""
    return _Check(connection, laboratory).report(witness)


class _Check:
    def __init__(self, connection: sa.Connection, laboratory: str) -> None:
        self.connection = connection
        self.laboratory = laboratory
        self.found: list[Fault] = []
        self.count = 0
        self.rows = 0

    def report(self, witness: Head | None) -> ChainReport:
        self._database()
        head = Head(0, START_HASH)
        try:
            head = self._walk({} if witness is None else {witness.entries: witness.hash})
            for rows in (self._versions, self._drafts, self._results):
                for _ in rows():
                    self.rows += 1
            self._files()
        except (TypeError, ValueError, LookupError, AttributeError) as error:
            # a cell holds what no program of ours writes, such as bytes for a text
            self._fault("chain.database", why=f"{type(error).__name__}: {error}")
        shown = tuple(self.found[:MOST_FAULTS])
        return ChainReport(head.entries, head, self.rows, shown, self.count - len(shown))

    def _fault(self, code: str, **params: Any) -> None:
        self.count += 1
        if len(self.found) < MOST_FAULTS:
            self.found.append(Fault(code, params))

    def _database(self) -> None:
        """The pages of the file itself, indexes among them, which no entry speaks of."""
        if self.connection.dialect.name == "sqlite":
            said = self.connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar_one()
            if said != "ok":
                self._fault("chain.database", why=" ".join(str(said).split()))

    # ---- the chain ----

    def _walk(self, witnessed: Mapping[int, str]) -> Head:
        """Every entry in its order; the ends that certificates and the laboratory's row carry."""
        seen = dict(witnessed)
        for row in self.connection.execute(
            sa.select(RESULT.c.head, RESULT.c.head_hash, RESULT.c.number).where(RESULT.c.laboratory == self.laboratory)
        ):
            if row.head:
                seen.setdefault(row.head, row.head_hash)
        last, last_hash, last_at = 0, START_HASH, ""
        for entry in self._entries():
            seq, own = entry["seq"], entry.pop("hash")
            if seq != last + 1:
                self._fault("chain.gap", first=last + 1, last=seq - 1)
            elif entry["before"] != last_hash:
                self._fault("chain.not_joined", entry=seq)
            if row_digest(entry) != own:
                self._fault("chain.altered", entry=seq, who=entry["who"], at=entry["at"])
            if seen.pop(seq, own) != own:
                self._fault("chain.not_witnessed", entry=seq)
            if entry["at"] <= last_at:
                self._fault("chain.time", entry=seq)
            last, last_hash, last_at = seq, own, entry["at"]
        for seq in sorted(seq for seq in seen if seq > last):
            self._fault("chain.cut", entry=seq)
        row = self.connection.execute(sa.select(LABORATORY).where(LABORATORY.c.id == self.laboratory)).one()
        if (row.head, row.head_hash, row.last_at) != (last, last_hash, last_at):
            self._fault("chain.end", expected=row.head, found=last)
        return Head(last, last_hash)

    def _entries(self) -> Iterator[dict[str, Any]]:
        columns = [ENTRY.c[key] for key in (*ENTRY_KEYS, "hash")]
        result = self.connection.execution_options(yield_per=_STEP).execute(
            sa.select(*columns).where(ENTRY.c.laboratory == self.laboratory).order_by(ENTRY.c.seq)
        )
        keys = [column.name for column in columns]
        for row in result:
            yield dict(zip(keys, row, strict=True))

    # ---- what the entries speak of ----

    def _expected(self, kinds: sa.ColumnElement[bool]) -> dict[tuple[str, str, int], str]:
        """The digest that the entry of each row gives."""
        result = self.connection.execute(
            sa.select(ENTRY.c.kind, ENTRY.c.subject, ENTRY.c.revision, ENTRY.c.digest)
            .where(ENTRY.c.laboratory == self.laboratory, kinds)
            .order_by(ENTRY.c.seq)
        )
        return {(row.kind, row.subject, row.revision): row.digest for row in result}

    def _versions(self) -> Iterator[None]:
        expected = self._expected(ENTRY.c.kind.not_in(("draft", "result")))
        yield from self._compared(VERSION, expected, lambda row: (row["kind"], row["subject"], row["revision"]))

    def _drafts(self) -> Iterator[None]:
        newest = (
            sa.select(ENTRY.c.subject, sa.func.max(ENTRY.c.seq).label("seq"))
            .where(ENTRY.c.laboratory == self.laboratory, ENTRY.c.kind == "draft")
            .group_by(ENTRY.c.subject)
            .subquery()
        )
        result = self.connection.execute(
            sa.select(ENTRY.c.subject, ENTRY.c.revision, ENTRY.c.digest)
            .join(newest, ENTRY.c.seq == newest.c.seq)
            .where(ENTRY.c.laboratory == self.laboratory)
        )
        expected = {("draft", row.subject, row.revision): row.digest for row in result}
        yield from self._compared(DRAFT, expected, lambda row: ("draft", row["id"], row["revision"]))

    def _results(self) -> Iterator[None]:
        expected = self._expected(ENTRY.c.kind == "result")
        leans: dict[str, list[dict[str, Any]]] = {}
        for found in self._all(LEAN):
            leans.setdefault(found["result"], []).append(found)
        numbers: dict[str, str] = {}
        for row in self._all(RESULT):
            numbers[row["number"]] = row["kind"]
            self._compare(expected, ("result", row["id"], 1), result_row(row, leans.get(row["id"], [])), row["number"])
            yield
        self._missing(expected)
        given = self.connection.execute(
            sa.select(LABORATORY.c.last_number).where(LABORATORY.c.id == self.laboratory)
        ).scalar_one()
        last = last_certificate(numbers)
        if given < last:
            self._fault("chain.number_given", number=f"{last:04d}", given=f"{given:04d}")
        skipped = skipped_numbers(self.connection, self.laboratory)
        for missing in missing_numbers(given, numbers):
            if missing not in skipped:
                self._fault("chain.number_missing", number=missing)

    def _compared(self, table: sa.Table, expected: dict[tuple[str, str, int], str], key: Any) -> Iterator[None]:
        for row in self._all(table):
            self._compare(expected, key(row), row, key(row)[1])
            yield
        self._missing(expected)

    def _compare(
        self, expected: dict[tuple[str, str, int], str], key: tuple[str, str, int], row: Mapping[str, Any], name: str
    ) -> None:
        digest = expected.pop(key, None)
        params = {"kind": key[0], "name": name, "revision": key[2]}
        if digest is None:
            self._fault("chain.row_added", **params)
        elif row_digest(row) != digest:
            self._fault("chain.row_altered", **params)

    def _missing(self, expected: Mapping[tuple[str, str, int], str]) -> None:
        for kind, subject, revision in expected:
            self._fault("chain.row_removed", kind=kind, name=subject, revision=revision)

    def _all(self, table: sa.Table) -> Iterator[dict[str, Any]]:
        columns = [column for column in table.columns if column.name != "laboratory"]
        result = self.connection.execution_options(yield_per=_STEP).execute(
            sa.select(*columns).where(table.c.laboratory == self.laboratory)
        )
        keys = [column.name for column in columns]
        for row in result:
            yield dict(zip(keys, row, strict=True))

    def _files(self) -> None:
        """Every file is what its name says, and none is missing that a result or a certificate names."""
        there: dict[str, str] = {}
        for row in self.connection.execution_options(yield_per=100).execute(
            sa.select(FILE.c.sha256, FILE.c.media_type, FILE.c.content).where(FILE.c.laboratory == self.laboratory)
        ):
            self.rows += 1
            there[row.sha256] = row.media_type
            if sha256(row.content) != row.sha256:
                self._fault("chain.file_altered", sha256=row.sha256)
        for named in self.connection.execute(
            sa.select(RESULT.c.number, RESULT.c.pdf_sha256, RESULT.c.record_sha256).where(
                RESULT.c.laboratory == self.laboratory
            )
        ):
            if (there.get(named.pdf_sha256), there.get(named.record_sha256)) != (PDF, JSON):
                self._fault("chain.file_removed", number=named.number)
        for version in current(self.connection, self.laboratory, (APPROVAL,)):
            digest = version.body.get("pdf_sha256")
            if digest and there.get(digest) != PDF:
                self._fault("chain.approved_removed", number=version.body.get("number", version.subject))
        for version in current(self.connection, self.laboratory, (SHIM_CERTIFICATE, INSTRUMENT_CERTIFICATE)):
            digest = version.body["sha256"]
            if digest and there.get(digest) != PDF:
                code = (
                    "chain.shim_file_removed" if version.kind == SHIM_CERTIFICATE else "chain.instrument_file_removed"
                )
                self._fault(code, name=version.subject)
