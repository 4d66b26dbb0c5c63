"""The Bench in a browser: who signs in, what waits, what is taken over, and what is registered."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest
from playwright.sync_api import Page, expect

from labkit import ledger
from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.ledger import Actor, load_bench, new_id, save_draft
from tests.browser.conftest import Served
from tests.browser.technician import SLOW_MS

NASTY = '<img src="http://example.invalid/x" onerror="alert(1)">'


class Person:
    """Somebody at the Bench."""

    def __init__(self, page: Page, served: Served) -> None:
        self.page = page
        page.goto(served.workbook("bench"))
        expect(page.get_by_role("heading", name="Equipment register")).to_be_visible(timeout=4 * SLOW_MS)
        expect(page.locator(".lk-cells")).to_contain_text("chain unbroken")

    def section(self, title: str):
        return self.page.locator(".lk-sect").filter(has=self.page.get_by_role("heading", name=title, exact=True))

    def gives(self, name: str, passphrase: str = DEMO_PASSPHRASE) -> None:
        """Answers the question who it is."""
        door = self.page.locator(".lk-door")
        expect(door).to_be_visible()
        door.locator("select").select_option(name)
        door.get_by_label("Passphrase").fill(passphrase)
        door.get_by_role("button", name="Sign in").click()

    def signs_in(self, name: str) -> None:
        self.page.get_by_role("button", name="Sign in", exact=True).first.click()
        self.gives(name)
        expect(self.page.locator(".lk-cells")).to_contain_text(name)
        expect(self.page.locator(".lk-door")).to_be_hidden()


@pytest.fixture
def draft(served: Served) -> str:
    begun = datetime.now(UTC) - timedelta(minutes=12)
    made = {
        "id": new_id(),
        "page": "calibrate",
        "rig": "Rig 3",
        "person": "D. Abara",
        "owner": "D. Abara",
        "begun": begun.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "work": {"fields": {"rig": "Rig 3", "order": NASTY}},
    }
    save_draft(served.data, made, Actor("D. Abara"))
    return str(made["id"])


def test_what_is_asked_waits_and_goes_back_with_a_note(page: Page, served: Served, draft: str) -> None:
    ledger.ask(served.data, draft, Actor("D. Abara", "technician"), says="conditional pass")
    who = Person(page, served)
    waiting = who.section("Waiting for you")
    expect(waiting).to_contain_text("Sign in to see whether it waits for you.")
    page.get_by_role("button", name="Sign in", exact=True).first.click()
    who.gives("R. Halloran", "wrong")
    expect(page.locator(".lk-door")).to_contain_text(
        "That passphrase does not open your signing file.", timeout=SLOW_MS
    )
    who.gives("R. Halloran")
    row = waiting.locator("tbody tr").filter(has_text="conditional pass")
    expect(row).to_contain_text("D. Abara")
    expect(row.get_by_role("link", name="Read the draft")).to_have_attribute("href", re.compile(draft))
    row.get_by_role("button", name="Send back with a note").click()
    note = waiting.get_by_label(re.compile("What is to be changed"))
    note.fill("Read A-6 again.")
    note.press("Enter")
    expect(row).to_have_count(0)
    assert [each.note for each in ledger.requests(served.data) if each.about == draft] == ["Read A-6 again."]


def test_a_colleagues_draft_is_taken_over_by_who_signs_in(page: Page, served: Served, draft: str) -> None:
    who = Person(page, served)
    section = who.section("What is unfinished")
    row = section.locator(f"tr[data-row='{draft}']")
    expect(row).to_contain_text(NASTY)
    expect(row.get_by_role("link", name="Look")).to_have_attribute("href", re.compile(draft))
    row.get_by_role("button", name="Take over").click()
    who.gives("M. Okonjo")
    expect(section).to_contain_text("is yours now. The readings keep the name of D. Abara.")
    expect(row).to_contain_text("you")
    assert ledger.load_draft(served.data, draft)["owner"] == "M. Okonjo"
    page.get_by_role("button", name="Sign out").click()
    expect(page.locator(".lk-cells")).to_contain_text("nobody")
    section.get_by_role("link", name="Open it").click()
    expect(page).to_have_url(served.workbook("calibrate", f"?draft={draft}"))


def test_a_gauge_is_registered_changed_and_withdrawn(page: Page, served: Served) -> None:
    who = Person(page, served)
    section = who.section("Equipment register")
    section.get_by_role("button", name="Gauges", exact=True).click()
    section.get_by_role("button", name="Register a gauge").last.click()
    form = section.locator(".lk-record").first
    form.get_by_role("button", name="Register it").click()
    expect(form).to_contain_text("This cannot be left empty.")
    name = form.locator(".lk-f").filter(has_text="Gauge").first.locator("input")
    name.fill("G-77")
    name.press("Tab")
    form.get_by_role("button", name="Register it").click()
    who.gives("M. Okonjo")
    expect(page.get_by_role("alert")).to_contain_text("A technician may not register")
    page.get_by_role("button", name="Sign out").click()
    form.get_by_role("button", name="Register it").click()
    who.gives("R. Halloran")
    expect(form).to_contain_text("G-77 is registered.")
    form.get_by_role("button", name="Withdraw it").click()
    why = form.get_by_label(re.compile("Withdraw G-77"))
    expect(why).to_be_focused()  # the line is emptied when it is asked
    why.fill("It was bought for a trial.")
    why.press("Enter")
    expect(form).to_contain_text("It was bought for a trial.")
    expect(section.locator("tr[data-row='G-77']")).to_have_class("lk-off")
    (gone,) = [each for each in load_bench(served.data).not_in_use if each.name == "G-77"]
    assert (gone.state, gone.who) == ("withdrawn", "R. Halloran")


def test_a_set_of_shims_is_shown_before_it_is_registered(page: Page, served: Served) -> None:
    who = Person(page, served)
    who.signs_in("R. Halloran")
    section = who.section("Equipment register")
    section.get_by_role("button", name="Shim sets", exact=True).click()
    section.get_by_role("button", name="Register a shim set").click()
    part = section.locator(".lk-record").nth(1)
    part.get_by_placeholder("Name of the set").fill("Steel set D")
    part.get_by_placeholder("Name of the set").press("Tab")
    cells = "shim\tthickness [mm]\tU [µm]\tk\tcertificate\nD-1\t0.5003\t0.8\t2\tX-1\nD-2\t1.2\t1\t2\tX-2"
    part.get_by_role("textbox", name="Paste cells here").fill(cells)
    part.get_by_role("button", name="Take these cells").click()
    expect(part).to_contain_text("Steel set D. Nothing is registered yet. 2 new")
    assert "Steel set D" not in [each.name for each in load_bench(served.data).shim_sets]
    part.get_by_role("textbox", name="Why", exact=True).fill("bought")
    part.get_by_role("button", name="Register them").click()
    expect(part).to_contain_text("2 shims registered.")
    assert [each.thickness_mm for each in load_bench(served.data).shim_set("Steel set D")] == [0.5003, 1.2]
