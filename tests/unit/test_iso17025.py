"""
What ISO/IEC 17025:2017 asks of a calibration certificate, each item ticked against the text of the rendered, signed PDF.

The subjects are in words of our own; the numbering is from memory, as nobody had the standard at hand. Each tick has its
control: with what it looks for taken away, it fails.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pytest

import labkit
from labkit.paths import sample_data
from labkit.sheet import render, statements
from labkit.sheet.budget_section import shares
from labkit.sheet.plot import draw, draw_bars
from labkit.sheet.plotted import plot_data
from tests.printed import layout
from tests.sheets import Laboratory

Record = dict[str, Any]
Spoil = Callable[[Record, pytest.MonkeyPatch], None]

STATEMENTS = {
    "received_on": "2026-11-24",
    "adjusted": "The contact zero was set anew",
    "deviations": "the closing background was read once only",
    "specification": "Drawing LC-110, revision B",
    "supplied": "The ball of the target and its diameter",
    "external": "Diameter of the ball: Millbank Gauge Room, certificate MB-77.",
    "opinions": "The tip shows wear; read the contact zero weekly (R. Halloran).",
    "agreed_months": 6,
}


@dataclass(frozen=True)
class Item:
    """One thing that is asked: where, what, how it is seen in the text, and how it is taken away."""

    clause: str
    subject: str
    seen: Callable[[str, Record], bool]
    spoil: Spoil | None

    def __str__(self) -> str:
        return self.clause


def words(*wanted: str) -> Callable[[str, Record], bool]:
    return lambda text, _record: all(each in text for each in wanted)


def blank(*path: str) -> Spoil:
    """Leave a particular out."""

    def spoil(record: Record, _patch: pytest.MonkeyPatch) -> None:
        inside = record["inputs"]["about"]
        for key in path[:-1]:
            inside = inside[key]
        inside[path[-1]] = type(inside[path[-1]])() if inside[path[-1]] is not None else None

    return spoil


def silent(name: str) -> Spoil:
    """Let a statement that is always made be silent."""
    return lambda _record, patch: patch.setattr(statements, name, lambda *_: "")


def results(**changed: Any) -> Spoil:
    def spoil(record: Record, _patch: pytest.MonkeyPatch) -> None:
        record["results"] |= changed
        record["printed"] |= {key: value for key, value in changed.items() if key in record["printed"]}

    return spoil


def undecided(record: Record, _patch: pytest.MonkeyPatch) -> None:
    record["results"]["verdict"] = None
    record["inputs"]["options"]["tolerance_mm"] = None
    for check in (*record["results"]["checks"], *record["results"]["as_found"]):
        check |= {"decision": None, "limits_mm": [None, None]}


def no_times(record: Record, _patch: pytest.MonkeyPatch) -> None:
    for row in record["inputs"]["readings"]["rows"]:
        row["time"] = ""


def shims_without(*keys: str) -> Spoil:
    def spoil(record: Record, _patch: pytest.MonkeyPatch) -> None:
        for shim in record["inputs"]["readings"]["shims"]["shims"]:
            shim |= dict.fromkeys(keys, "")

    return spoil


def no_temperature(record: Record, _patch: pytest.MonkeyPatch) -> None:
    record["inputs"]["about"]["conditions"] |= {"temperature_start_degC": None, "temperature_end_degC": None}


def on_every_page(text: str, _record: Record) -> bool:
    pages = text.split("\f")[:-1]
    numbered = all("Calibration certificate 0119" in page for page in pages)
    counted = all(f"Page {number} of {len(pages)}" in page for number, page in enumerate(pages, 1))
    return len(pages) > 1 and numbered and counted and pages[-1].count("End of certificate 0119") == 1


def every_result(text: str, record: Record) -> bool:
    rows = record["printed"]["table"]
    return (
        bool(rows)
        and all(f"{row['correction']} {row['U']} {row['k']}" in text for row in rows)
        and all(unit in text for unit in ("Thickness, mm", "Indication, mm", "Correction, µm"))
    )


def expanded_uncertainty(text: str, record: Record) -> bool:
    """In the unit of what is measured, with k, at every result."""
    return every_result(text, record) and "U, µm" in text and f"at most {record['printed']['largest_U']} (k = " in text


def traceable(text: str, record: Record) -> bool:
    held = record["inputs"]["readings"]
    read = {name for row in held["rows"] for name in row["shims"]}
    lines = [shim for shim in held["shims"]["shims"] if shim["name"] in read]
    return "The reference values are traceable through the certificates named here." in text and all(
        re.search(rf"{shim['name']} .*{shim['certificate']}", text) and shim["certificate"] for shim in lines
    )


def conformity(text: str, record: Record) -> bool:
    checks = record["results"]["checks"]
    return bool(checks) and all(
        check["decision"] and re.search(rf"{check['point']} .*{check['decision']['outcome']}", text, re.IGNORECASE)
        for check in checks
    )


DRAFT: Spoil = lambda record, _patch: record.update(draft=True)  # noqa: E731, read by `text_of` and taken out again

TODAY = f"{datetime.now(UTC):%d %b %Y}".lstrip("0")

ITEMS = (
    Item("7.8.2.1 a", "a title", words("Calibration certificate"), DRAFT),
    Item("7.8.2.1 b", "name of the laboratory", words("Larkfield Closures", "Unit 4, Mill Lane"), blank("laboratory", "address")),
    Item("7.8.2.1 c", "where it was carried out", words("Measuring room"), blank("place")),
    Item("7.8.2.1 d", "one identification on every page, and a clear end", on_every_page, DRAFT),
    Item("7.8.2.1 e", "the customer, and how to reach him", words("Flip-top line 3", "Unit 2, Mill Lane"), blank("customer", "address")),
    Item("7.8.2.1 f", "the method", words("Calibration of wall thickness gauges, revision 3"), blank("procedure")),
    Item("7.8.2.1 g", "what was calibrated", words("G-07", "serial D1-0007", "serial DP-0002", "ball 1.5 mm"), blank("rig", "gauge", "serial")),
    Item("7.8.2.1 g, condition", "the condition of it", words("Clean, no damage seen"), blank("received")),
    Item("7.8.2.1 h", "the day of receipt, where it matters", words("on 24 Nov 2026"), blank("statements", "received_on")),
    Item("7.8.2.1 i", "when it was carried out", words("25 Nov 2026, 09:48 to 10:10"), no_times),
    Item("7.8.2.1 j", "the day of issue", words(f"Signed electronically {TODAY}", "On the day of the last signature"), DRAFT),
    Item("7.8.2.1 k", "sampling, where it bears on the results", words("nothing was sampled"), silent("only_for")),
    Item("7.8.2.1 l", "that the results relate to this item alone", words("The results relate only to the rig described here"), silent("only_for")),
    Item("7.8.2.1 m", "the results, with their units", every_result, results(table=[], fine_table=[])),
    Item("7.8.2.1 n", "additions to the method, deviations, exclusions", words("the closing background was read once only"), blank("statements", "deviations")),
    Item("7.8.2.1 o", "who authorises it", words("Calibrated by", "M. Okonjo Signed electronically"), DRAFT),
    Item("7.8.2.1 p", "results of external providers", words("Reference values of the shims: Penhallow Dimensional", "MB-77"), blank("statements", "external")),
    Item("7.8.2.1 p, shims", "whose the reference values are", words("Reference values of the shims: Penhallow Dimensional"), shims_without("issued_by")),
    Item("7.8.2.2", "what the customer supplied, and that it can affect the results", words("The ball of the target and its diameter. The laboratory did not check it; it can affect the validity of the results."), blank("statements", "supplied")),
    Item("7.8.2, copies", "that it is not to be copied in part", words("not to be reproduced except in full"), silent("only_for")),
    Item("7.8.4.1 a", "the uncertainty, in the unit of what is measured", expanded_uncertainty, results(table=[], fine_table=[])),
    Item("7.8.4.1 b", "the conditions", words("20.6 °C at the start", "46 % relative humidity"), no_temperature),
    Item("7.8.4.1 c", "how the results are traceable", traceable, shims_without("certificate")),
    Item("7.8.4.1 d", "results before and after an adjustment", words("The contact zero was set anew. The results before it stand under As found", "Read before anything was cleaned"), results(as_found=[])),
    Item("7.8.4.1 d, what", "what was adjusted", words("The contact zero was set anew"), blank("statements", "adjusted")),
    Item("7.8.4.1 e", "a statement of conformity", conformity, undecided),
    Item("7.8.4.1 f", "opinions", words("The tip shows wear"), blank("statements", "opinions")),
    Item("7.8.4.2", "sampling by the laboratory", words("nothing was sampled"), silent("only_for")),
    Item("7.8.4.3", "an interval that was agreed with the customer", words("Next calibration on 25 May 2027: an interval of 6 months was agreed"), lambda record, _patch: record["inputs"]["about"]["statements"].update(agreed_months=None)),
    Item("7.8.6.1", "the decision rule and its risk", words("Decision rule: Guard band w = U", "Decision is wrong"), undecided),
    Item("7.8.6.2 a", "to which results the statement applies", words("The statement of conformity applies to these alone"), undecided),
    Item("7.8.6.2 b", "which specification is met or not", words("Drawing LC-110, revision B", "Limits ±10.0 µm"), blank("statements", "specification")),
    Item("7.8.6.2 c", "the decision rule that was applied", words("Guard band w = U, four outcomes"), undecided),
)  # fmt: skip


@pytest.fixture(scope="module")
def record() -> Record:
    folder = sample_data() / "hinge_day"
    readings = labkit.read_readings(folder / "readings.csv", shims=folder / "shims.csv")
    about = labkit.read_about(sample_data() / "about.toml")
    found = labkit.calibrate(readings, working_range=(0.25, 2.5), tolerance=0.01, about=about).to_dict()
    found["inputs"]["about"]["statements"] = dict(STATEMENTS)
    return found


@pytest.fixture(scope="module")
def drawn(record: Record) -> dict[str, str]:
    """The plots, which say nothing in words: drawn once for all ticks."""
    return {"draw": draw(plot_data(record)), "draw_bars": draw_bars(shares(record))}


def text_of(record: Record, laboratory: Laboratory) -> str:
    """The text of the PDF, pages apart; of a draft where the record says so."""
    draft = record.pop("draft", False)
    pdf = render(record) if draft else render(record, number="0119", ledger_head=(7, "ab" * 32), signed=True)
    said = layout(pdf if draft else laboratory.sign(pdf))
    return "\f".join(" ".join(page.split()) for page in said.split("\f"))


@pytest.fixture(scope="module")
def text(record: Record, laboratory: Laboratory) -> str:
    return text_of(copy.deepcopy(record), laboratory)


@pytest.mark.parametrize("item", ITEMS, ids=str)
def test_it_is_on_the_certificate(item: Item, text: str, record: Record) -> None:
    assert item.seen(text, record), item.subject


@pytest.mark.parametrize("item", ITEMS, ids=str)
def test_the_tick_would_miss_it(
    item: Item,
    record: Record,
    drawn: dict[str, str],
    laboratory: Laboratory,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for name, svg in drawn.items():
        monkeypatch.setitem(render.__globals__, name, lambda *_, svg=svg: svg)
    spoilt = copy.deepcopy(record)
    assert item.spoil is not None
    item.spoil(spoilt, monkeypatch)
    assert not item.seen(text_of(spoilt, laboratory), spoilt), item.subject


def test_every_letter_is_ticked() -> None:
    ticked = {item.clause.partition(",")[0] for item in ITEMS}
    asked = {f"7.8.2.1 {letter}" for letter in "abcdefghijklmnop"} | {f"7.8.4.1 {letter}" for letter in "abcdef"}
    asked |= {"7.8.2.2", "7.8.4.2", "7.8.4.3", "7.8.6.1", *(f"7.8.6.2 {letter}" for letter in "abc")}
    assert asked <= ticked


def test_no_interval_is_printed_that_was_not_agreed(record: Record, laboratory: Laboratory) -> None:
    """The gauge's own “due” of the register is no interval that the customer agreed to."""
    bare = copy.deepcopy(record)
    bare["inputs"]["about"]["statements"] = {}
    assert bare["inputs"]["about"]["rig"]["gauge"]["due"] == "2027-05-24"
    said = text_of(bare, laboratory)
    assert "Next calibration" not in said and "24 May 2027" not in said
