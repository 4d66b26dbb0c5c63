"""Signed records in a browser: found, proved, taken away, replaced, and a file from elsewhere."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
from playwright.sync_api import Locator, Page, expect

from labkit import ledger
from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.workflow.signing import signed_sheet
from tests.browser.conftest import Served
from tests.browser.technician import SLOW_MS
from tests.calibrate_pages import finished_state, new_page

VERY_SLOW_MS = 5 * SLOW_MS


@pytest.fixture(scope="module")
def two(served: Served) -> tuple[str, str]:
    """The numbers of two certificates, signed as on the page Calibrate."""
    numbers = []
    for order in ("PO-77<b>", "PO-78"):
        page = new_page(served.data, finished_state() | {"id": ledger.new_id()})
        page.set_field("order", order)
        numbers.append(page.sign(DEMO_PASSPHRASE, signed_sheet))
    return numbers[0], numbers[1]


def section(page: Page, title: str) -> Locator:
    return page.locator(".lk-sect").filter(has=page.get_by_role("heading", name=title, exact=True))


def open_records(page: Page, served: Served, query: str = "") -> None:
    page.goto(served.workbook("records", query))
    expect(page.get_by_role("heading", name="What leans on what")).to_be_visible(timeout=VERY_SLOW_MS)


def test_records_are_found_proved_and_taken_away(
    page: Page, served: Served, two: tuple[str, str], tmp_path: Path
) -> None:
    first, second = two
    open_records(page, served)
    expect(page.locator(".lk-cells")).to_contain_text("chain unbroken", timeout=VERY_SLOW_MS)
    find = section(page, "Find")
    look = find.get_by_title("Look for")
    look.fill(f"okonjo {first}")
    look.press("Enter")
    expect(find.locator(".lk-records tbody tr")).to_have_count(1)
    find.get_by_label(f"Choose {first}").check()
    look.fill(second)
    look.press("Enter")
    expect(find.locator(".lk-records")).to_contain_text(second)
    find.get_by_label(f"Choose {second}").check()
    with page.expect_download() as waiting:
        find.get_by_role("button", name="Download 2 records").click()
    assert waiting.value.suggested_filename == "2 records.zip"
    content = Path(waiting.value.path()).read_bytes()
    with zipfile.ZipFile(io.BytesIO(content)) as found:
        kept = [found.read(name) for name in found.namelist()]
    assert kept == [ledger.find(served.data, number).pdf for number in sorted(two)]
    with page.expect_download() as waiting:
        find.get_by_role("button", name="Everything behind these").click()
    with zipfile.ZipFile(waiting.value.path()) as found:
        assert {"index.html", "SHA256SUMS.txt", f"{first}/readings.csv", f"{second}/people.csv"} <= set(
            found.namelist()
        )

    find.get_by_role("button", name=f"Open {second}").click()
    proof = section(page, f"Certificate {second}")
    expect(proof.locator(".lk-verdict")).to_contain_text(
        "unchanged since, and its numbers recompute", timeout=VERY_SLOW_MS
    )
    assert "M.\N{NO-BREAK SPACE}Okonjo" in proof.locator(".lk-verdict").inner_text(), "a name stays on one line"
    picture = proof.locator("img.lk-a4")
    expect(picture).to_be_visible(timeout=VERY_SLOW_MS)
    assert picture.evaluate("image => image.naturalWidth") == 1000
    expect(proof).to_contain_text("No. The signatures cover the whole file.")
    before = picture.get_attribute("src")
    proof.get_by_role("button", name="Next page").click()
    expect(proof).to_contain_text("Page 2 of")
    assert picture.get_attribute("src") != before

    pdf = tmp_path / "from <b>elsewhere.pdf"
    pdf.write_bytes(ledger.find(served.data, first).pdf)
    proof.locator("input[type=file]").set_input_files(pdf)
    expect(proof).to_contain_text(f"It is certificate {first} of this ledger, byte by byte.", timeout=VERY_SLOW_MS)
    pdf.write_bytes(pdf.read_bytes() + b"%")
    proof.locator("input[type=file]").set_input_files(pdf)
    expect(proof).to_contain_text("Something was added after signing. Do not use it.", timeout=VERY_SLOW_MS)
    expect(proof).to_contain_text("from <b>elsewhere.pdf")


def test_a_certificate_is_replaced_by_a_draft_that_names_it(page: Page, served: Served, two: tuple[str, str]) -> None:
    old = two[0]
    open_records(page, served, f"?number={old}")
    proof = section(page, f"Certificate {old}")
    expect(proof.locator(".lk-verdict")).to_be_visible(timeout=VERY_SLOW_MS)
    proof.get_by_role("button", name="Replace it").click()
    door = page.locator(".lk-door")
    expect(door).to_contain_text("Only an engineer or a manager replaces a certificate.")
    door.get_by_title("Who signs in").select_option(label="R. Halloran")
    door.locator("input[type=password]").fill(DEMO_PASSPHRASE)
    door.get_by_role("button", name="Sign in").click()
    expect(page.locator(".lk-cells")).to_contain_text("R. Halloran, engineer")
    expect(proof).to_contain_text(f"Why is certificate {old} replaced?")
    proof.get_by_role("textbox").fill("the order number was wrong")
    proof.get_by_role("button", name="Begin the draft").click()
    expect(proof).to_contain_text(f"Signed, it replaces {old}")
    proof.get_by_role("link", name="Go on with it").click()
    expect(page.get_by_role("heading", name="Rig and conditions")).to_be_visible(timeout=VERY_SLOW_MS)
    expect(page.locator(".lk-cells")).to_contain_text(f"Replaces{old}", timeout=VERY_SLOW_MS)
    expect(page.locator(".lk-cells")).to_contain_text("R. Halloran")
    drafts = [line for line in ledger.list_drafts(served.data) if line.owner == "R. Halloran"]
    assert ledger.load_draft(served.data, drafts[0].id)["replaces"] == old
