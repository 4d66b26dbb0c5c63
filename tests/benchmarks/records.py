"""
How long a person waits for the list of Signed records: ``python -m tests.benchmarks.records [--results 100000]``.

Each question is asked of a ledger of so many results, and of two peers in the same run that hold the same rows in one
table of SQLite and nothing else: one is asked with LIKE, the other has SQLite's own index of words (FTS5, by trigrams,
so that it too finds parts of words). A question counts what there is and fetches the newest 20, as the page does.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

import sqlalchemy as sa

from labkit.ledger import Wanted, new_id, search
from labkit.ledger.canonical import sha256
from labkit.ledger.chain import writing
from labkit.ledger.leaning import leaning_on
from labkit.ledger.people import SYSTEM
from labkit.ledger.schema import LEAN, RESULT
from tests.postgres import Server

STEP = 5_000
PEOPLE = ["M. Okonjo", "D. Abara", "S. Whitby", "R. Halloran", *(f"Person {n}" for n in range(20))]
TARGETS = ("ball 1.5 mm", "ball 3.0 mm", "disc 5 mm by 1 mm", "wire 0.8 mm")
DECISIONS = ("pass", "conditional pass", "conditional fail", "fail")


def results(count: int) -> Iterator[tuple[dict[str, Any], list[str]]]:
    """Rows as the ledger keeps them, one every 80 minutes, with the shims that each leaned on."""
    chance, day = random.Random(1), datetime(2010, 1, 1, tzinfo=UTC)
    for n in range(1, count + 1):
        rig, signer = chance.randrange(1, 41), chance.choice(PEOPLE)
        shims = [f"Brass set {chance.choice('ABCDEFGH')}/A-{i}" for i in chance.sample(range(1, 11), 6)]
        found = {
            "kind": "calibration",
            "rig": f"Rig {rig}",
            "gauge": f"G-{rig // 2:02d}",
            "target": chance.choice(TARGETS),
            "customer": f"Line {chance.randrange(500)}",
            "decision": chance.choice(DECISIONS),
            "says": "1.2 µm",
        }
        words = {
            *found.values(),
            *shims,
            f"{n:04d}",
            signer,
            "LP-12",
            "T-3",
            "H-1",
            f"P{rig}",
            f"PO-{n * 7919 % 10**6}",
        }
        row = found | {
            "id": new_id(),
            "number": f"{n:04d}",
            "place": n,
            "signer": signer,
            "signed": (day + timedelta(minutes=80 * n)).strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
            "words": "\n".join(sorted(each.casefold() for each in words)),
            "replaces": "",
            "reason": "",
            "record_sha256": sha256(f"record {n}"),
            "pdf_sha256": sha256(f"pdf {n}"),
            "head": n,
            "head_hash": sha256(str(n)),
        }
        yield row, shims


def fill(data: Path, peer: sqlite3.Connection, count: int) -> None:
    """The same rows into the ledger and into the peers; without the chain, which no search asks."""
    peer.executescript(
        "PRAGMA journal_mode=WAL; CREATE TABLE plain (place INTEGER PRIMARY KEY, number, rig, signer, signed, words);"
        "CREATE VIRTUAL TABLE indexed USING fts5(words, content='', tokenize='trigram');"
    )
    with writing(data, SYSTEM) as writer:
        rows: list[dict[str, Any]] = []
        leans: list[dict[str, Any]] = []

        def flush() -> None:
            if rows:
                writer.connection.execute(sa.insert(RESULT), rows)
                writer.connection.execute(sa.insert(LEAN), leans)
                columns = ("place", "number", "rig", "signer", "signed", "words")
                plain = [tuple(row[name] for name in columns) for row in rows]
                peer.executemany("INSERT INTO plain VALUES (?, ?, ?, ?, ?, ?)", plain)
                peer.executemany("INSERT INTO indexed (rowid, words) VALUES (?, ?)", [(p[0], p[-1]) for p in plain])
            rows.clear()
            leans.clear()

        for row, shims in results(count):
            rows.append({"laboratory": writer.laboratory, **row})
            for shim in shims:
                own = {"result": row["id"], "kind": "shim", "subject": shim, "revision": 1, "detail": "{}"}
                leans.append({"laboratory": writer.laboratory, **own})
            if len(rows) >= STEP:
                flush()
        flush()
    peer.commit()


def seconds(call: Callable[[], object], times: int) -> float:
    taken = []
    for _ in range(times):
        begin = time.perf_counter()
        call()
        taken.append(time.perf_counter() - begin)
    return median(taken)


def with_like(peer: sqlite3.Connection, words: str) -> int:
    where = " AND ".join("words LIKE ?" for _ in words.split()) or "1"
    asked = [f"%{word}%" for word in words.casefold().split()]
    peer.execute(f"SELECT * FROM plain WHERE {where} ORDER BY place DESC LIMIT 20", asked).fetchall()
    return int(peer.execute(f"SELECT count(*) FROM plain WHERE {where}", asked).fetchone()[0])


def with_index(peer: sqlite3.Connection, words: str) -> int:
    """FTS5 finds no words of fewer than three letters, and its table has no rows to count without a word."""
    match = " AND ".join(f'"{word}"' for word in words.casefold().split())
    newest = peer.execute(
        "SELECT rowid FROM indexed WHERE indexed MATCH ? ORDER BY rowid DESC LIMIT 20", [match]
    ).fetchall()
    peer.execute(f"SELECT * FROM plain WHERE place IN ({','.join('?' for _ in newest)})", [row[0] for row in newest])
    return int(peer.execute("SELECT count(*) FROM indexed WHERE indexed MATCH ?", [match]).fetchone()[0])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--results", type=int, default=100_000)
    parser.add_argument("--times", type=int, default=9)
    parser.add_argument("--server", action="store_true", help="the ledger on PostgreSQL; the peers stay on SQLite")
    args = parser.parse_args()
    server = Server() if args.server else None
    with tempfile.TemporaryDirectory(prefix="labkit-records-") as name:
        folder = Path(name)
        data = server.settings(folder / "data") if server else folder / "data"
        peer = sqlite3.connect(folder / "peer.sqlite")
        try:
            begin = time.perf_counter()
            fill(data, peer, args.results)
            print(
                f"{args.results} results, filled in {time.perf_counter() - begin:.0f} s; median of {args.times} [ms]\n"
            )
            ask(data, peer, args.results, args.times)
        finally:
            peer.close()
            if server:
                server.remove()


def ask(data: Path, peer: sqlite3.Connection, count: int, times: int) -> None:
    print(f"{'words':32}{'found':>8}{'ledger':>10}{'LIKE':>10}{'ratio':>8}{'FTS5':>10}{'ratio':>8}")
    for words in ("", "okonjo", "g-07 okonjo", f"{count - 7}", f"po-{(count // 2) * 7919 % 10**6}", "brass", "zebra"):
        wanted = Wanted(words=words)
        found = search(data, wanted, limit=20).total
        assert found == with_like(peer, words)
        ours = 1000 * seconds(lambda wanted=wanted: search(data, wanted, limit=20), times)
        like = 1000 * seconds(lambda words=words: with_like(peer, words), times)
        line = f"{words or '(everything)':32}{found:8}{ours:10.1f}{like:10.1f}{ours / like:8.2f}"
        if words:
            assert found == with_index(peer, words)
            index = 1000 * seconds(lambda words=words: with_index(peer, words), times)
            line += f"{index:10.1f}{ours / index:8.2f}"
        print(line)
    print(f"\n{'other questions':32}{'found':>8}{'ledger':>10}")
    for said, wanted in {
        "rig": Wanted(rig="Rig 7"),
        "signer": Wanted(signer="M. Okonjo"),
        "decision, gauge and target": Wanted(decision="fail", gauge="G-07", target="ball 1.5 mm"),
        "a month": Wanted(since="2020-05-01", until="2020-05-31", zone="Europe/London"),
        "rig, a year and a word": Wanted(words="whitby", rig="Rig 7", since="2020-01-01", until="2020-12-31"),
    }.items():
        found = search(data, wanted, limit=20).total
        print(f"{said:32}{found:8}{1000 * seconds(lambda w=wanted: search(data, w, limit=20), times):10.1f}")
    deep = count - 30
    print(
        f"{'the last page of the list':32}{count:8}{1000 * seconds(lambda: search(data, limit=20, offset=deep), times):10.1f}"
    )
    _, total = leaning_on(data, "shim", "Brass set A/A-3")
    leaned = seconds(lambda: leaning_on(data, "shim", "Brass set A/A-3", limit=200), times)
    print(f"{'what leaned on a shim':32}{total:8}{1000 * leaned:10.1f}")


if __name__ == "__main__":
    main()
