"""Figures in a browser: shown without a bar of tools, changed in place, and clicked."""

from __future__ import annotations

from collections.abc import Callable

from playwright.sync_api import expect

from tests.browser.widget_host import Opened, host_watch, hosted, open_page

__all__ = ["host_watch", "hosted", "open_page"]  # pytest finds fixtures by name

Open = Callable[..., Opened]


def test_a_figure_becomes_another_in_place(open_page: Open) -> None:
    page = open_page("figures").page
    curve, beside = page.locator(".js-plotly-plot").nth(0), page.locator(".js-plotly-plot").nth(1)
    expect(curve.get_by_text("Indication, counts, background subtracted")).to_be_visible()
    expect(curve.locator(".ytick text").filter(has_text="20000")).to_be_visible()
    expect(beside.locator(".scatterlayer .trace")).to_have_count(3)
    expect(page.locator(".modebar-btn")).to_have_count(0)

    page.get_by_role("button", name="Another").click()
    expect(curve.get_by_text("Error of indication, mil")).to_be_visible()
    expect(curve.get_by_text("Indication, counts, background subtracted")).to_have_count(0)
    expect(curve.locator(".ytick text").filter(has_text="20000")).to_have_count(0)
    expect(curve.get_by_text("tolerance +0.197")).to_be_visible()
    expect(curve.get_by_text("A-7")).to_be_visible()
    expect(beside.get_by_text("A curve through the points leaves no residuals to plot.")).to_be_visible()
    expect(beside.locator(".scatterlayer .trace")).to_have_count(0)


def test_a_click_on_a_point_names_its_shim(open_page: Open) -> None:
    opened = open_page("figures")
    page = opened.page
    points = page.locator(".js-plotly-plot").nth(0).locator(".scatterlayer .trace .points path.point")
    box = points.nth(8).bounding_box()
    assert box
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    expect(page.locator(".hoverlayer").first).to_contain_text("B-7")
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert opened.wait_seen(1, "point") == [{"type": "point", "shim": "B-7"}]
