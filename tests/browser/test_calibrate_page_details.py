"""Small things on the page Calibrate that a technician with one hand on the probe stumbles over when they are wrong."""

from __future__ import annotations

import re

from playwright.sync_api import Page, expect

from tests.browser.conftest import Served
from tests.browser.technician import Technician, what_the_gauge_shows
from tests.browser.test_technician import open_calibrate


def test_a_question_is_answered_by_keyboard_and_keeps_every_letter(page: Page, served: Served) -> None:
    who = open_calibrate(page, served)
    who.choose_person("M. Okonjo")
    who.choose_rig()
    as_found = who.section("As found")
    cannot = as_found.get_by_role("button", name="Cannot be read, with a reason")
    cannot.click()
    line = as_found.get_by_role("textbox")
    expect(line).to_be_focused()
    page.keyboard.press("Enter")
    expect(as_found).to_contain_text("Write it first.")
    page.keyboard.press("Escape")
    expect(line).to_be_hidden()

    cannot.click()
    expect(line).to_be_focused()
    page.keyboard.type("probe came back from repair")
    page.keyboard.press("Enter")
    expect(as_found).to_contain_text("Not read: probe came back from repair")
    expect(line).to_be_hidden()


def test_a_mistyped_reading_as_found_is_said_there_and_f8_goes_on_to_the_readings(page: Page, served: Served) -> None:
    who = open_calibrate(page, served)
    who.choose_person("M. Okonjo")
    who.choose_rig()
    as_found = who.section("As found")
    as_found.get_by_role("button", name="Read as found").click()
    expect(who.line("As found", "C-1")).to_be_visible()
    who.take("As found", ["0.36O", *what_the_gauge_shows(0.3502)[1:]])
    for x in (1.2498, 2.2010):
        who.take("As found", what_the_gauge_shows(x))
    expect(who.mark("As found")).to_have_text("One cell to put right")
    expect(as_found).to_contain_text("C-1, reading 1: “0.36O” is not a number. It ends in the letter O, not a zero.")
    expect(as_found.locator(".lk-now-band")).to_contain_text("C-1, reading 1, is to be put right.")

    as_found.get_by_role("gridcell", name="C-1, reading 1").click()
    who.take("As found", ["0.360"])
    expect(who.mark("As found")).to_have_text("Done")
    expect(as_found.locator(".lk-now-band")).to_contain_text("All rows are complete.")
    page.keyboard.press("F8")
    expect(who.section("Readings").get_by_role("gridcell", name="No target, reading 1")).to_be_focused()


def test_what_opens_below_the_grid_gets_the_cursor(page: Page, served: Served) -> None:
    who = open_calibrate(page, served)
    who.choose_person("M. Okonjo")
    who.choose_rig()
    readings = who.section("Readings")
    readings.get_by_role("button", name="Add a shim").click()
    expect(readings.locator("select")).to_be_focused()
    readings.get_by_role("button", name="Paste cells or upload a file").click()
    expect(readings.locator("textarea")).to_be_focused()


def test_a_draft_changed_in_another_tab_is_said_across_the_page(page: Page, served: Served) -> None:
    who = open_calibrate(page, served)
    who.choose_person("M. Okonjo")
    who.choose_rig()
    expect(page).to_have_url(re.compile(r"\?draft="))
    other = page.context.new_page()
    other.goto(page.url)
    expect(other.locator(".lk-strip")).to_contain_text("Rig 2")
    elsewhere = Technician(other)
    elsewhere.type_field("Temperature at the start", "20.9")
    expect(elsewhere.section("Sheet")).not_to_contain_text("The temperature is not given")

    banner = page.locator(".widget-html.lk-banner-place")
    expect(banner).not_to_contain_text("another tab")
    who.type_field("Temperature at the start", "20.1")
    expect(banner).to_contain_text("What was done last on this page is not kept")
    banner.get_by_role("link", name="Open again").click()
    expect(page.get_by_title("Temperature at the start")).to_have_value("20.9")
    expect(banner).not_to_contain_text("another tab")


def test_a_press_moves_nothing_under_the_pointer(page: Page, served: Served) -> None:
    """The band grows when its grid begins to listen; the button below it stays until the pointer comes up."""
    who = open_calibrate(page, served)
    who.choose_rig()
    tool = who.section("Readings").get_by_role("button", name="Paste cells or upload a file")
    band = who.section("Readings").locator(".lk-now-band")
    page.get_by_title("Temperature at the start", exact=True).click()
    expect(band).to_have_class(re.compile(r"\blk-deaf\b"))
    tool.scroll_into_view_if_needed()
    before = tool.bounding_box()
    assert before is not None
    page.mouse.move(before["x"] + before["width"] / 2, before["y"] + before["height"] / 2)
    page.mouse.down()
    page.wait_for_timeout(400)
    assert tool.bounding_box() == before
    page.mouse.up()
    expect(who.section("Readings").locator("textarea")).to_be_visible()
