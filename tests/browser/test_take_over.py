"""A colleague goes on with work that somebody else began: after their passphrase, and not before."""

from __future__ import annotations

import re
import time
from typing import Any

from playwright.sync_api import Page, expect

from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.ledger import list_drafts, load_draft
from tests.browser.conftest import Served
from tests.browser.technician import SLOW_MS, Technician


def readers(draft: dict[str, Any]) -> list[str]:
    """Who took the readings of a draft, one after the other."""
    return [cell["person"] for line in draft["work"]["log"] for cell in line["cells"] if cell["text"]]


def test_a_colleague_takes_over_with_a_passphrase(page: Page, served: Served) -> None:
    page.goto(served.workbook("calibrate"))
    expect(page.locator(".lk-sect h2").last).to_be_visible()
    who = Technician(page)
    who.choose_person("M. Okonjo")
    who.choose_rig()
    page.keyboard.press("F8")
    who.take("Readings", ["11.62"])
    expect(page).to_have_url(re.compile(r"\?draft="))
    draft = page.url.partition("draft=")[2]

    page.get_by_title("Who is at this page").select_option(label="D. Abara")
    question = page.locator(".lk-msg-ask").first
    expect(question).to_contain_text("M. Okonjo began this.")
    expect(page.get_by_title("Who is at this page")).to_have_value(re.compile(".*"))
    question.locator("input").fill("a guess")
    question.get_by_role("button", name="Take over").click()
    expect(question).to_contain_text("That passphrase does not open")
    assert load_draft(served.data, draft)["owner"] == "M. Okonjo"
    question.locator("input").fill(DEMO_PASSPHRASE)
    question.get_by_role("button", name="Take over").click()
    expect(page.locator(".lk-cells")).to_contain_text("D. Abara")
    expect(question).to_be_hidden()

    page.keyboard.press("F8")
    who.take("Readings", ["0.009"])
    expect(who.line("Readings", "Zero")).to_contain_text("0.009")
    deadline = time.monotonic() + SLOW_MS / 1000
    while readers(kept := load_draft(served.data, draft)) != ["M. Okonjo", "D. Abara"]:
        assert time.monotonic() < deadline, readers(kept)
        page.wait_for_timeout(200)
    assert kept["owner"] == kept["person"] == "D. Abara"
    assert draft in [line.id for line in list_drafts(served.data)]
