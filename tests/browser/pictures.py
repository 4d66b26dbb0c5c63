"""Takes the README's pictures: ``python -m tests.browser.pictures``. They show what the demo day really gives."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

from playwright.sync_api import expect, sync_playwright

from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.paths import workbooks
from tests.browser.conftest import CHROMIUM, serving
from tests.browser.technician import SLOW_MS, Technician, as_pasted, sample_rows

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
        expect(who.mark("Curve")).to_have_text("On 7 points", timeout=SLOW_MS)
        who.section("Readings").get_by_role("button", name="Paste cells or upload a file").click()
        page.keyboard.press("F8")
        who.shoot("Readings", TARGET / "readings.png")
        who.shoot("Curve", TARGET / "curve.png", height=1000)
        who.finish_rows()
        sheet = who.section("Sheet")
        sheet.locator("input[type=password]").fill(DEMO_PASSPHRASE)
        sheet.get_by_role("button", name="Finish and sign").click()
        expect(sheet).to_contain_text("is in the ledger", timeout=SLOW_MS)
        certificate = Path(folder) / "certificate.pdf"
        who.download("Sheet", "Download PDF", certificate)
        browser.close()
        picture = TARGET / "certificate"
        subprocess.run(["pdftoppm", "-png", "-r", "80", "-l", "1", "-singlefile", certificate, picture], check=True)


if __name__ == "__main__":
    take()
