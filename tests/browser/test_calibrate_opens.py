"""The page Calibrate opens as the worksheet it is, and says when it has lost its kernel."""

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from playwright.sync_api import expect

from labkit.ledger import new_id, save_draft
from tests.browser.conftest import kernels_of, serving

SECTIONS = ["Rig and conditions", "As found", "Readings", "Curve", "Extra points", "Check shims", "Sheet"]


def open_calibrate(page, served, query=""):
    page.goto(served.workbook("calibrate", query))
    expect(page.locator(".lk-sect h2").last).to_be_visible()


def test_the_sections_stand_in_their_order(page, served):
    open_calibrate(page, served)
    assert page.locator(".lk-sect h2").all_inner_texts() == SECTIONS
    assert page.locator(".lk-contents b").all_inner_texts() == SECTIONS
    expect(page.get_by_role("heading", name="Calibrate", level=1)).to_be_visible()
    expect(page).to_have_title("Calibrate · Larkfield Closures")
    expect(page.get_by_text("Keep it away from pacemakers")).to_be_visible()
    assert page.locator(".lk-tabs a").all_inner_texts() == ["Bench", "Calibrate", "Check", "Signed records"]
    people = page.get_by_title("Who is at this page").locator("option").all_inner_texts()
    assert [name.replace("\xa0", " ") for name in people] == [
        "Choose who you are",
        "M. Okonjo",
        "D. Abara",
        "S. Whitby",
        "R. Halloran",
        "E. Marsh",
    ]


def test_contents_lead_to_the_section(page, served):
    open_calibrate(page, served)
    page.locator(".lk-contents a", has_text="Sheet").click()
    expect(page.get_by_role("heading", name="Sheet")).to_be_in_viewport()
    strip = page.locator(".lk-strip").bounding_box()
    assert strip["y"] == pytest.approx(0, abs=1)


def test_nothing_runs_over_the_side(page, served):
    open_calibrate(page, served)
    for width in (1440, 1200, 1000):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") == width


def test_the_theme_switch_is_remembered_from_page_to_page(page, served):
    open_calibrate(page, served)
    paper = "getComputedStyle(document.querySelector('.lk-leaf')).backgroundColor"
    assert page.evaluate(paper) == "rgb(252, 253, 251)"
    page.get_by_role("button", name="Dark", exact=True).click()
    assert page.evaluate(paper) == "rgb(23, 32, 35)"
    page.goto(served.root)
    assert page.evaluate(paper) == "rgb(23, 32, 35)"


def test_the_address_keeps_the_draft_and_not_the_token(page, served):
    draft_id = new_id()
    save_draft(served.data, {"id": draft_id, "page": "calibrate"})
    open_calibrate(page, served, f"?draft={draft_id}&token={served.token}")
    page.wait_for_url(served.workbook("calibrate", f"?draft={draft_id}"))


def test_a_draft_that_is_none_is_said(page, served):
    open_calibrate(page, served, "?draft=../bench")
    expect(page.get_by_role("alert")).to_contain_text("names no draft")


def test_a_lost_kernel_is_said_and_opening_again_goes_on(new_context, tmp_path, watch):
    with serving(tmp_path) as (served, server):
        watch.inside = (served.root, served.root.replace("http", "ws", 1), "data:", "blob:")
        page = new_context(viewport={"width": 1440, "height": 900}).new_page()
        page.context.request.get(served.address, max_redirects=0)
        draft_id = new_id()
        save_draft(served.data, {"id": draft_id, "page": "calibrate", "person": "M. Okonjo"})
        with page.expect_websocket(lambda socket: "/channels" in socket.url) as opened:
            open_calibrate(page, served, f"?draft={draft_id}")
        kernel = re.search(r"/kernels/([^/]+)/", opened.value.url)[1]
        banner = page.get_by_role("alert")
        expect(banner).to_be_hidden()

        stopped = kernels_of(server)[kernel]
        os.kill(stopped, signal.SIGSTOP)
        said = (
            r"^The workbook has lost its connection\. What you typed up to \d\d:\d\d is kept\. Open it again to go on\."
        )
        expect(banner).to_contain_text(re.compile(said))
        book = "document.querySelector('.lk-page .lk-book').inert"
        assert page.evaluate(book)
        os.kill(stopped, signal.SIGCONT)
        expect(banner).to_be_hidden(timeout=20_000)
        assert not page.evaluate(book)

        os.kill(stopped, signal.SIGKILL)
        expect(banner).to_be_visible(timeout=20_000)
        page.get_by_role("button", name="Open again").click(no_wait_after=True)
        expect(banner).to_be_hidden()
        expect(page.locator(".lk-cells")).to_contain_text("M. Okonjo")
        page.close()


def test_a_page_that_does_not_open_offers_to_open_again(new_context, tmp_path, watch):
    with serving(tmp_path) as (served, server):
        watch.inside = (served.root, served.root.replace("http", "ws", 1), "data:", "blob:")
        page = new_context().new_page()
        page.context.request.get(served.address, max_redirects=0)
        for waiting in kernels_of(server).values():
            os.kill(waiting, signal.SIGSTOP)
        page.goto(served.workbook("calibrate"), wait_until="commit")
        expect(page.locator(".lk-opening .lk-owner")).to_have_text("Larkfield ClosuresMoulding Laboratory")
        again = page.get_by_role("link", name="Open it again")
        expect(again).to_be_visible()
        again.click(no_wait_after=True)
        expect(page.locator(".lk-sect h2").last).to_be_visible()
        page.close()


def test_a_kernel_that_answers_late_is_asked_again(page, served):
    # the manager's patience of 4 s ends at once, three times over, as on a machine that is very busy
    page.add_init_script("""
        const wait = window.setTimeout;
        window.impatient = 0;
        window.setTimeout = (call, ms, ...rest) => wait(call, ms === 4000 && window.impatient++ < 3 ? 1 : ms, ...rest);
    """)
    page.goto(served.workbook("calibrate"))
    expect(page.locator(".lk-sect h2").last).to_be_visible()
    assert page.evaluate("window.impatient") > 3
    expect(page.locator("#loading")).to_have_count(0)
    expect(page.get_by_text("Loading widget...")).to_have_count(0)


def test_a_ledger_that_cannot_be_reached_is_said_on_every_page(new_context, tmp_path, watch):
    with serving(tmp_path) as (served, _):
        watch.inside = (served.root, served.root.replace("http", "ws", 1), "data:", "blob:")
        page = new_context().new_page()
        settings = served.data / "ledger.toml"
        settings.touch(mode=0o600)
        settings.write_text("nonsense")
        page.goto(served.address)
        said = "ledger.toml does not say which database is the ledger"
        expect(page.get_by_role("alert")).to_contain_text(said)
        open_calibrate(page, served)
        expect(page.get_by_role("alert")).to_contain_text(said)
        page.close()


def test_ctrl_c_ends_the_kernels(tmp_path):
    with serving(tmp_path) as (_, server):
        kernels = kernels_of(server).values()
        assert kernels
    assert [kernel for kernel in kernels if Path(f"/proc/{kernel}").exists()] == []


def test_a_taken_port_is_said(served):
    port = served.root.rsplit(":", 1)[1]
    second = subprocess.run(
        [sys.executable, "-m", "labkit", "serve", "--data", str(served.data), "--port", port],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert second.returncode == 1
    assert second.stderr.startswith(f"Port {port} is taken by another program. Choose another one: labkit serve --port")
    assert "Traceback" not in second.stderr
