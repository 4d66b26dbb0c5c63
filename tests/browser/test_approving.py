"""A certificate that needs a second signature: signed on Calibrate, read, signed and approved on the Bench."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from playwright.sync_api import BrowserContext, expect

from labkit import ledger
from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.sheet import verify
from labkit.sheet.identity import AUTHORITY_CERTIFICATE
from labkit.workflow.signing import signed_sheet
from tests.browser.conftest import Watch, serving
from tests.browser.technician import SLOW_MS
from tests.browser.test_bench import Person
from tests.calibrate_pages import finished_state, new_page


def test_a_certificate_is_read_signed_and_approved(
    new_context: Callable[..., BrowserContext], tmp_path: Path, watch: Watch
) -> None:
    with serving(tmp_path) as (served, _):
        watch.inside = (served.root, served.root.replace("http", "ws", 1), "data:", "blob:")
        ledger.save_bench(served.data, replace(ledger.load_bench(served.data), approval=True))
        number = new_page(served.data, finished_state()).sign(DEMO_PASSPHRASE, signed_sheet)
        first = ledger.find(served.data, number).pdf
        trust = [served.data / "identities" / AUTHORITY_CERTIFICATE]
        assert verify(first, trust).verdict == "awaiting approval"

        page = new_context(viewport={"width": 1440, "height": 900}, color_scheme="light").new_page()
        page.context.request.get(served.address, max_redirects=0)
        who = Person(page, served)
        waiting = who.section("Waiting for you")
        who.signs_in("R. Halloran")
        row = waiting.locator("tbody tr").filter(has_text=number)
        expect(row).to_contain_text("M. Okonjo")
        row.get_by_role("button", name="Read and approve").click()
        expect(waiting.locator("img").first).to_be_visible(timeout=4 * SLOW_MS)
        note = waiting.get_by_label("A note with the approval")
        note.fill("read, with its readings")
        note.press("Enter")
        passphrase = waiting.locator("input[type=password]").locator("visible=true")
        passphrase.fill("guess")
        passphrase.press("Enter")
        expect(waiting).to_contain_text("That passphrase does not open your signing file.")
        assert ledger.approval_of(served.data, ledger.find(served.data, number).id) is None
        passphrase.fill(DEMO_PASSPHRASE)
        passphrase.press("Enter")
        expect(row).to_have_count(0, timeout=4 * SLOW_MS)
        expect(waiting.locator("img")).to_have_count(0)

        page.goto(served.workbook("records", f"?number={number}"))
        proof = who.section(f"Certificate {number}")
        expect(proof).to_contain_text("R. Halloran", timeout=4 * SLOW_MS)
        page.close()
        approved = ledger.find(served.data, number).pdf
        assert approved.startswith(first)
        found = verify(approved, trust)
        assert (found.verdict, found.signer, found.approver) == ("genuine", "M. Okonjo", "R. Halloran")
