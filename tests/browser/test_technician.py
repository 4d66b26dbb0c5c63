"""The main job in a browser, as a technician does it: from as found to a signed certificate."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pikepdf
from playwright.sync_api import Page, expect

from labkit.cli import main
from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.ledger import in_force
from tests.browser.conftest import Served
from tests.browser.technician import SLOW_MS, Technician, as_pasted, sample_rows, what_the_gauge_shows


def open_calibrate(page: Page, served: Served, query: str = "") -> Technician:
    page.goto(served.workbook("calibrate", query))
    expect(page.locator(".lk-sect h2").last).to_be_visible()
    return Technician(page)


def test_from_as_found_to_a_signed_certificate(page: Page, served: Served, tmp_path: Path) -> None:
    who = open_calibrate(page, served)
    expect(who.mark("Rig and conditions")).to_have_text("Choose a rig")
    who.choose_person("M. Okonjo")
    who.choose_rig()
    who.type_field("Temperature at the start", "21.4")
    who.type_field("Switched on at", "00:05")
    for box in page.locator(".lk-ticks input").all():
        box.check()
    expect(who.mark("Rig and conditions")).to_have_text("Done")

    # as found, read by hand
    who.section("As found").get_by_role("button", name="Read as found").click()
    expect(who.line("As found", "C-1")).to_be_visible()
    for x in (0.3502, 1.2498, 2.2010):
        who.take("As found", what_the_gauge_shows(x))
    expect(who.mark("As found")).to_have_text("Done")

    # readings, pasted
    who.paste(as_pasted(sample_rows("background", "zero", "fit", "closing-fit", "closing-zero")))
    expect(who.section("Readings")).to_contain_text("readings in 10 rows taken")
    expect(who.mark("Curve")).to_have_text("On 7 points")
    assert who.points_drawn() == 7
    # by the certificate in force, or, where there is none yet, by what the gauge shows
    before = in_force(served.data, "Rig 2")
    expect(who.section("As found").locator("table").last).to_contain_text("Fail" if before is None else "Pass")

    # another curve needs a reason
    who.section("Curve").locator("select").select_option(label="Polynomial 3")
    expect(who.section("Curve").locator(".lk-sel-row")).to_contain_text("Polynomial 3")
    expect(who.section("Sheet")).to_contain_text("You chose Polynomial 3 and gave no reason (section 4).")
    who.section("Curve").locator("select").select_option(index=0)
    expect(who.section("Curve").locator(".lk-sel-row")).to_contain_text("Recommended")

    # the advised extra point
    advised = who.section("Extra points").get_by_role("button", name=re.compile("^Read A-.* now$"))
    name = advised.inner_text().split()[1]
    advised.click()
    expect(who.section("Readings").locator(".lk-now-band")).to_contain_text(f"Shim {name}")
    typed = what_the_gauge_shows({"A-5": 0.7498, "A-6": 1.5008, "A-8": 2.4995, "A-10": 4.0021}[name])
    who.take("Readings", typed)
    expect(who.mark("Curve")).to_have_text("On 8 points")
    assert who.points_drawn() == 8
    expect(who.line("Readings", name)).to_contain_text(typed[0])

    # check shims
    expect(who.section("Sheet")).to_contain_text("Check shim C-1 has not been read (section 6).")
    who.section("Check shims").get_by_role("button", name="Read the check shims").click()
    expect(who.line("Check shims", "C-1").first).to_be_visible()
    for x in (0.3502, 1.2498, 2.2010):
        who.take("Check shims", what_the_gauge_shows(x))
    expect(who.mark("Check shims")).to_have_text("Done")
    decided = who.section("Check shims").locator("table", has_text="Conforms")
    expect(decided).to_contain_text("Inside the limit by more than U.")

    # a wrong passphrase is said beside its field, and uses no number
    sheet = who.section("Sheet")
    expect(who.mark("Sheet")).to_have_text("Ready to sign")
    sheet.locator("input[type=password]").fill("not this one")
    sheet.get_by_role("button", name="Finish and sign").click()
    expect(sheet).to_contain_text("That passphrase does not open your signing file.")
    sheet.locator("input[type=password]").fill(DEMO_PASSPHRASE)
    sheet.get_by_role("button", name="Finish and sign").click()
    expect(sheet).to_contain_text("is in the ledger")
    # the mark follows the sentence by a message of its own
    expect(who.mark("Sheet")).to_contain_text(re.compile(r"Certificate \d+"))
    number = re.search(r"Certificate (\d+)", who.mark("Sheet").inner_text())
    assert number

    # the certificate, outside the page
    target = tmp_path / "certificate.pdf"
    who.download("Sheet", "Download PDF", target)
    assert main(["verify", str(target), "--data", str(served.data)]) == 0
    witness = subprocess.run(["pdfsig", "-nocert", str(target)], capture_output=True, text=True, check=False).stdout
    assert "Signature is Valid." in witness
    assert "Total document signed" in witness
    with pikepdf.open(target) as pdf:
        assert set(pdf.attachments) == {
            "calibration.json",
            "covariance.json",
            "ledger.json",
            "readings.csv",
            "results.csv",
        }
        record = json.loads(pdf.attachments["calibration.json"].get_file().read_bytes())
    rows = record["inputs"]["readings"]["rows"]
    assert [row["typed"] for row in rows if row["shims"] == [name]] == typed
    assert [row["typed"] for row in rows if row["role"] == "fit" and row["shims"] == ["A-1"]] == [
        row["indication [mm]"] for row in sample_rows("fit") if row["shim"] == "A-1"
    ]
    assert sum(row["role"] == "as-found" for row in rows) == 15
    assert record["inputs"]["about"]["conditions"]["temperature_start_degC"] == 21.4
    assert record["results"]["verdict"] == "pass"


def test_reload_in_mid_work_loses_nothing(page: Page, served: Served) -> None:
    who = open_calibrate(page, served)
    who.choose_person("D. Abara")
    who.choose_rig()
    who.type_field("Temperature at the start", "20.9")
    page.locator(".lk-ticks input").first.check()
    who.section("As found").get_by_role("button", name="Cannot be read, with a reason").click()
    who.section("As found").get_by_role("textbox").fill("first use")
    who.section("As found").get_by_role("button", name="Keep the reason").click()
    expect(who.mark("As found")).to_have_text("Not possible")
    who.section("Readings").locator(".lk-now-band").click()
    page.keyboard.press("F8")
    who.take("Readings", ["11.62", "0.009", "0.009", "0.01O", "0.008"])
    expect(who.line("Readings", "Zero")).to_contain_text("0.01O")
    expect(who.section("Readings")).to_contain_text("is not a number. It ends in the letter O, not a zero.")
    expect(page).to_have_url(re.compile(r"\?draft="))
    # the last Enter is answered by the page, not only shown by the browser
    expect(who.section("Readings").locator(".lk-now-band")).to_contain_text("Last taken, 4 of 5")

    page.reload()
    expect(page.locator(".lk-sect h2").last).to_be_visible()
    expect(page.locator(".lk-cells")).to_contain_text("D. Abara")
    assert page.get_by_title("Temperature at the start").input_value() == "20.9"
    assert [box.is_checked() for box in page.locator(".lk-ticks input").all()] == [True, False, False, False]
    expect(who.section("As found")).to_contain_text("Not read: first use")
    cells = who.line("Readings", "Zero").locator("td.n").all_inner_texts()
    assert [cell for cell in cells if cell.strip()][-4:] == ["0.009", "0.009", "0.01O", "0.008"]
    background = who.line("Readings", "No target").locator("td.n").all_inner_texts()
    assert [cell for cell in background if cell.strip()] == ["11.62"]
    page.keyboard.press("F8")
    who.take("Readings", ["0.009"])
    expect(who.section("Readings").locator(".lk-now-band")).to_contain_text("Shim A-2")


def test_a_tab_that_is_closed_in_mid_entry_is_gone_on_with_from_the_bench(page: Page, served: Served) -> None:
    """What Enter has taken is kept; the half number that nobody took is not, and its place is empty."""
    who = open_calibrate(page, served)
    who.choose_person("S. Whitby")
    who.choose_rig()
    who.section("Readings").locator(".lk-now-band").click()
    page.keyboard.press("F8")
    who.take("Readings", ["11.62", "0.009", "0.008"])
    expect(who.section("Readings").locator(".lk-now-band")).to_contain_text("Last taken, 2 of 5")
    page.keyboard.type("0.00")
    address = page.url
    page.close()

    page = page.context.new_page()
    page.goto(served.workbook("bench"))
    draft = re.search(r"draft=([0-9a-f-]+)", address)
    assert draft is not None
    row = page.locator(f"tr[data-row='{draft[1]}']")
    expect(row).to_contain_text("S. Whitby", timeout=4 * SLOW_MS)
    row.get_by_role("link", name="Look").click()
    who = Technician(page)
    expect(page.locator(".lk-cells")).to_contain_text("S. Whitby", timeout=4 * SLOW_MS)
    cells = who.line("Readings", "Zero").locator("td.n").all_inner_texts()
    assert [cell for cell in cells if cell.strip()][-2:] == ["0.009", "0.008"]
    who.section("Readings").locator(".lk-now-band").click()
    page.keyboard.press("F8")
    who.take("Readings", ["0.009"])
    expect(who.section("Readings").locator(".lk-now-band")).to_contain_text("Last taken, 3 of 5")


def test_what_is_typed_stays_text(page: Page, served: Served) -> None:
    """Markup, marks that turn the writing round, and formula signs are kept as typed and do nothing."""
    who = open_calibrate(page, served)
    who.choose_person("S. Whitby")
    who.choose_rig()
    hostile = "<img src=x onerror=window.hit=1>\u202e=1+1 {{7*7}}"
    who.section("As found").get_by_role("button", name="Cannot be read, with a reason").click()
    who.section("As found").get_by_role("textbox").fill(hostile)
    who.section("As found").get_by_role("button", name="Keep the reason").click()
    expect(who.section("As found")).to_contain_text("<img src=x onerror=window.hit=1>")
    page.keyboard.press("F8")
    who.take("Readings", ["<b>1</b>"])
    expect(who.section("Readings")).to_contain_text("<b>1</b>")
    assert page.evaluate("window.hit") is None
