"""The thirty-second job in a browser: the page opens on a rig, the gauge is read, one passphrase signs it."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.ledger import new_id
from labkit.ledger.store import close_store
from labkit.paths import sample_data
from labkit.sheet.verify import trusted_here, verify
from labkit.workflow.signing import signed_sheet
from tests.browser.conftest import Served, serving
from tests.browser.technician import Technician
from tests.calibrate_pages import finished_page, new_page


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A laboratory of its own, in which Rig 2 is calibrated."""
    with serving(tmp_path_factory.mktemp("checked")) as (running, _):
        state = json.loads(json.dumps(finished_page(tmp_path_factory.mktemp("another")).get_state()))
        page = new_page(running.data, state | {"id": new_id(), "revision": 0})
        assert page.sign(DEMO_PASSPHRASE, signed_sheet) == "0001"
        close_store(running.data)
        yield running


def morning() -> list[str]:
    """What the gauge shows on the morning after the demo day, in the order of the rows."""
    with (sample_data() / "hinge_day" / "check.csv").open(encoding="utf-8", newline="") as file:
        return [row["indication [mm]"] for row in csv.DictReader(file)]


def test_from_the_address_of_a_rig_to_a_signed_check(page: Page, served: Served, tmp_path: Path) -> None:
    page.goto(served.workbook("calibrate"))
    who = Technician(page)
    expect(page.locator(".lk-sect h2").last).to_be_visible()
    who.choose_rig()
    page.get_by_role("link", name="Take the rig up again").click()

    # four rows, and the cursor in the band: nobody presses anything but the gauge's key
    band = who.section("Today’s check").locator(".lk-now-band")
    expect(band).to_contain_text("No target near")
    rows = who.section("Today’s check").get_by_role("rowheader")
    expect(rows).to_have_text(["No target", "Zero", "C-1", "C-3"])
    expect(band).not_to_have_class(re.compile(r"\blk-deaf\b"))
    for text in morning():
        page.keyboard.type(text)
        page.keyboard.press("Enter")
    expect(page.locator(".lk-verdict")).to_have_text("Fit to measure.")
    expect(page.locator(".lk-strip")).to_contain_text("Fit to measure")

    who.choose_person("M. Okonjo")
    expect(who.mark("Decision")).to_have_text("Fit to measure")
    band.get_by_role("button", name="Sign it").click()
    expect(page.get_by_placeholder("of your signing file")).to_be_focused()
    page.keyboard.type(DEMO_PASSPHRASE)
    page.keyboard.press("Enter")
    decision = who.section("Decision")
    expect(decision).to_contain_text("Check 0001-01 is in the ledger.")
    pdf = who.download("Decision", "Download PDF", tmp_path / "check.pdf")
    found = verify(pdf, trusted_here(served.data))
    assert (found.verdict, found.number, found.signer) == ("genuine", "0001-01", "M. Okonjo")

    # the next one knows of it
    decision.get_by_role("button", name="Begin the next check").click()
    expect(who.section("How it has moved")).to_contain_text("1 is kept so far")
    expect(who.section("How it has moved").locator("table")).to_contain_text("0001-01")
