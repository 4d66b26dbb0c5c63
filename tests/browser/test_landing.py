"""The first page, and who may see it."""

import json
import re
import urllib.error
import urllib.request

import pytest
from playwright.sync_api import expect

from labkit.ledger import new_id
from labkit.panels.pages import pages
from tests.browser.technician import SLOW_MS

_no_proxy = urllib.request.build_opener(urllib.request.ProxyHandler({}))


def status_of(url):
    """The HTTP status for somebody without token or cookie, after redirects, and where they led."""
    try:
        with _no_proxy.open(url, timeout=60) as answer:
            return answer.status, answer.url
    except urllib.error.HTTPError as error:
        return error.code, error.url


def test_the_address_leads_to_the_bench(page, served):
    page.goto(served.root)
    expect(page).to_have_url(served.workbook("bench"))
    expect(page.get_by_role("heading", name="Waiting for you")).to_be_visible(timeout=4 * SLOW_MS)
    expect(page).to_have_title("Bench · Larkfield Closures")
    tabs = page.get_by_role("navigation", name="Pages")
    assert tabs.get_by_role("link").all_inner_texts() == [each.name for each in pages()]
    expect(page.locator(".lk-foot")).to_have_text("Local rules and the laboratory’s accredited procedures come first.")
    tabs.get_by_role("link", name="Calibrate").click()
    expect(page).to_have_url(served.workbook("calibrate"))
    expect(page.get_by_role("heading", name="Rig and conditions")).to_be_visible(timeout=4 * SLOW_MS)


def test_the_theme_follows_the_system_until_one_is_chosen(new_context, served):
    context = new_context(color_scheme="dark")
    page = context.new_page()
    page.goto(f"{served.root}/login")

    def paper():
        return page.evaluate("getComputedStyle(document.querySelector('.lk-leaf')).backgroundColor")

    dark, light = "rgb(23, 32, 35)", "rgb(252, 253, 251)"
    assert paper() == dark
    page.get_by_role("button", name="Light").click()
    assert paper() == light
    page.reload()
    assert paper() == light
    expect(page.get_by_role("button", name="Light")).to_have_attribute("aria-pressed", "true")
    page.get_by_role("button", name="System").click()
    assert paper() == dark
    page.emulate_media(color_scheme="light")
    assert paper() == light


def test_our_own_fonts_are_used(new_context, served):
    page = new_context().new_page()
    page.goto(f"{served.root}/login")
    page.evaluate("document.fonts.ready")
    loaded = page.evaluate("[...document.fonts].filter(f => f.status === 'loaded').map(f => f.family)")
    assert {name.strip('"') for name in loaded} == {"Source Sans 3 Variable", "Source Serif 4 Variable"}


@pytest.mark.parametrize("path", ["/", "/voila/render/calibrate.ipynb", "/?token=wrong", "/voila/tree/"])
def test_without_the_token_nothing_is_shown(served, path):
    status, url = status_of(served.root + path)
    assert status == 404 or re.fullmatch(rf"{served.root}/login\?next=.*", url)


def test_the_way_in_with_a_token(new_context, served, watch):
    page = new_context().new_page()
    page.goto(served.workbook("calibrate"))
    expect(page.get_by_role("heading", name="Open the workbooks")).to_be_visible()
    page.get_by_label("Token").fill("wrong")
    page.get_by_role("button", name="Open").click()
    expect(page.get_by_text("That is not the token of this start.")).to_be_visible()
    assert [error for error in watch.errors if "401" not in error] == []
    watch.errors.clear()
    page.goto(served.root)
    page.get_by_label("Token").fill(served.token)
    page.get_by_role("button", name="Open").click()
    expect(page.get_by_role("heading", name="Waiting for you")).to_be_visible(timeout=4 * SLOW_MS)


@pytest.mark.parametrize(
    "path",
    [
        "/voila/files/calibrate.ipynb",
        "/voila/files/../labkit-demo/bench.json",
        "/voila/files/%2e%2e/labkit-demo/bench.json",
        "/voila/api/contents/",
        "/voila/tree/",
        "/labkit/../server.py",
        "/labkit/%2e%2e/server.py",
        "/api/contents/",
        "/api/sessions",
        "/api/terminals",
    ],
)
def test_no_file_and_no_folder_is_handed_out(page, served, path):
    assert status_of(served.root + path)[0] in (403, 404)
    assert page.request.get(served.root + path).status in (403, 404)


def test_posting_needs_more_than_the_cookie(page, served):
    """Another site may send the visitor's cookie, but not what belongs to it."""
    answer = page.request.post(f"{served.root}/voila/api/shutdown/{new_id()}")
    assert answer.status == 403
    assert "_xsrf" in json.loads(answer.text())["message"]


def test_a_page_that_is_none_says_so(page, served, watch):
    page.goto(f"{served.root}/nothing/here")
    expect(page.get_by_role("heading", name="There is no such page")).to_be_visible()
    page.get_by_role("link", name="Back to the Bench").click()
    expect(page.get_by_role("heading", name="Waiting for you")).to_be_visible(timeout=4 * SLOW_MS)
    assert [error for error in watch.errors if "404" not in error] == []
    watch.errors.clear()
