"""What a technician does on the page Calibrate, by the words on it."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
from playwright.sync_api import Locator, Page, expect

from labkit.paths import sample_data

RIG = "Rig 2: G-07, probe P2, narrow tip, ball 1.5 mm"
SLOW_MS = 60_000  # a machine that tests is a busy machine: slowness is no fault of a page


def sample_rows(*roles: str) -> list[dict[str, str]]:
    """Rows of the demo day's readings in these roles."""
    with (sample_data() / "hinge_day" / "readings.csv").open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["role"] in roles]


def as_pasted(rows: list[dict[str, str]]) -> str:
    """The rows as a spreadsheet puts them on the clipboard."""
    return "\n".join("\t".join(cells) for cells in [list(rows[0]), *(row.values() for row in rows)])


def what_the_gauge_shows(thickness_mm: float, repeats: int = 5) -> list[str]:
    """Indications of the demo gauge at a thickness, from its mean error at the shims of the demo day."""
    shims = {}
    with (sample_data() / "hinge_day" / "shims.csv").open(encoding="utf-8", newline="") as file:
        shims = {row["shim"]: float(row["thickness [mm]"]) for row in csv.DictReader(file)}
    means: dict[str, list[float]] = {}
    for row in sample_rows("fit", "check"):
        means.setdefault(row["shim"], []).append(float(row["indication [mm]"]))
    x = np.array(sorted(shims[name] for name in means))
    error = np.array([np.mean(means[name]) - shims[name] for name in sorted(means, key=lambda name: shims[name])])
    shown = thickness_mm + float(np.interp(thickness_mm, x, error))
    return [f"{shown + 0.0004 * (-1) ** i:.3f}" for i in range(repeats)]


class Technician:
    """
    Parameters
    ----------
    page : Page
        Calibrate, open.
    """

    def __init__(self, page: Page) -> None:
        self.page = page

    def section(self, title: str) -> Locator:
        return self.page.locator(".lk-sect").filter(has=self.page.get_by_role("heading", name=title, exact=True))

    def mark(self, title: str) -> Locator:
        return self.section(title).locator(".lk-no .lk-mark")

    def choose_person(self, name: str) -> None:
        self.page.get_by_title("Who is at this page").select_option(label=name)

    def choose_rig(self) -> None:
        self.page.get_by_title("Rig", exact=True).select_option(label=RIG)
        expect(self.page.locator(".lk-strip")).to_contain_text("Rig 2")
        # a key that is pressed before the rows are laid out reaches nobody
        expect(self.section("Readings").locator(".lk-now-band")).to_contain_text("G-07")

    def type_field(self, title: str, text: str) -> None:
        field = self.page.get_by_title(title, exact=True)
        field.fill(text)
        field.press("Tab")

    def take(self, title: str, texts: list[str]) -> None:
        """Type readings into the band of a section, one Enter after the other."""
        band = self.section(title).locator(".lk-now-band")
        expect(band).not_to_have_class(re.compile(r"\blk-deaf\b"))
        for text in texts:
            self.page.keyboard.type(text)
            self.page.keyboard.press("Enter")

    def line(self, title: str, shim: str) -> Locator:
        return self.section(title).locator("tr", has=self.page.get_by_text(shim, exact=True))

    def paste(self, text: str) -> None:
        section = self.section("Readings")
        section.get_by_role("button", name="Paste cells or upload a file").click()
        section.locator("textarea").fill(text)
        section.get_by_role("button", name="Take these cells").click()

    def curve(self) -> Locator:
        return self.section("Curve").locator(".js-plotly-plot").first

    def points_drawn(self) -> int:
        """How many points the curve's figure shows."""
        count = self.curve().evaluate(
            "plot => Math.max(...plot._fullData.filter(t => t.mode && t.mode.includes('markers')).map(t => t.x.length))"
        )
        return int(count)

    def download(self, title: str, button: str, target: Path) -> bytes:
        with self.page.expect_download() as waiting:
            self.section(title).get_by_role("button", name=button).click()
        waiting.value.save_as(target)
        return target.read_bytes()

    def shoot(self, title: str, target: Path, *, height: int | None = None) -> None:
        """A picture of a section, of its upper part only where a height is given."""
        section = self.section(title)
        section.scroll_into_view_if_needed()
        self.page.add_style_tag(content=".lk-strip, .lk-now-band { position: static !important; }")
        box = section.bounding_box()
        assert box is not None
        top = self.page.evaluate("window.scrollY")
        clip = {"x": box["x"], "y": box["y"] + top, "width": box["width"], "height": height or box["height"]}
        self.page.screenshot(path=target, full_page=True, clip=clip)  # type: ignore[arg-type]

    def finish_rows(self) -> None:
        """Take out the rows of the readings on which nothing was read."""
        section = self.section("Readings")
        for row in section.locator(
            "tr", has=self.page.get_by_role("gridcell", name=re.compile("reading 1, empty"))
        ).all():
            row.get_by_role("button", name=re.compile("Row menu")).click()
            self.page.get_by_role("menuitem", name="Take out a row without readings").click()
        expect(self.mark("Sheet")).to_have_text("Ready to sign")
