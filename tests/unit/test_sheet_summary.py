"""The one-page form: one page whatever is in it, genuine, and what it leaves out is said."""

from __future__ import annotations

import copy
import io
import json
from typing import Any

import pikepdf
import pypdfium2
import pytest
import zxingcpp

import labkit
from labkit.paths import sample_data
from labkit.sheet import render, svg_preview, verify
from labkit.sheet.shown import MOST_CHECKS, MOST_ROWS, Shown, shortened
from labkit.sheet.summary import clipped
from tests.printed import paper, text_of, words
from tests.sheets import Laboratory

LONG = "Лабораторія вимірювань товщини стінок, Εργαστήριο μετρήσεων, moulding hall and yard " * 4
CERTIFICATE: dict[str, Any] = {"number": "0119", "ledger_head": (7, "ab" * 32), "signed": True, "form": "summary"}


@pytest.fixture(scope="module")
def record() -> dict[str, Any]:
    folder = sample_data() / "hinge_day"
    readings = labkit.read_readings(folder / "readings.csv", shims=folder / "shims.csv")
    about = labkit.read_about(sample_data() / "about.toml")
    return labkit.calibrate(readings, working_range=(0.25, 2.5), tolerance=0.01, about=about).to_dict()


def stuffed(record: dict[str, Any], times: int) -> dict[str, Any]:
    """The same with `times` as many rows, and long words wherever a person can type them."""
    found = copy.deepcopy(record)
    for part in ("results", "printed"):
        found[part]["table"] *= times
        found[part]["checks"] *= times
    about = found["inputs"]["about"]
    for part in ("laboratory", "customer"):
        about[part] = dict.fromkeys(about[part], LONG)
    about |= {"procedure": LONG, "received": LONG, "place": LONG, "remarks": [LONG] * 20}
    about["rig"] |= {"name": LONG} | {
        part: dict.fromkeys(about["rig"][part], LONG) for part in ("gauge", "probe", "tip", "target")
    }
    for part in ("gauge", "probe", "tip", "target"):
        about["rig"][part]["due"] = ""
    about["statements"] |= dict.fromkeys(("supplied", "deviations", "opinions", "specification"), LONG * 3)
    about["statements"]["agreed_months"] = 12
    for shim in found["inputs"]["readings"]["shims"]["shims"]:
        shim |= {"certificate": LONG, "set_name": LONG}
    return found


def outside(pdf: bytes) -> list[str]:
    """The words that do not lie between the margins."""
    found = words(pdf)
    assert len(found) > 100
    margin, (wide, high) = 22 * 72 / 25.4 - 1, paper(pdf)
    return [w.text for w in found if w.left < margin or w.right > wide - margin or w.top < 0 or w.bottom > high]


@pytest.mark.parametrize("to_approve", [False, True])
@pytest.mark.parametrize("times", [1, 3, 40])
def test_it_is_one_page_whatever_is_in_it(times: int, to_approve: bool, record: dict[str, Any]) -> None:
    pdf = render(stuffed(record, times), **CERTIFICATE, to_approve=to_approve)
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert len(opened.pages) == 1
    assert outside(pdf) == []
    text = text_of(pdf)
    assert "Page 1 of 1" in text and "End of certificate 0119" in text
    assert ("Approved by" in text) is to_approve
    if times > 1:
        assert f"Of {9 * times} lines of the results {MOST_ROWS} are printed; all are in results.csv." in text
        assert f"Of {3 * times} check shims the {MOST_CHECKS} gravest are printed" in text


def test_nothing_lies_under_the_signature(record: dict[str, Any]) -> None:
    """The last words of the page end above the place where it is signed."""
    found = words(render(stuffed(record, 3), **CERTIFICATE))
    ends = max(word.bottom for word in found if word.text == "End")
    begins = min(word.top for word in found if word.text == "Calibrated")
    assert ends < begins


def test_a_summary_is_genuine_and_holds_all_of_the_record(record: dict[str, Any], laboratory: Laboratory) -> None:
    signed = laboratory.sign(render(record, **CERTIFICATE))
    found = verify(signed, laboratory.trust)
    assert (found.verdict, found.number, found.record) == ("genuine", "0119", record)
    with pikepdf.open(io.BytesIO(signed)) as opened:
        form = json.loads(opened.attachments["form.json"].get_file().read_bytes())
    assert form == {"schema": "labkit.form/1", "form": "summary", "table": list(range(9)), "checks": [0, 1, 2]}


def test_a_summary_that_names_other_rows_than_it_must_is_not_genuine(
    record: dict[str, Any], laboratory: Laboratory
) -> None:
    with pikepdf.open(io.BytesIO(render(record, **CERTIFICATE))) as opened:
        opened.attachments["form.json"].obj.EF.F.write(b'{"schema": "labkit.form/1", "table": [], "checks": []}')
        out = io.BytesIO()
        opened.save(out, deterministic_id=True)
    found = verify(laboratory.sign(out.getvalue()), laboratory.trust)
    assert found.verdict == "does not recompute" and "form.json" in str(found)


def test_the_gravest_check_shims_are_printed(record: dict[str, Any]) -> None:
    many = stuffed(record, 5)
    for at in (7, 13):
        many["results"]["checks"][at] = copy.deepcopy(many["results"]["checks"][at])
        many["results"]["checks"][at]["decision"]["outcome"] = "fail"
    shown = Shown.of(many)
    assert {7, 13} <= set(shown.checks) and len(shown.checks) == MOST_CHECKS
    assert shown.table[0] == 0 and shown.table[-1] == 44 and len(shown.table) == MOST_ROWS
    assert shortened(many, shown)["printed"]["table"][-1] == many["printed"]["table"][-1]


def test_what_is_left_out_is_said(record: dict[str, Any]) -> None:
    text = text_of(render(record, **CERTIFICATE))
    assert "This is a summary: the uncertainty budget, the comparison of curves" in text
    assert "Of " not in text.partition("This is a summary")[2]
    for row in record["printed"]["table"]:
        assert f"{row['correction']} {row['U']} {row['k']}" in text


def test_the_code_can_be_read_from_paper(record: dict[str, Any]) -> None:
    for form in ("summary", "full"):
        document = pypdfium2.PdfDocument(render(record, **(CERTIFICATE | {"form": form})))
        (code,) = zxingcpp.read_barcodes(document[0].render(scale=200 / 72).to_pil())
        document.close()
        assert code.text.startswith("0119 calibration.json SHA-256 ")


def test_the_preview_of_it_is_one_page(record: dict[str, Any]) -> None:
    assert len(svg_preview(record, form="summary")) == 1


def test_a_clipped_text_says_that_it_goes_on() -> None:
    assert clipped("short", 10) == "short"
    assert clipped("a longer text", 9) == "a longer…" and clipped("one, two", 5) == "one…"
