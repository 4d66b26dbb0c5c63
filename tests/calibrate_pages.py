"""A page Calibrate on the demo bench, and a morning's readings for it: those of sample_data/hinge_day."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from labkit.ledger import save_bench
from labkit.ledger.demo import demo_bench
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.worker import Worker

READINGS = Path(__file__).parents[1] / "sample_data" / "hinge_day" / "readings.csv"
CHECKS = ("C-1", "C-2", "C-3")


class Clock:
    """A clock that goes on by 18 seconds whenever somebody looks at it."""

    def __init__(self, start: str = "2026-11-25T09:48:00Z") -> None:
        self._now = datetime.fromisoformat(start)

    def __call__(self) -> str:
        self._now += timedelta(seconds=18)
        return self._now.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def demo_folder(data: Path) -> Path:
    """The demo laboratory without signing files."""
    save_bench(data, demo_bench())
    return data


def new_page(data: Path, draft: dict[str, Any] | None = None) -> CalibratePage:
    return CalibratePage(data, draft, worker=Worker(inline=True), now=Clock())


def begun_page(data: Path, rig: str = "Rig 2", person: str = "M. Okonjo") -> CalibratePage:
    """A page on which rig, person and temperature are chosen."""
    page = new_page(data)
    page.choose_person(person)
    page.choose_rig(rig)
    page.set_field("temperature", "20.1")
    return page


def event(type: str, row: str = "", cell: int = 0, **more: Any) -> SimpleNamespace:
    """What a grid sends."""
    empty: dict[str, Any] = {"text": "", "block": (), "cells": (), "item": "", "value": False}
    return SimpleNamespace(type=type, row=row, cell=cell, **empty | more)


def part_of(role: str) -> str:
    return {"as-found": "as-found", "check": "checks"}.get(role, "readings")


def take(page: CalibratePage, row: str, *texts: str) -> None:
    """Readings into the next places of a row, one after another."""
    line = page.log.line(row)
    assert line is not None, f"{row} is not laid out"
    for text in texts:
        page.grid_event(part_of(line.role), event("take", row, line.first_empty(), text=text))
        line = page.log.line(row)
        assert line is not None


def morning() -> dict[str, list[str]]:
    """What the gauge showed on the day of the sample, by row of the page."""
    found: dict[str, list[str]] = {}
    with READINGS.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            shim = "" if row["shim"] in ("zero", "background") else row["shim"]
            found.setdefault(f"{row['role']}:{shim}", []).append(row["indication [mm]"])
    return found


def read(page: CalibratePage, *rows: str) -> None:
    """Read these rows as on that morning, as often as the page asks."""
    shown = morning()
    for row in rows:
        line = page.log.line(row)
        assert line is not None, f"{row} is not laid out"
        take(page, row, *(shown[row] * 2)[: line.wanted - line.taken])


def rows_of(page: CalibratePage, role: str) -> Iterator[str]:
    return (line.id for line in page.log.of(role))


def read_curve(page: CalibratePage) -> None:
    """Background, contact zero, the two ends, and one shim between."""
    read(page, "background:", "zero:")
    ends = [line.shims[0] for line in page.log.of("fit")]
    for shim in ("A-1", "A-9", "A-3", "A-7"):
        if shim not in ends:
            page.read_shim(shim)
        read(page, f"fit:{shim}")
    for shim in ends:
        if shim not in ("A-1", "A-9", "A-3", "A-7"):
            page.remove_row(f"fit:{shim}") if f"fit:{shim}" not in morning() else read(page, f"fit:{shim}")


def read_all(page: CalibratePage) -> None:
    """Everything up to the check shims."""
    page.open_part("as-found")
    read(page, *(f"as-found:{shim}" for shim in CHECKS))
    read_curve(page)
    page.stop_here()
    read(page, "closing-zero:")
    take(page, "closing-background:", "11.63")
    closing = page.log.of("closing-fit")[0]
    take(page, closing.id, *morning()[closing.id.removeprefix("closing-")][: closing.wanted])
    page.open_part("checks")
    read(page, *(f"check:{shim}" for shim in CHECKS))
