"""Markup and formulas in everything that a person can type: shown as typed, on every page, in figures and files."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re
from collections.abc import Iterator
from typing import Any

import pytest

from labkit.ledger import list_drafts, load_bench, save_bench, save_draft
from labkit.ledger.demo import demo_bench
from labkit.panels.bench.page import BenchView
from labkit.panels.calibrate.page import CalibrateView
from labkit.panels.check.page import CheckView
from labkit.workflow.bench import BenchPage
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.check import CheckPage
from labkit.workflow.worker import Worker
from tests.calibrate_pages import finished_state, new_page

MARK = "<img src=x onerror=alert(1)>'\"&"
TYPED = {
    "name", "department", "address", "place", "maker", "model", "serial", "firmware", "kind", "material", "certificate",
    "set_name", "issued_by", "revision", "shim_set", "check_set",
}  # fmt: skip
NAMES = re.compile(
    r"\b([ABC]-\d+|Rig \d|M\. Okonjo|Brass set [AB]|Check set C|LP-12|T-3|H-1|Larkfield Closures)\b(?!\.)"
)


def marked(thing: Any) -> Any:
    """A bench whose names and words all end in markup."""
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        changed: dict[str, Any] = {}
        for each in dataclasses.fields(thing):
            value = getattr(thing, each.name)
            if isinstance(value, str) and each.name in TYPED and value and each.init:
                changed[each.name] = value + MARK
            elif each.init and (dataclasses.is_dataclass(value) or isinstance(value, tuple)):
                changed[each.name] = marked(value)
        return dataclasses.replace(thing, **changed)
    if isinstance(thing, tuple):
        return tuple(marked(each) for each in thing)
    return thing


def marked_draft() -> dict[str, Any]:
    escaped = json.dumps(MARK)[1:-1]
    text = NAMES.sub(lambda found: found[0] + escaped, json.dumps(finished_state()))
    found: dict[str, Any] = json.loads(text)
    for name in ("order", "received", "procedure", "revision", "place"):
        found["work"]["fields"][name] = MARK
    return found


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> CalibratePage:
    data = tmp_path_factory.mktemp("marked")
    save_bench(data, marked(demo_bench()))
    made = new_page(data, marked_draft(), Worker(inline=True), Worker(inline=True))
    assert made.result is not None, made.problem
    save_draft(data, made.get_state())
    return made


def shown(widget: Any) -> Iterator[str]:
    """What the browser takes as HTML: of HTML widgets, and of figures, whose texts plotly reads as a little HTML."""
    if type(widget).__name__ in ("HTML", "HTMLMath"):
        yield widget.value
    if type(widget).__name__ == "Figure":
        yield widget.figure
    for each in getattr(widget, "children", ()):
        yield from shown(each)


def inert(root: Any) -> None:
    texts = "\n".join(shown(root))
    assert "onerror=alert(1)" in texts, "nothing of it is shown at all"
    assert "<img" not in texts


def test_a_worksheet_shows_it_as_typed(page: CalibratePage) -> None:
    view = CalibrateView(page)
    view.refresh()
    inert(view.frame.root)


def test_the_check_and_the_bench_show_it_as_typed(page: CalibratePage) -> None:
    check = CheckView(CheckPage(page.data, worker=Worker(inline=True)))
    check.rig = load_bench(page.data).rigs[0].name
    check.open("")
    inert(check.frame.root)
    bench = BenchView(BenchPage(page.data, worker=Worker(inline=True)))
    bench.open()
    assert list_drafts(page.data)
    inert(bench.frame.root)


@pytest.mark.parametrize("name", ["=1+1", "+1-1x", "-1+1x", "@SUM(1)", "\t=1", "＝1", "A\n=1"])
def test_no_cell_of_the_readings_is_a_formula(page: CalibratePage, name: str) -> None:
    view = CalibrateView(page)
    assert page.collected.readings is not None
    rows = [
        dataclasses.replace(row, operator=name, left_out=name, shims=(name,) if row.shims else row.shims)
        for row in page.collected.readings.rows
    ]
    readings = dataclasses.replace(page.collected.readings, rows=tuple(rows))
    page.collected = dataclasses.replace(page.collected, readings=readings)
    cells = list(csv.reader(io.StringIO(view.sheet._readings_csv().decode("utf-8-sig"))))
    assert len(cells) > 10
    for row in cells[1:]:
        for head, cell in zip(cells[0], row, strict=True):
            number = head.startswith("indication")
            assert number or not cell.startswith(tuple("=+-@\t\r＝")), (head, cell)
