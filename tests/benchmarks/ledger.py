"""
How the ledger grows: ``python -m tests.benchmarks.ledger [--entries 1000000] [--results 100000] [--server]``.

Append, search and the check of the chain, at a hundredth of the size and at the full size, beside a peer in the same
run: a table of SQLite with the same durability and no chain, into which the same bytes are written one by one.
"""

from __future__ import annotations

import argparse
import sqlite3
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from labkit.ledger import Actor, Wanted, check, find, in_force, new_id, save_draft, search, sign_and_keep
from labkit.ledger.chain import Writer, writing
from labkit.ledger.signed import keep_result
from labkit.ledger.versions import put
from tests.postgres import Server

WHO = Actor("M. Okonjo", "technician", proven=True)
RIGS = [f"Rig {n}" for n in range(1, 41)]
TARGETS = ("ball 1.5 mm", "ball 3.0 mm", "disc 5 mm by 1 mm", "wire 0.8 mm")
STEP = 5_000
PDF = b"%PDF-1.7 " + bytes(2_000)


def record(n: int) -> dict[str, object]:
    rig = {"name": RIGS[n % 40], "gauge": {"name": f"G-{n % 17:02d}"}, "target": {"kind": TARGETS[n % 4]}}
    about = {"rig": rig, "operator": WHO.name, "customer": {"name": f"Line {n % 9}"}}
    return {"schema": "labkit.calibration/1", "id": new_id(), "inputs": {"about": about}, "n": n}


def grow(data: Path, entries: int, results: int) -> None:
    """Up to so many entries, so many of them results; many in one transaction, as nobody works but a benchmark."""

    def step(writer: Writer) -> bool:
        for _ in range(STEP):
            if writer.head.entries >= entries:
                return False
            if writer.last_number < results and writer.head.entries * results >= writer.last_number * entries:
                n = writer.last_number + 1
                keep_result(writer, record(n), PDF + str(n).encode(), f"{n:04d}", new_id(), WHO.name)
            else:
                put(writer, "note", new_id(), {"about": "Rig 2", "text": "kept as a benchmark keeps it"})
        return True

    going = True
    while going:
        with writing(data, WHO) as writer:
            going = step(writer)


def seconds(call: Callable[[], object], times: int = 1) -> float:
    taken = []
    for _ in range(times):
        begin = time.perf_counter()
        call()
        taken.append(time.perf_counter() - begin)
    return median(taken)


def measured(data: Path) -> dict[str, float]:
    """Seconds of what a person waits for."""
    last = search(data, limit=1).lines[0]
    draft = {"id": new_id(), "owner": WHO.name, "person": WHO.name, "cells": [["0.503"]] * 60}
    revision = 0

    def save() -> None:
        nonlocal revision
        revision = save_draft(data, {**draft, "revision": revision}, WHO)

    return {
        "save a draft": seconds(save, 30),
        "sign and keep (PDF ready)": seconds(lambda: sign_and_keep(data, record(1), lambda _: PDF, WHO), 30),
        "newest 50 results": seconds(lambda: search(data), 10),
        "search two words": seconds(lambda: search(data, Wanted(words="rig okonjo")), 5),
        "search a rare word": seconds(lambda: search(data, Wanted(words=last.number)), 5),
        "search rig and day": seconds(lambda: search(data, Wanted(rig="Rig 7", since=last.signed[:10])), 5),
        "find by number": seconds(lambda: find(data, last.number), 20),
        "in force": seconds(lambda: in_force(data, "Rig 7"), 20),
        "check the chain": seconds(lambda: _whole(data)),
    }


def _whole(data: Path) -> None:
    assert check(data).whole


def peer(file: Path, times: int = 200) -> float:
    """Seconds for one row of the same size into a table of its own, as durable."""
    connection = sqlite3.connect(file, isolation_level=None)
    connection.executescript("PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; CREATE TABLE t (id TEXT, body TEXT)")
    return seconds(lambda: connection.execute("INSERT INTO t VALUES (?, ?)", (new_id(), "x" * 1000)), times)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--entries", type=int, default=1_000_000)
    parser.add_argument("--results", type=int, default=100_000)
    parser.add_argument("--server", action="store_true", help="on PostgreSQL")
    args = parser.parse_args()
    server = Server() if args.server else None
    with tempfile.TemporaryDirectory(prefix="labkit-ledger-") as name:
        folder = Path(name)
        data = server.settings(folder / "data") if server else folder / "data"
        try:
            columns = []
            for share in (100, 1):
                begin = time.perf_counter()
                grow(data, args.entries // share, args.results // share)
                grown = time.perf_counter() - begin
                columns.append((measured(data), peer(folder / f"{share}.sqlite"), grown))
            table(columns, args)
        finally:
            if server:
                server.remove()


def table(columns: list[tuple[dict[str, float], float, float]], args: argparse.Namespace) -> None:
    (small, small_peer, _), (large, large_peer, grown) = columns
    print(f"{'':28}{args.entries // 100:>12} entries{args.entries:>12} entries   growth   over the peer")
    for name, taken in large.items():
        ratio = f"{taken / large_peer:14.1f}" if name in ("save a draft", "sign and keep (PDF ready)") else ""
        print(f"{name:28}{1000 * small[name]:16.2f} ms{1000 * taken:16.2f} ms{taken / small[name]:9.1f}{ratio}")
    print(f"{'peer: one row, as durable':28}{1000 * small_peer:16.2f} ms{1000 * large_peer:16.2f} ms")
    print(f"grown in {grown:.0f} s, {args.entries / grown:.0f} entries a second")


if __name__ == "__main__":
    main()
