"""A page Calibrate on the demo bench, and a gauge to read: it errs as in sample_data/hinge_day."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace
from typing import Any
from zlib import crc32

import numpy as np

from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.ledger import load_bench, save_bench
from labkit.ledger.demo import demo_bench
from labkit.sheet.identity import make_authority, make_signer
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.worker import Done, Failed, Job, Worker

CHECKS = ("C-1", "C-2", "C-3")

_ERROR_AT_MM = (0.0, 0.25, 0.5, 1.0, 2.0, 3.0, 4.0)
_ERROR_MM = (0.0090, 0.0086, 0.0077, 0.0058, 0.0016, -0.0042, -0.0115)
_NOISE_MM = 0.0005


class Clock:
    """A clock that goes on by 18 seconds whenever somebody looks at it."""

    def __init__(self, start: str = "2026-11-25T09:48:00Z") -> None:
        self._now = datetime.fromisoformat(start)

    def __call__(self) -> str:
        self._now += timedelta(seconds=18)
        return self._now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class Asleep(Worker):
    """Never answers: for what happens before there is a result."""

    def submit(self, job: Job, done: Done, failed: Failed) -> None:
        pass


class Later(Worker):
    """Keeps what it was asked; the test says when which job is done."""

    def __init__(self) -> None:
        super().__init__()
        self.asked: list[tuple[Job, Done, Failed]] = []

    def submit(self, job: Job, done: Done, failed: Failed) -> None:
        self.asked.append((job, done, failed))

    def answer(self, index: int) -> None:
        job, done, failed = self.asked[index]
        tell, what = self._outcome(job, done, failed)
        tell(what)

    def catch_up(self) -> None:
        """Answer the newest question."""
        self.answer(-1)


def demo_folder(data: Path, *, identities: bool = True) -> Path:
    """The demo laboratory, with signing files that nobody can open."""
    save_bench(data, demo_bench())
    if identities:
        (data / "identities").mkdir()
        for person in load_bench(data).people:
            (data / "identities" / person.identity).write_bytes(b"no signing file")
    return data


@cache
def _signing_file(name: str) -> bytes:
    return make_signer(name, make_authority("Larkfield Closures"), DEMO_PASSPHRASE)


def take_over(page: CalibratePage, name: str) -> None:
    """Have a colleague sign in on the page and go on with it."""
    file = page.data / "identities" / page.bench.person(name).identity
    file.write_bytes(_signing_file(name))
    page.set_tick("steady", "steady" in page.ticks)  # saved, as every page is that somebody has touched
    page.take_over(name, DEMO_PASSPHRASE)


def new_page(
    data: Path, draft: dict[str, Any] | None = None, worker: Worker | None = None, drawer: Worker | None = None
) -> CalibratePage:
    worker = worker or Worker(inline=True)
    return CalibratePage(data, draft, worker=worker, drawer=drawer or Asleep(), now=Clock())


def begun_page(data: Path, rig: str = "Rig 2", worker: Worker | None = None) -> CalibratePage:
    """A page on which rig, person and temperature are chosen."""
    page = new_page(data, worker=worker)
    page.choose_person("M. Okonjo")
    page.choose_rig(rig)
    page.set_field("temperature", "20.1")
    return page


def event(type: str, row: str = "", cell: int = 0, **more: Any) -> SimpleNamespace:
    """What a grid sends."""
    empty: dict[str, Any] = {"text": "", "block": (), "cells": (), "item": "", "value": False}
    return SimpleNamespace(type=type, row=row, cell=cell, **empty | more)


def part_of(row: str) -> str:
    return {"as-found": "as-found", "check": "checks"}.get(row.partition(":")[0], "readings")


def take(page: CalibratePage, row: str, *texts: str) -> None:
    """Readings into the next places of a row, one after another."""
    for text in texts:
        line = page.log.line(row)
        assert line is not None, f"{row} is not laid out"
        page.grid_event(part_of(row), event("take", row, line.first_empty(), text=text))


def shown(page: CalibratePage, row: str, count: int, off_mm: float = 0.0) -> list[str]:
    """What the gauge shows at a row, `count` times; the same each time it is asked."""
    line = page.log.line(row)
    assert line is not None and page.particulars is not None
    if line.name == "background":
        return ["11.634"] * count
    x = float(sum(page.particulars.shims[name].thickness_mm for name in line.shims))
    noise = np.random.default_rng(crc32(row.encode())).normal(0.0, _NOISE_MM, count)
    return [f"{x + off_mm + np.interp(x, _ERROR_AT_MM, _ERROR_MM) + each:.3f}" for each in noise]


def read(page: CalibratePage, *rows: str, off_mm: float = 0.0) -> None:
    """Read these rows as often as the page asks."""
    for row in rows:
        line = page.log.line(row)
        assert line is not None, f"{row} is not laid out"
        take(page, row, *shown(page, row, line.wanted - line.taken, off_mm))


def read_rows_of(page: CalibratePage, *roles: str) -> None:
    read(page, *(line.id for line in page.log.of(*roles)))


def read_curve(page: CalibratePage) -> None:
    """Background, contact zero, the two ends, and shims between."""
    for shim in ("A-3", "A-4", "A-6", "A-7"):
        page.read_shim(shim)
    read_rows_of(page, "background", "zero", "fit")


def read_all(page: CalibratePage) -> None:
    """Everything up to the check shims, which pass."""
    page.open_part("as-found")
    read_rows_of(page, "as-found")
    read_curve(page)
    page.stop_here()
    read_rows_of(page, "closing-fit", "closing-zero", "closing-background")
    page.open_part("checks")
    read_rows_of(page, "check")


@cache
def _finished() -> str:
    with TemporaryDirectory() as folder:
        page = begun_page(demo_folder(Path(folder)), worker=Asleep())
        read_all(page)
        return json.dumps(page.get_state() | {"revision": 0})


def finished_state() -> dict[str, Any]:
    """The draft of a page on which everything is read."""
    found: dict[str, Any] = json.loads(_finished())
    return found


def finished_page(data: Path, worker: Worker | None = None) -> CalibratePage:
    """A page on which everything is read and nothing stands in the way of signing."""
    return new_page(demo_folder(data), finished_state(), worker)
