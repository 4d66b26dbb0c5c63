"""
Many technicians on one machine: ``python -m tests.benchmarks.load [--sessions 20] [--pause 4] [--readings 40]``.

Each scripted session opens the page Calibrate, says who it is, chooses a rig and takes readings of the demo gauge, one
every few seconds as a hand does, the draft saved and the curve computed after each. Timed is each reading, from the
message that a browser would send to the answer that it has arrived; the same for one session alone, in the same run.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from labkit.ledger import check, list_drafts, load_draft
from labkit.ledger.demo import demo_bench
from tests.attacks.visitor import Visitor, Workbook
from tests.browser.conftest import Served, serving
from tests.typist import Typist, choose

PLACES = ("zero:", "fit:A-2", "fit:A-8")
SHOWN = {"zero:": 0.009, "fit:A-2": 0.258, "fit:A-8": 2.497}


class Session:
    """One scripted technician."""

    def __init__(self, served: Served, person: str, seed: int) -> None:
        begun = time.perf_counter()
        self.page: Workbook = Visitor(served.root).come_in(served.token).open()
        self.opened_s = time.perf_counter() - begun
        self.random = random.Random(seed)
        self.taken_s: list[float] = []
        choose(self.page, "Who is at this page", person)
        choose(self.page, "Rig", "Rig 2")
        self.typist = Typist(self.page)

    def take(self, count: int, pause_s: float) -> None:
        for i in range(count):
            row = PLACES[i // 5 % len(PLACES)]
            text = f"{SHOWN[row] + self.random.choice((0.0, 0.001)):.3f}"
            begun = time.perf_counter()
            self.typist.take(row, i // 15 * 5 + i % 5, text)
            self.taken_s.append(time.perf_counter() - begun)
            time.sleep(self.random.uniform(0.5, 1.5) * pause_s)


def memory_mb(served: Served) -> list[float]:
    """Proportional set size [MB] of each kernel of this server."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            command = (folder / "cmdline").read_bytes()
            environment = (folder / "environ").read_bytes()
            if b"ipykernel_launcher" in command and str(served.data).encode() in environment:
                rollup = (folder / "smaps_rollup").read_text()
                found.append(int(rollup.split("Pss:")[1].split()[0]) / 1024)
        except (OSError, IndexError):
            continue
    return found


def run(served: Served, count: int, readings: int, pause_s: float) -> tuple[list[Session], list[float]]:
    people = [person.name for person in demo_bench().people if person.role == "technician"]
    sessions: list[Session] = []
    for n in range(count):
        sessions.append(Session(served, people[n % len(people)], n))
    workers = [threading.Thread(target=session.take, args=(readings, pause_s)) for session in sessions]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    memory = memory_mb(served)
    for session in sessions:
        assert len(session.taken_s) == readings, "a session broke off"
        session.page.close()
    return sessions, memory


def said(name: str, sessions: list[Session], memory: list[float]) -> None:
    taken = 1000 * np.concatenate([session.taken_s for session in sessions])
    opened = [session.opened_s for session in sessions]
    print(
        f"{name:12} {np.median(taken):8.0f} ms {np.percentile(taken, 95):8.0f} ms {taken.max():8.0f} ms"
        f" {np.median(opened):7.1f} s {np.median(memory):7.0f} MB {sum(memory):8.0f} MB  ({len(taken)} readings)"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=20)
    parser.add_argument("--readings", type=int, default=40)
    parser.add_argument("--pause", type=float, default=4.0, help="mean seconds between two readings of one session")
    args = parser.parse_args()
    cores, load = os.cpu_count(), os.getloadavg()[0]
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False)
    print(f"{cores} cores, load {load:.1f} before, commit {commit.stdout.strip()}")
    print(
        f"{'':12} {'median':>8}    {'95 %':>8}    {'longest':>8}    {'opening':>7}   {'a page':>7}    {'all kernels':>8}"
    )
    with tempfile.TemporaryDirectory(prefix="labkit-load-") as folder, serving(Path(folder)) as (served, _):
        said("one session", *run(served, 1, args.readings, args.pause / 4))
        said(f"{args.sessions} sessions", *run(served, args.sessions, args.readings, args.pause))
        drafts = [load_draft(served.data, line.id) for line in list_drafts(served.data)]
        kept = sum(bool(cell["text"]) for draft in drafts for line in draft["work"]["log"] for cell in line["cells"])
        expected = args.readings * (args.sessions + 1)
        whole = check(served.data).whole
        print(
            f"{kept} of {expected} readings are in {len(drafts)} drafts; the chain is {'whole' if whole else 'broken'}"
        )


if __name__ == "__main__":
    main()
