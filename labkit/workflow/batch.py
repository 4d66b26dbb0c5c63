"""
Many at once: a folder of readings becomes a folder of certificates.

Calibrating is done in processes, one a core. Numbering and signing is done here, one after another in the order of the
names, because each certificate names the end of the ledger before it. What is done is noted at once, so that an
interrupted batch goes on where it stopped.
"""

from __future__ import annotations

import json
import logging
import os
import signal
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from functools import partial
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from labkit.bench.about import About
from labkit.bench.read_about import read_about
from labkit.bench.read_readings import read_readings
from labkit.calibration import calibrate
from labkit.ledger import Entry, find
from labkit.ledger.files import write_safely
from labkit.ledger.tables_out import write_table
from labkit.problems import BadInput, Fault
from labkit.sheet.house import OURS, House
from labkit.workflow.batch_jobs import Done, Job, not_made
from labkit.workflow.remarks import FAILED
from labkit.workflow.signing import check_particulars, signed_and_kept


@dataclass(frozen=True)
class Signing:
    """With what certificates are signed, and in whose ledger they are kept."""

    data: Path
    p12: bytes
    passphrase: str


def make_all(
    jobs: Sequence[Job],
    out: Path,
    signing: Signing | None = None,
    *,
    processes: int | None = None,
    families: Path | None = None,
    house: House = OURS,
    said: Callable[[Done, bool], None] = lambda done, again: None,
) -> list[Done]:
    """
    Make the certificates, or unsigned drafts where nobody signs.

    Parameters
    ----------
    jobs : sequence of Job
    out : Path
        A folder that exists. Gets ``NAME.pdf`` (``NAME-draft.pdf`` where it is not signed) and ``NAME.json``, the
        record; ``batch.json`` notes what is done. What was made there of the same files is not made again.
    signing : Signing, optional
        Without it, drafts are made.
    processes : int, optional
        Default: one for each core that this process may use.
    families : Path, optional
        The laboratory's own curve families.
    house : House, optional
        What its sheets have of its own.
    said : callable
        Called after each job with what became of it, and whether it had been made before.

    Returns
    -------
    list of Done
        In the order of `jobs`.

    Raises
    ------
    BadInput
        A wrong passphrase or signing file; a file cannot be written.
    """
    notes = _Notes.read(out)
    made = {job.name for job in jobs if _is_made(job, notes.of(job), out, signing)}
    todo = [job for job in jobs if job.name not in made]
    left = _computed(todo, partial(_compute, signing is not None, house), processes or cores(), families)
    found = []
    for job in jobs:
        again = job.name in made
        done = notes.of(job) if again else _finish(job, next(left)[1], out, signing, notes)
        assert done is not None
        found.append(done)
        said(done, again)
    return found


def write_tables(done: Sequence[Done], out: Path) -> None:
    """``summary.csv``: what was made; ``not-made.csv``: what was not, and why."""
    heads = ["name", "certificate", "rig", "curve", "largest U", "verdict", "cautions", "record"]
    made = [(d.name, d.number, d.rig, d.curve, d.largest_U, d.verdict, d.cautions, d.id) for d in done if d.made]
    try:
        write_table(out / "summary.csv", heads, made)
        write_table(out / "not-made.csv", ["name", "why"], [(d.name, d.why_not) for d in done if not d.made])
    except OSError as error:
        raise _cannot_write(out, error) from error


def cores() -> int:
    """How many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@dataclass(frozen=True)
class _Computed:
    """What a process hands back: a record, and its draft where it will not be signed; or why there is none."""

    record: dict[str, Any] | None = None
    draft: bytes | None = None
    why_not: str = ""


def _compute(to_sign: bool, house: House, job: Job) -> _Computed:
    from labkit.sheet import render

    try:
        about = read_about(*job.about) if job.about else About()
        about = replace(about, language=about.language or house.language)
        if to_sign:
            check_particulars(about)
        result = calibrate(
            read_readings(job.readings, job.shims),
            "auto",
            about.working_range_mm,
            about.tolerance_mm,
            about.target_u_mm,
            about.conditions,
            about.rule or "guard-band-U",
            about.outcomes or "four",
            about=about,
            risk=about.risk,
            process=about.process_mm,
        )
        result.monte_carlo()
        record = result.to_dict()
        signs = to_sign and record["results"]["verdict"] not in FAILED
        return _Computed(record, None if signs else render(record, form=house.form, house=house))
    except BadInput as problem:
        return _Computed(why_not=str(problem))
    except Exception as error:  # one that breaks must not take the others with it
        logging.getLogger(__name__).exception("%s", job.name)
        return _Computed(why_not=str(Fault("batch.our_fault", {"why": f"{type(error).__name__}: {error}"})))


def _computed(
    jobs: Sequence[Job], compute: Callable[[Job], _Computed], processes: int, families: Path | None
) -> Iterator[tuple[Job, _Computed]]:
    """Each job with what it gave, in their order; a job whose process dies is tried once more, alone."""
    left = deque(jobs)
    while left:
        with suppress(BrokenProcessPool), _pool(min(processes, len(left)), families) as pool:
            for job, future in _in_order(pool, compute, list(left), 4 * processes):
                result = future.result()
                left.popleft()
                yield job, result
        if left:
            job = left.popleft()
            result = _Computed(why_not=str(Fault("batch.died")))
            with suppress(BrokenProcessPool), _pool(1, families) as pool:
                result = pool.submit(compute, job).result()
            yield job, result


def _in_order(
    pool: ProcessPoolExecutor, compute: Callable[[Job], _Computed], jobs: Sequence[Job], ahead: int
) -> Iterator[tuple[Job, Future[_Computed]]]:
    """Each job with its future; no more than `ahead` records wait in memory."""
    coming, running = iter(jobs), deque[tuple[Job, Future[_Computed]]]()
    while True:
        for job in islice(coming, ahead - len(running)):
            running.append((job, pool.submit(compute, job)))
        if not running:
            return
        yield running.popleft()


@contextmanager
def _pool(processes: int, families: Path | None) -> Iterator[ProcessPoolExecutor]:
    # a fork would inherit the threads and connections of this process
    pool = ProcessPoolExecutor(processes, get_context("spawn"), initializer=_begin, initargs=(families,))
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


def _begin(families: Path | None) -> None:
    """In each process: the parent alone decides what an interrupt means."""
    from labkit.curves import load_own_families

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if families is not None:
        load_own_families(families)


class _Notes:
    """What is done, in ``batch.json``: written whole after each step."""

    def __init__(self, file: Path, done: dict[str, Done]) -> None:
        self._file = file
        self._done = done

    @classmethod
    def read(cls, out: Path) -> _Notes:
        file = out / "batch.json"
        try:
            found = json.loads(file.read_text("utf-8")) if file.exists() else {}
            return cls(file, {name: Done(**each) for name, each in found.items()})
        except (OSError, ValueError, TypeError, AttributeError) as error:
            raise BadInput("batch.notes", file=str(file)) from error

    def of(self, job: Job) -> Done | None:
        return self._done.get(job.name)

    def keep(self, done: Done) -> Done:
        self._done[done.name] = done
        _write(self._file, json.dumps({k: asdict(v) for k, v in self._done.items()}, indent=1).encode())
        return done


def _is_made(job: Job, done: Done | None, out: Path, signing: Signing | None) -> bool:
    if done is None or not done.made or done.inputs != job.digest:
        return False
    return (out / _file_name(done)).is_file() and bool(done.number) == (signing is not None)


def _file_name(done: Done) -> str:
    return f"{done.name}.pdf" if done.number else f"{done.name}-draft.pdf"


def _finish(job: Job, found: _Computed, out: Path, signing: Signing | None, notes: _Notes) -> Done:
    """Write what was computed, number and sign it."""
    before, digest = notes.of(job), job.digest
    if before is not None and signing is not None and before.id:
        entry = _kept(signing.data, before.id)
        if entry is not None and before.inputs != digest:
            return not_made(job.name, before.inputs, "batch.signed_already", number=entry.number)
        if entry is not None:  # stopped between keeping it and noting that
            return _write_certificate(replace(before, number=entry.number, why_not=""), entry, out, notes)
    if found.record is None:
        return notes.keep(Done(job.name, digest, why_not=found.why_not))
    done = _described(job.name, digest, found.record)
    _write(out / f"{job.name}.json", json.dumps(found.record, ensure_ascii=False, indent=2).encode() + b"\n")
    if found.draft is not None:
        _write(out / _file_name(done), found.draft)
        failed = signing is not None
        return notes.keep(
            replace(done, why_not=str(Fault("batch.failed", {"verdict": done.verdict}))) if failed else done
        )
    assert signing is not None
    notes.keep(replace(done, why_not=str(Fault("batch.not_signed"))))
    try:
        entry = signed_and_kept(signing.data, found.record, signing.p12, signing.passphrase)
    except BadInput as problem:
        return notes.keep(replace(done, why_not=str(problem)))
    return _write_certificate(replace(done, number=entry.number), entry, out, notes)


def _write_certificate(done: Done, entry: Entry, out: Path, notes: _Notes) -> Done:
    _write(out / f"{done.name}.json", json.dumps(entry.record, ensure_ascii=False, indent=2).encode() + b"\n")
    _write(out / _file_name(done), entry.pdf)
    (out / f"{done.name}-draft.pdf").unlink(missing_ok=True)
    return notes.keep(done)


def _kept(data: Path, record_id: str) -> Entry | None:
    try:
        return find(data, record_id)
    except BadInput:
        return None


def _described(name: str, digest: str, record: Mapping[str, Any]) -> Done:
    results = record["results"]
    return Done(
        name,
        digest,
        id=record["id"],
        rig=record["inputs"]["about"]["rig"]["name"],
        curve=results["curve"]["label"],
        largest_U=record["printed"]["largest_U"],
        verdict=results["verdict"] or "",
        cautions=len(results["cautions"]),
    )


def _write(path: Path, content: bytes) -> None:
    try:
        write_safely(path, content)
    except OSError as error:
        raise _cannot_write(path, error) from error


def _cannot_write(path: Path, error: OSError) -> BadInput:
    return BadInput("command.cannot_write", file=str(path), why=error.strerror or "no reason given")
