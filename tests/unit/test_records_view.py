"""The widgets of Signed records: what they show is escaped, and what a browser sends is looked at."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from labkit import ledger
from labkit.ledger import Actor, sign_and_keep
from labkit.ledger.demo import demo_bench
from labkit.panels.pick_file import PickFile
from labkit.panels.record_list import COLUMNS, Line, RecordList
from labkit.panels.records.page import RecordsView
from labkit.workflow.records import RecordsPage
from labkit.workflow.worker import Worker
from tests.calibrate_pages import Asleep

HOSTILE = '<img src=x onerror="alert(1)">'
WHO = Actor("R. Halloran", "engineer", proven=True)


def keep(data: Path, **more: str) -> None:
    about = {"rig": {"name": HOSTILE, "gauge": {"name": HOSTILE}}, "operator": HOSTILE}
    found = {"schema": "labkit.calibration/1", "id": ledger.new_id(), "inputs": {"about": about}}
    sign_and_keep(data, found, lambda _: b"%PDF", WHO, **more)


def view_of(data: Path) -> RecordsView:
    inline, asleep = Worker(inline=True), Asleep()
    page = RecordsPage(data, worker=inline, prover=asleep, drawer=asleep, judge=asleep)
    view = RecordsView(page)
    view.open()
    return view


def sent(widget: Any, content: dict[str, Any], buffers: tuple[bytes, ...] = ()) -> None:
    widget._receive(widget, content, [memoryview(each) for each in buffers])


def html_of(widget: Any) -> str:
    """Everything that HTML widgets below this one hold."""
    own = widget.value if type(widget).__name__ == "HTML" else ""
    return own + "".join(html_of(each) for each in getattr(widget, "children", ()))


@pytest.fixture
def data(tmp_path: Path) -> Path:
    ledger.save_bench(tmp_path, demo_bench())
    keep(tmp_path)
    keep(tmp_path, replaces="0001", reason=HOSTILE)
    return tmp_path


def test_what_people_typed_is_escaped_everywhere(data: Path) -> None:
    view = view_of(data)
    sent(view.find._list, {"type": "open", "row": "0002"})
    view.page.ask_leaning("gauge", HOSTILE)
    shown = html_of(view.frame.root)
    assert "<img" not in shown and "&lt;img src=x" in shown
    assert f"0001: {HOSTILE}".replace("<", "&lt;").replace(">", "&gt;").replace('"', "&quot;") in shown
    assert view.find._list.rows[0]["cells"][3].startswith(HOSTILE), "a script sets it as text"


def test_the_head_says_date_person_chain_and_backup(data: Path) -> None:
    view = view_of(data)
    cells = view.frame.cells.value
    assert "chain unbroken" in cells and "<dd>nobody</dd>" in cells and "<dt>Last backup</dt><dd>–</dd>" in cells


def test_an_empty_ledger_says_where_drafts_are(tmp_path: Path) -> None:
    view = view_of(tmp_path)
    assert "Nothing is signed yet. Drafts are on the Bench." in html_of(view.find.section.root)
    assert view.find._list.layout.display == "none"
    view.page.look_for("words", "zebra")
    keep(tmp_path)
    view.page.refresh()
    assert "No signed result matches. Drafts are on the Bench." in html_of(view.find.section.root)


def test_a_broken_chain_is_said_across_the_page(data: Path) -> None:
    import sqlite3

    with sqlite3.connect(data / "ledger.sqlite") as outside:
        outside.execute("UPDATE result SET decision = 'pass' WHERE number = '0001'")
    view = view_of(data)
    assert "Nothing can be signed until an engineer has looked." in view.frame.banner.value
    assert "chain broken" in view.frame.cells.value and "Chain broken" in html_of(view.find.section.root)


def test_the_list_takes_only_rows_that_it_shows() -> None:
    heard: list[object] = []
    shown = RecordList(lambda number, on: heard.append((number, on)), heard.append)
    shown.show([Line("0001", ("0001", *("x" for _ in COLUMNS[2:])), "ok", "Valid")])
    for content in (
        {"type": "tick", "row": "0009", "on": True},
        {"type": "tick", "row": "0001", "on": "yes"},
        {"type": "open", "row": "../0001"},
        {"type": "else", "row": "0001"},
        {},
    ):
        sent(shown, content)
    assert heard == []
    sent(shown, {"type": "tick", "row": "0001", "on": True})
    sent(shown, {"type": "open", "row": "0001"})
    assert heard == [("0001", True), "0001"]
    shown.set_state({"rows": [{"id": "0009"}]})
    assert [row["id"] for row in shown.rows] == ["0001"]


def test_a_picked_file_is_no_larger_than_the_limit() -> None:
    heard: list[tuple[str, int]] = []
    pick = PickFile(lambda name, content: heard.append((name, len(content))), limit_mb=1)
    sent(pick, {"type": "file", "name": "a.pdf"}, (bytes(1_000_001),))
    sent(pick, {"type": "file", "name": "a.pdf"})
    sent(pick, {"type": "file", "name": 7}, (b"x",))
    assert heard == []
    sent(pick, {"type": "file", "name": "a" * 500}, (b"xy",))
    assert heard == [("a" * 200, 2)]
