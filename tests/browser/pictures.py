"""Takes the README's pictures: ``python -m tests.browser.pictures``. They show what the demo day really gives."""

from __future__ import annotations

import csv
import re
import subprocess
import tempfile
from pathlib import Path

from playwright.sync_api import Locator, Page, expect, sync_playwright

from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.paths import sample_data, workbooks
from tests.browser.conftest import CHROMIUM, Served, serving
from tests.browser.technician import SLOW_MS, Technician, as_pasted, sample_rows
from tests.browser.test_bench import Person

TARGET = workbooks() / "pictures"
ROLES = ("as-found", "background", "zero", "fit", "check", "closing-fit", "closing-zero", "closing-background")


def take() -> None:
    TARGET.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, serving(Path(folder)) as (served, _), sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_context(viewport={"width": 1440, "height": 1000}, accept_downloads=True).new_page()
        page.goto(served.address)
        page.goto(served.workbook("calibrate"))
        who = Technician(page)
        who.choose_person("M. Okonjo")
        who.choose_rig()
        who.type_field("Temperature at the start", "21.4")
        who.type_field("Switched on at", "00:05")
        for box in page.locator(".lk-ticks input").all():
            box.check()
        who.paste(as_pasted(sample_rows(*ROLES)))
        expect(who.mark("Curve")).to_have_text("On 7 points")
        who.section("Readings").get_by_role("button", name="Paste cells or upload a file").click()
        page.keyboard.press("F8")
        who.shoot("Readings", TARGET / "readings.png")
        who.shoot("Curve", TARGET / "curve.png", height=1000)
        who.finish_rows()
        sheet = who.section("Sheet")
        sheet.locator("input[type=password]").fill(DEMO_PASSPHRASE)
        sheet.get_by_role("button", name="Finish and sign").click()
        expect(sheet).to_contain_text("is in the ledger")
        certificate = Path(folder) / "certificate.pdf"
        who.download("Sheet", "Download PDF", certificate)
        _ask_and_begin_another(page, sheet)
        _check(page, served)
        _bench(page, served)
        _records(page, served)
        browser.close()
        picture = TARGET / "certificate"
        subprocess.run(["pdftoppm", "-png", "-r", "80", "-l", "1", "-singlefile", certificate, picture], check=True)


def _ask_and_begin_another(page: Page, sheet: Locator) -> None:
    """What the Bench has to show: a certificate that waits for an engineer, and a draft."""
    sheet.get_by_title("Who is asked to approve").select_option(label="R. Halloran")
    sheet.get_by_role("button", name="Ask to approve").click()
    expect(sheet).to_contain_text("asked R. Halloran to approve this")
    page.goto(page.url.partition("?")[0])
    who = Technician(page)
    expect(who.section("Sheet")).to_be_visible()
    who.choose_person("D. Abara")
    page.get_by_title("Rig", exact=True).select_option(label="Rig 3: G-11, probe P3, flat tip, ball 3.0 mm")
    who.type_field("Switched on at", "00:05")
    who.type_field("Temperature at the start", "20.9")
    expect(page.locator(".lk-strip")).to_contain_text("Saved")


def _check(page: Page, served: Served) -> None:
    page.goto(served.workbook("check", "?rig=Rig%202"))
    who = Technician(page)
    band = who.section("Today’s check").locator(".lk-now-band")
    expect(band).to_contain_text("No target near")
    who.choose_person("M. Okonjo")
    who.type_field("Temperature", "20.6")
    page.keyboard.press("F8")
    expect(band).not_to_have_class(re.compile(r"\blk-deaf\b"))
    with (sample_data() / "hinge_day" / "check.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            page.keyboard.type(row["indication [mm]"])
            page.keyboard.press("Enter")
    expect(page.locator(".lk-verdict")).to_have_text("Fit to measure.")
    expect(band).not_to_contain_text("Finish it")
    who.shoot("Today’s check", TARGET / "check.png")


def _bench(page: Page, served: Served) -> None:
    person = Person(page, served)
    person.signs_in("R. Halloran")
    expect(person.section("Waiting for you")).to_contain_text("One sheet to approve.")
    page.evaluate("document.activeElement.blur(); window.scrollTo(0, 0)")
    page.screenshot(path=TARGET / "bench.png")


def _records(page: Page, served: Served) -> None:
    page.set_viewport_size({"width": 1280, "height": 1000})
    page.goto(served.workbook("records", "?number=0001"))
    who = Technician(page)
    expect(page.locator(".lk-verdict")).to_contain_text("Genuine", timeout=5 * SLOW_MS)
    expect(who.section("Certificate 0001")).to_contain_text("numbers agree", timeout=5 * SLOW_MS)
    who.shoot("Certificate 0001", TARGET / "records.png")


if __name__ == "__main__":
    take()
