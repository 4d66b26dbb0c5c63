"""The audit chain: whatever is altered, removed, added or moved outside the program is found, and said where."""

from __future__ import annotations

import shutil
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa

from labkit.ledger import (
    Actor,
    Head,
    chain,
    check,
    find,
    head,
    load_draft,
    new_id,
    save_bench,
    save_draft,
    set_aside,
    sign_and_keep,
)
from labkit.ledger.demo import demo_bench
from labkit.ledger.schema import METADATA
from labkit.ledger.store import close_store, open_store
from labkit.problems import Problem

WHO = Actor("M. Okonjo", "technician", proven=True)
RIG = {"name": "Rig 2", "gauge": {"name": "G-07"}, "target": {"name": "Ball 1.5", "kind": "ball 1.5 mm"}}
UNCHAINED = {("attempt", column) for column in ("laboratory", "person", "wrong", "last")}
"""Counts wrong passphrases; everything else in the database is under the chain."""


def record(n: int) -> dict[str, object]:
    return {"schema": "labkit.calibration/1", "id": new_id(), "n": n, "inputs": {"about": {"rig": RIG}}}


def filled(data: Path) -> Path:
    save_bench(data, demo_bench())
    for n in range(3):
        found = record(n)
        save_draft(data, {"id": found["id"], "page": "calibrate", "person": WHO.name, "owner": WHO.name}, WHO)
        sign_and_keep(data, found, lambda place: f"%PDF {place}".encode(), WHO)
    save_draft(data, {"id": new_id(), "page": "calibrate", "person": WHO.name, "owner": WHO.name}, WHO)
    set_aside(data, "Brass set A", "A-4", WHO, "dropped")
    return data


def outside(data: Path, *statements: str) -> None:
    """Change the database as somebody with a database tool would."""
    with open_store(data).engine.connect().execution_options(labkit_writes=True) as connection, connection.begin():
        for statement in statements:
            connection.execute(sa.text(statement))


def codes(data: Path) -> list[str]:
    return [fault.code for fault in check(data).faults]


def test_a_ledger_that_nobody_touched_is_whole(ledger_folder: Path) -> None:
    report = check(filled(ledger_folder))
    assert report.whole and report.entries == report.head.entries == head(ledger_folder).entries
    assert report.rows > 50


WAYS: dict[str, tuple[str, list[str]]] = {
    "an entry is edited": ("UPDATE entry SET why = 'nothing' WHERE {mine} AND what = 'set aside'", ["chain.altered"]),
    "an entry is edited and sealed again": (
        "UPDATE entry SET hash = substr(hash, 2) || substr(hash, 1, 1) WHERE {mine} AND seq = 7",
        ["chain.altered", "chain.not_joined"],
    ),
    "an entry is removed": ("DELETE FROM entry WHERE {mine} AND seq = 5", ["chain.gap", "chain.row_added"]),
    "the last entries are cut off": (
        "DELETE FROM entry WHERE {mine} AND what = 'set aside'",
        ["chain.end", "chain.row_added"],
    ),
    "the head is edited": ("UPDATE laboratory SET head = head + 1 WHERE id = {id}", ["chain.end"]),
    "a person becomes an engineer": (
        "UPDATE version SET body = replace(body, 'technician', 'engineer') WHERE {mine} AND subject = 'D. Abara'",
        ["chain.row_altered"],
    ),
    "a shim is put back": (
        "DELETE FROM version WHERE {mine} AND subject = 'Brass set A/A-4' AND revision = 2",
        ["chain.row_removed"],
    ),
    "a state is added": (
        "INSERT INTO version SELECT laboratory, kind, subject, 3, at, who, body FROM version "
        "WHERE {mine} AND subject = 'Brass set A/A-4' AND revision = 1",
        ["chain.row_added"],
    ),
    "a draft is edited": (
        "UPDATE draft SET body = replace(body, 'Okonjo', 'Abara') WHERE {mine} AND number = ''",
        ["chain.row_altered"],
    ),
    "a draft is removed": ("DELETE FROM draft WHERE {mine} AND number = ''", ["chain.row_removed"]),
    "a certificate says another decision": (
        "UPDATE result SET decision = 'pass' WHERE {mine} AND number = '0002'",
        ["chain.row_altered"],
    ),
    "certificates change their numbers": (
        "UPDATE result SET place = 4 - place WHERE {mine}",
        ["chain.row_altered", "chain.row_altered"],
    ),
    "a certificate leans on another gauge": (
        "UPDATE lean SET subject = 'G-11' WHERE {mine} AND kind = 'gauge' AND result = (SELECT id FROM result WHERE {mine} AND number = '0001')",
        ["chain.row_altered"],
    ),
    "a file is edited": (
        "UPDATE file SET content = CAST('%PDF another' AS {blob}) WHERE {mine} AND media_type = 'application/pdf' "
        "AND sha256 = (SELECT pdf_sha256 FROM result WHERE {mine} AND number = '0003')",
        ["chain.file_altered"],
    ),
    "a file is removed": (
        "DELETE FROM file WHERE {mine} AND sha256 = (SELECT record_sha256 FROM result WHERE {mine} AND number = '0003')",
        ["chain.file_removed"],
    ),
}


@pytest.mark.parametrize("way", WAYS)
def test_what_was_done_outside_is_found(ledger_folder: Path, way: str) -> None:
    statement, expected = WAYS[way]
    data = filled(ledger_folder)
    store = open_store(data)
    blob = "bytea" if store.engine.dialect.name == "postgresql" else "BLOB"
    # other tests have laboratories of their own on the same server
    quoted = f"'{store.laboratory}'"
    statement = statement.format(mine=f"laboratory = {quoted}", id=quoted, blob=blob)
    outside(data, statement)
    assert codes(data) == expected
    assert all(str(fault) for fault in check(data).faults)


def test_a_removed_certificate_leaves_a_hole_in_the_numbers(tmp_path: Path) -> None:
    data = filled(tmp_path)
    outside(
        data,
        "DELETE FROM lean WHERE result = (SELECT id FROM result WHERE number = '0002')",
        "DELETE FROM result WHERE number = '0002'",
    )
    assert codes(data) == ["chain.row_removed", "chain.number_missing"]


def test_two_entries_that_change_places_are_found(tmp_path: Path) -> None:
    data = filled(tmp_path)
    outside(
        data,
        "UPDATE entry SET seq = -1 WHERE seq = 8",
        "UPDATE entry SET seq = 8 WHERE seq = 9",
        "UPDATE entry SET seq = 9 WHERE seq = -1",
    )
    assert {"chain.altered", "chain.not_joined"} <= set(codes(data))


def test_who_forges_the_whole_end_is_found_by_a_certificate(tmp_path: Path) -> None:
    """The last entries and the head rolled back together: nothing inside shows it, a certificate that was sent does."""
    data = filled(tmp_path)
    before = head(data)
    kept = sign_and_keep(data, record(9), lambda place: str(place).encode(), WHO)
    assert kept.head == before
    later = head(data)
    file = data / "ledger.sqlite"
    rolled_back = sqlite3.connect(file)
    last = rolled_back.execute("SELECT before FROM entry WHERE seq = ?", (later.entries,)).fetchone()[0]
    rolled_back.executescript(
        f"DELETE FROM lean WHERE result = '{kept.id}'; DELETE FROM result WHERE id = '{kept.id}';"
        f"DELETE FROM entry WHERE seq = {later.entries};"
        f"UPDATE laboratory SET head = head - 1, head_hash = '{last}', last_number = last_number - 1, "
        "last_at = (SELECT max(at) FROM entry);"
    )
    rolled_back.close()
    assert check(data).whole
    assert not check(data, witness=later).whole
    forged = Head(before.entries, "0" * 64)
    assert [fault.code for fault in check(data, witness=forged).faults] == ["chain.not_witnessed"]
    assert check(data, witness=before).whole


def _cells() -> list[tuple[str, str]]:
    return [
        (table.name, column.name)
        for table in METADATA.sorted_tables
        for column in table.columns
        if (table.name, column.name) not in UNCHAINED
    ]


@pytest.fixture(scope="module")
def once_filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    data = filled(tmp_path_factory.mktemp("filled"))
    close_store(data)
    return data


@pytest.mark.parametrize(("table", "column"), _cells(), ids=lambda cell: str(cell))
def test_no_cell_can_be_changed_unseen(once_filled: Path, tmp_path: Path, table: str, column: str) -> None:
    data = shutil.copytree(once_filled, tmp_path / "copy")
    connection = sqlite3.connect(data / "ledger.sqlite")
    value, row = connection.execute(
        f'SELECT "{column}", rowid FROM "{table}" ORDER BY rowid LIMIT 1 OFFSET 0'
    ).fetchone()
    other = value + 1000 if isinstance(value, int) else value + (b"x" if isinstance(value, bytes) else "x")
    connection.execute(f'UPDATE "{table}" SET "{column}" = ? WHERE rowid = ?', (other, row))
    connection.commit()
    connection.close()
    assert not check(data).whole


def test_a_clock_that_is_set_back_does_not_turn_the_order_round(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = filled(tmp_path)

    class Back(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:
            return datetime(2001, 1, 1, tzinfo=UTC)

    monkeypatch.setattr(chain, "datetime", Back)
    save_draft(data, {"id": new_id()}, WHO)
    save_draft(data, {"id": new_id()}, WHO)
    assert check(data).whole
    with open_store(data).reading() as connection:
        times = list(connection.execute(sa.text("SELECT at FROM entry ORDER BY seq")).scalars())
    assert times == sorted(set(times)) and times[-1] > "2026"


@pytest.mark.parametrize("which", ["record_sha256", "pdf_sha256"])
@pytest.mark.parametrize("how", ["UPDATE file SET content = CAST('x' AS BLOB)", "DELETE FROM file"])
def test_what_was_changed_afterwards_is_not_handed_out(tmp_path: Path, which: str, how: str) -> None:
    data = filled(tmp_path)
    outside(data, f"{how} WHERE sha256 = (SELECT {which} FROM result WHERE number = '0002')")
    with pytest.raises(Problem) as refused:
        find(data, "0002")
    assert refused.value.code == "ledger.changed"
    assert find(data, "0003").number == "0003"


def test_a_body_that_is_no_draft_any_more_is_a_problem_and_no_crash(tmp_path: Path) -> None:
    data = filled(tmp_path)
    draft = new_id()
    save_draft(data, {"id": draft}, WHO)
    outside(data, f"UPDATE draft SET body = 'no JSON' WHERE id = '{draft}'")
    with pytest.raises(Problem) as refused:
        load_draft(data, draft)
    assert refused.value.code == "ledger.damaged"
