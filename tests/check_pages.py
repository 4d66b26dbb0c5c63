"""A page Check on the demo bench whose Rig 2 is calibrated, and the same gauge to read."""

from __future__ import annotations

import json
import shutil
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.ledger import new_id
from labkit.ledger.store import close_store
from labkit.sheet.identity import make_authority, make_signer
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.check import TODAY, CheckPage
from labkit.workflow.signing import signed_sheet
from labkit.workflow.worker import Worker
from tests.calibrate_pages import Clock, event, finished_page, new_page, shown

RIG = "Rig 2"
MORNING = "2026-11-26T07:12:00Z"


@cache
def _calibrated() -> Path:
    """A data folder in which certificate 0001 of Rig 2 is signed; made once, and copied."""
    data = Path(mkdtemp())
    page = finished_page(data)
    for person in page.bench.people:
        file = make_signer(person.name, make_authority("Larkfield Closures"), DEMO_PASSPHRASE)
        (data / "identities" / person.identity).write_bytes(file)
    page.sign(DEMO_PASSPHRASE, signed_sheet)
    close_store(data)
    return data


def calibrated_folder(data: Path) -> Path:
    """A data folder of its own in which Rig 2 is calibrated."""
    return Path(shutil.copytree(_calibrated(), data / "lab"))


def calibrate_again(data: Path, *, replaces: str = "") -> str:
    """One more certificate of Rig 2; its number."""
    state = json.loads(json.dumps(finished_page(data / "other").get_state()))
    page: CalibratePage = new_page(data, state | {"id": new_id(), "revision": 0})
    return page.sign(DEMO_PASSPHRASE, signed_sheet)


def new_check(
    data: Path, draft: dict[str, Any] | None = None, worker: Worker | None = None, at: str = MORNING
) -> CheckPage:
    return CheckPage(data, draft, worker=worker or Worker(inline=True), now=Clock(at))


def begun_check(data: Path, at: str = MORNING) -> CheckPage:
    page = new_check(data, at=at)
    page.choose_person("M. Okonjo")
    page.choose_rig(RIG)
    page.set_field("temperature", "20.6")
    return page


def take(page: CheckPage, row: str, *texts: str) -> None:
    for text in texts:
        line = page.log.line(row)
        assert line is not None, f"{row} is not laid out"
        page.grid_event(TODAY, event("take", row, line.first_empty(), text=text))


def read(page: CheckPage, *rows: str, off_mm: float = 0.0) -> None:
    for row in rows or [line.id for line in page.log.lines]:
        line = page.log.line(row)
        assert line is not None, f"{row} is not laid out"
        take(page, row, *shown(page, row, line.wanted - line.taken, off_mm if row.startswith("check:") else 0.0))  # type: ignore[arg-type]
