"""Download, upload and the warm-up clock in a browser."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page, expect

from tests.browser.widget_host import Opened, host_watch, hosted, open_page

__all__ = ["host_watch", "hosted", "open_page"]  # pytest finds fixtures by name

Open = Callable[..., Opened]


def choose(page: Page, *files: Path) -> None:
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="Upload a file").click()
    chooser.value.set_files(files)


def said(page: Page, name: str):
    return page.locator(".lk-download", has=page.get_by_role("button", name=name)).get_by_role("status")


def test_a_file_of_five_megabytes_arrives_whole(open_page: Open) -> None:
    page = open_page("files").page
    for _ in range(2):
        with page.expect_download() as download:
            page.get_by_role("button", name="Download 5 MB").click()
        assert download.value.suggested_filename == "large.bin"
        assert Path(download.value.path()).read_bytes() == bytes(range(256)) * (5_000_000 // 256)
        expect(said(page, "Download 5 MB")).to_be_empty()


def test_a_builder_that_raises_is_heard(open_page: Open) -> None:
    page = open_page("files").page
    page.get_by_role("button", name="Download nothing").click()
    expect(said(page, "Download nothing")).to_have_text("There is nothing to download yet.")
    page.get_by_role("button", name="Download a fault").click()
    expect(said(page, "Download a fault")).to_contain_text("not your doing")
    expect(page.get_by_role("button", name="Download later")).to_be_disabled()


def test_the_same_file_twice(open_page: Open, tmp_path: Path) -> None:
    opened = open_page("files")
    file = tmp_path / "readings.csv"
    file.write_text("shim,indication [mm]\nA-1,0.108\n")
    for count in (1, 2):
        choose(opened.page, file)
        assert len(opened.wait_seen(count, "file")) == count
        expect(opened.page.locator(".lk-msg")).to_have_text("readings.csv taken.")
    assert {(event["name"], event["size"]) for event in opened.seen()} == {("readings.csv", file.stat().st_size)}


def test_what_is_too_large_or_of_another_kind_is_refused_before_it_is_sent(open_page: Open, tmp_path: Path) -> None:
    opened = open_page("files")
    large = tmp_path / "large.csv"
    large.write_bytes(b"0" * 13_500_000)
    choose(opened.page, large)
    expect(opened.page.locator(".lk-msg")).to_have_text("This file has 14 MB; the limit is 10 MB.")
    other = tmp_path / "picture.png"
    other.write_bytes(b"0")
    choose(opened.page, other)
    expect(opened.page.locator(".lk-msg")).to_have_text("picture.png is not a CSV, TSV, TXT or XLSX file.")
    assert opened.seen() == []


def test_pasted_cells_and_a_dropped_file(open_page: Open) -> None:
    opened = open_page("files")
    page = opened.page
    page.get_by_role("button", name="Take these cells").click()
    expect(page.locator(".lk-msg")).to_have_text("Nothing is pasted yet.")
    page.locator("textarea").fill("A-1\t0.108\nA-2\t0.254")
    page.get_by_role("button", name="Take these cells").click()
    expect(page.locator(".lk-msg")).to_have_text("3 readings taken.")
    expect(page.locator("textarea")).to_have_value("")
    page.evaluate(
        """() => {
            const dataTransfer = new DataTransfer();
            dataTransfer.items.add(new File(["A-1,0.108"], "dropped.csv"));
            document.querySelector(".lk-upload").dispatchEvent(new DragEvent("drop", { dataTransfer, bubbles: true }));
        }"""
    )
    expect(page.locator(".lk-msg")).to_have_text("dropped.csv taken.")
    assert [event["type"] for event in opened.wait_seen(2)] == ["cells", "file"]


def test_the_warm_up_clock_reads_the_laboratorys_time(open_page: Open) -> None:
    opened = open_page("clocks", timezone_id="America/Lima")
    opened.page.clock.set_fixed_time("2026-11-25T09:14:30Z")
    clocks = opened.page.locator(".lk-warm-up .lk-mark")
    expect(clocks.nth(0)).to_have_text("On since 09:17, warm since 09:47.")
    expect(clocks.nth(1)).to_have_text("Warm in 12 min. You may read now; the sheet will say so.")
    expect(clocks.nth(2)).to_have_text("Enter when the gauge was switched on.")
    expect(clocks.nth(3)).to_have_text("11:00 is still to come.")
    expect(opened.page.locator(".lk-warm-up b").first).to_have_text("57 min")
    expect(opened.page.get_by_role("img", name="On for 57 minutes, 30 needed")).to_be_visible()
