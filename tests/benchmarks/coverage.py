"""
Coverage by simulation: ``python -m tests.benchmarks.coverage`` calibrates on thousands of benches whose truth is known.

A cell is a target, a noise level, a number of shims and a kind of signal. Each has a result file of its own, written
after every few calibrations, so that a run may be stopped at any time and taken up again with ``--resume``;
``--table`` prints what the files hold as Markdown.
"""

from __future__ import annotations

import argparse
import fnmatch
import hashlib
import json
import multiprocessing
import os
import subprocess
import sys
import time
from functools import partial
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
RESULTS = Path(__file__).with_name("coverage")

FORM = "labkit.coverage/1"

# what the numbers depend on: a result file never mixes two states of it
CODE = ("labkit/curves", "labkit/metrology", "labkit/calibration", "labkit/bench")
SIMULATION = ("tests/benchmarks/benches.py", "tests/benchmarks/trials.py", "sample_data/model.py")

CHUNK = 25
"""Calibrations between two writes of a result file."""


def main(arguments: list[str] | None = None) -> int:
    asked = _parser().parse_args(arguments)
    # the children read it when they start: calibrations run side by side, each on one thread
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    from tests.benchmarks.benches import CELLS
    from tests.benchmarks.coverage_table import table

    if asked.out is None and asked.seeds != "table":
        print(f"--seeds {asked.seeds} needs --out: {RESULTS} is for the published table.", file=sys.stderr)
        return 2
    out = asked.out or RESULTS
    names = [name for name in CELLS if any(fnmatch.fnmatch(name, each) for each in asked.cells.split(","))]
    if asked.table:
        print(table([json.loads(path.read_text("utf-8")) for name in names if (path := _path(out, name)).exists()]))
        return 0
    if not names:
        print(f"No cell matches {asked.cells}. There are: {', '.join(CELLS)}.", file=sys.stderr)
        return 2
    out.mkdir(parents=True, exist_ok=True)
    begun = [name for name in names if _path(out, name).exists()]
    if begun and not asked.resume:
        print(f"There are results of {', '.join(begun)}; --resume goes on with them.", file=sys.stderr)
        return 2
    code = {"code": code_hash(), "seeds": asked.seeds}
    for name in begun:
        found = json.loads(_path(out, name).read_text("utf-8"))
        if any(found[key] != value for key, value in code.items()):
            print(f"{_path(out, name)} was begun with another code or other seeds: move it away.", file=sys.stderr)
            return 2
    with multiprocessing.get_context("spawn").Pool(asked.processes) as pool:
        for name in names:
            _fill(pool, name, asked.count, out, {"form": FORM, "commit": commit(), **code})
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.coverage", description=__doc__)
    parser.add_argument("--cells", default="*", help="names of cells, such as 'ball-*-7-raw,wire-quiet-*'")
    parser.add_argument("--count", type=int, default=2000, help="calibrations a cell (2000)")
    parser.add_argument("--resume", action="store_true", help="go on where the result files stand")
    parser.add_argument("--processes", type=int, default=os.cpu_count(), help="side by side (one a core)")
    parser.add_argument("--out", type=Path, help=f"folder of the result files ({RESULTS.relative_to(ROOT)})")
    parser.add_argument("--seeds", choices=("table", "building"), default="table", help="which benches (table)")
    parser.add_argument("--table", action="store_true", help="print what the result files hold, and stop")
    return parser


def _path(out: Path, name: str) -> Path:
    return out / f"{name}.json"


def _fill(pool: Any, name: str, count: int, out: Path, head: dict[str, Any]) -> None:
    """Bring a cell to `count` calibrations."""
    from tests.benchmarks.trials import CellTally

    path = _path(out, name)
    tally = CellTally.from_dict(json.loads(path.read_text("utf-8"))["tally"]) if path.exists() else CellTally()
    begin, first = time.perf_counter(), tally.count
    # in order, whatever ends first: the sums do not depend on how many processes there are
    trials = pool.imap(partial(_trial, name, head["seeds"]), range(first, count))
    for trial in trials:
        tally.add(trial)
        if tally.count % CHUNK == 0 or tally.count == count:
            _write(path, head | {"cell": name, "count": tally.count, "tally": tally.to_dict()})
    spent = time.perf_counter() - begin
    if tally.count > first:
        print(f"{name}: {tally.count} ({1e3 * spent / (tally.count - first):.0f} ms each)", flush=True)


def _trial(name: str, seeds: str, index: int) -> Any:
    from tests.benchmarks.benches import CELLS, draw
    from tests.benchmarks.trials import Trial, run

    try:
        return run(draw(CELLS[name], index, seeds))  # type: ignore[arg-type]
    except Exception as fault:
        # a long run goes on; the table counts it by its name
        print(f"{name}, bench {index}: {fault!r}", file=sys.stderr, flush=True)
        return Trial(type(fault).__name__)


def _write(path: Path, content: dict[str, Any]) -> None:
    """Whole or not at all."""
    beside = path.with_suffix(".part")
    beside.write_text(json.dumps(content, separators=(",", ":")) + "\n", "utf-8")
    beside.replace(path)


def code_hash() -> str:
    """SHA-256 over every file on which the numbers depend."""
    files = [path for folder in CODE for path in sorted((ROOT / folder).glob("*.py"))]
    digest = hashlib.sha256()
    for path in (*files, *(ROOT / each for each in SIMULATION)):
        digest.update(f"{path.relative_to(ROOT).as_posix()}\n".encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


def commit() -> str:
    """The commit at hand, with a + where the code that matters differs from it."""

    def git(*words: str) -> str:
        return subprocess.run(("git", *words), cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()

    changed = git("status", "--porcelain", "--", *CODE, *SIMULATION)
    return git("rev-parse", "--short=12", "HEAD") + ("+" if changed else "")


if __name__ == "__main__":
    sys.exit(main())
