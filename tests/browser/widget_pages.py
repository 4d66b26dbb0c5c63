"""
Pages of one widget each, as small as can be. They run in the kernels of `widget_host`, and write down what they get.
"""

from __future__ import annotations

import copy
import json
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import ipywidgets as widgets
from IPython.display import display

from labkit.panels.download import Download
from labkit.panels.reading_grid import GridEvent, ReadingGrid
from labkit.panels.upload import Upload
from labkit.panels.warm_up import WarmUp
from labkit.problems import Problem

PAGES: Final = {  # name → what stands on the page once it is there
    "readings": ".lk-reading",
    "readings_of_the_day": ".lk-reading td",
    "nothing_taken": ".lk-reading",
    "files": ".lk-upload",
    "clocks": ".lk-warm-up",
    "figures": ".js-plotly-plot .scatterlayer",
}
REPEATS: Final = 5
SHIMS: Final = ("Zero", "A-1", "A-2", "A-3", "A-4", "A-5", "A-6", "A-7")


def note(log: str, **line: Any) -> None:
    with Path(log).open("a") as file:
        file.write(json.dumps(line) + "\n")


class Page:
    """Keeps texts by shim, knows where the next reading goes, and can undo: the least that answers a grid."""

    def __init__(self, log: str, shims: tuple[str, ...]) -> None:
        self.log = log
        self.cells: dict[str, list[str]] = {shim: [""] * REPEATS for shim in shims}
        self.at: dict[str, Any] | None = {"row": shims[0], "cell": 0}
        self.past: list[dict[str, list[str]]] = []
        self.future: list[dict[str, list[str]]] = []
        self.said = ""
        self.last = ("", "")
        self.hide = False
        self.grid = ReadingGrid(repeats=REPEATS, unit_note="Lengths in mm.", sounds=True)
        self.grid.tools = [
            {"id": "paste", "label": "Paste cells"},
            {"id": "break", "label": "Break"},
            {"id": "close", "label": "Read again at the end"},
            {"id": "undo", "label": "Undo", "gap": True},
        ]
        self.grid.on_event(self.answer)
        self.show()

    def answer(self, event: GridEvent) -> None:
        note(self.log, **asdict(event))
        if event.type in ("take", "edit", "clear", "paste"):
            self.past.append(copy.deepcopy(self.cells))
        match event.type:
            case "take" | "edit":
                self.cells[event.row][event.cell] = event.text
                self.last = (f"Last taken, {event.cell + 1} of {REPEATS}:", event.text)
                self.at = self.place_after(event.row)
            case "clear":
                for row, cell in event.cells:
                    self.cells[row][cell] = ""
            case "paste":
                self.paste(event)
            case "undo" | "redo":
                here, there = (self.past, self.future) if event.type == "undo" else (self.future, self.past)
                if here:
                    there.append(self.cells)
                    self.cells = here.pop()
            case "next-row":
                rows = list(self.cells)
                self.at = {"row": rows[(rows.index(event.row) + 1) % len(rows)], "cell": 0}
            case "select":
                self.at = self.place_after(event.row)
            case "button" if event.item == "close":
                self.at = {"row": list(self.cells)[-1], "cell": 0}
            case "hide-reference":
                self.hide = event.value
            case "button" if event.item == "break":
                raise RuntimeError("the page does not get over this")
        self.show()

    def begin_at(self, row: str) -> None:
        self.at = {"row": row, "cell": 0}
        self.show()

    def place_after(self, row: str) -> dict[str, Any] | None:
        """The next empty cell: of this shim, then of those after it."""
        rows = list(self.cells)
        for each in rows[rows.index(row) :]:
            if "" in self.cells[each]:
                return {"row": each, "cell": self.cells[each].index("")}
        return None

    def paste(self, event: GridEvent) -> None:
        rows = list(self.cells)
        first = rows.index(event.row)
        for offset, line in enumerate(event.block):
            if first + offset >= len(rows):
                self.said = f"Row {offset + 1} was left out: there is no shim for it."
                break
            cells = self.cells[rows[first + offset]]
            cells.extend([""] * (event.cell + len(line) - len(cells)))
            cells[event.cell : event.cell + len(line)] = line

    def show(self) -> None:
        tally = [""] * REPEATS
        if self.at:
            texts = self.cells[self.at["row"]]
            tally = ["on" if text else "at" if n == self.at["cell"] else "" for n, text in enumerate(texts)]
        with self.grid.hold_sync():
            self.grid.rows = [self.row(shim, texts) for shim, texts in self.cells.items()]
            self.grid.current = self.at
            self.grid.band = {
                "gauge": "G-07",
                "on_probe": f"Shim {self.at['row']}" if self.at else "Nothing",
                "last_label": self.last[0],
                "last_value": self.last[1],
                "unit": "mm",
                "tally": tally,
                "next_text": f"Reading {self.at['cell'] + 1} of {REPEATS} is next." if self.at else "All is read.",
                "advice": {"text": self.said, "buttons": [{"id": "stop", "label": "Stop here"}]},
                "hide_reference": self.hide,
            }

    def row(self, shim: str, texts: list[str]) -> dict[str, Any]:
        numbers = [float(text) for text in texts if re.fullmatch(r"\d+\.\d+", text)]
        bad = [number + 1 for number, text in enumerate(texts) if text and not re.fullmatch(r"\d+\.\d+", text)]
        return {
            "id": shim,
            "label": shim,
            "reference": "" if self.hide else "1.0000",
            "cells": [{"text": text, "state": "bad" if n + 1 in bad else ""} for n, text in enumerate(texts)],
            "mean": f"{sum(numbers) / len(numbers):.4f}" if numbers and not bad else "",
            "remark": f"Reading {bad[0]}" if bad else "",
            "remark_state": "stop" if bad else "",
            "state": "now" if self.at and self.at["row"] == shim else "",
        }


def readings(log: str) -> None:
    """Eight shims, five readings each, and another field."""
    page = Page(log, SHIMS)
    field = widgets.Text(placeholder="Note")
    begin, point = widgets.Button(description="Begin the next"), widgets.Button(description="Point out A-5")
    begin.on_click(lambda _: page.begin_at("A-6"))
    point.on_click(lambda _: page.grid.point_out("A-5"))
    display(widgets.VBox([field, page.grid, begin, point]).add_class("lk-page"))
    page.grid.listen()


def readings_of_the_day(log: str) -> None:
    """The grid of the mock-up, with a cell of every state; it computes nothing."""
    del log
    states = {"A-3": ["", "changed", "", "apart", ""], "A-7": ["", "bad", "", "", "out"]}
    table = {
        "Zero": ("0.0000", "0.011 0.012 0.011 0.011 0.012", "0.0114", "0.5", "Contact zero: target on the bare tip"),
        "A-3": ("0.5011", "0.502 0.503 0.502 0.507 0.502", "0.5032", "2.2", "Reading 4 stands apart"),
        "A-4": ("0.9995", "0.997 0.998 0.998 0.997 0.998", "–", "–", "Set aside 10:16"),
        "A-7": ("1.9992", "1.993 1.99O 1.993 1.992 1.992", "–", "–", "Reading 2"),
        "A-6": ("1.5008", "1.496 1.497", "", "", "Extra point, from section 5"),
    }
    rows: list[dict[str, Any]] = []
    for shim, (reference, texts, mean, s, remark) in table.items():
        of_cells = states.get(shim, [""] * REPEATS)
        cells = [{"text": text, "state": state} for text, state in zip(texts.split(), of_cells, strict=False)]
        row = {"id": shim, "label": shim, "reference": reference, "cells": cells}
        rows.append(row | {"mean": mean, "s": s, "remark": remark})
    rows[1]["cells"][1]["note"] = "Changed 09:56 by M. Okonjo, was 0.5O3."
    rows[1] |= {"remark_state": "watch", "remark_button": {"id": "decide", "label": "Decide"}}
    rows[2] |= {"state": "set-aside"}
    rows[3] |= {"remark_state": "stop"}
    rows[4] |= {"state": "now"}
    band = {
        "gauge": "G-07",
        "on_probe": "Shim A-6, 1.5008 mm",
        "last_label": "Last taken, 2 of 5:",
        "last_value": "1.497",
        "unit": "mm",
        "tally": ["on", "on", "at", "", ""],
        "next_text": "Reading 3 of 5 is next.",
        "hide_reference": False,
        "advice": {
            "lead": "Next: A-6, 1.5 mm.",
            "text": "It lowers U from 1.6 to 1.3 µm.",
            "mark": {"state": "part", "text": "Being read"},
            "buttons": [{"id": "read", "label": "Read it", "primary": True}, {"id": "stop", "label": "Stop here"}],
        },
    }
    grid = ReadingGrid(rows=rows, band=band, current={"row": "A-6", "cell": 2}, unit_note="Lengths in mm.")
    grid.tools = [{"id": "p", "label": "Paste cells"}, {"id": "u", "label": "Undo", "gap": True}]
    display(widgets.VBox([widgets.Text(placeholder="Note"), grid]).add_class("lk-page"))


def nothing_taken(log: str) -> None:
    """Before the first reading: a band, and no grid."""
    band = {
        "gauge": "",
        "on_probe": "Contact zero",
        "last_label": "Nothing taken yet",
        "unit": "mm",
        "tally": ["at", "", "", "", ""],
        "next_text": "Reading 1 of 5 is next.",
        "advice": {"text": "Put the target on the bare tip and press Enter: contact zero first."},
    }
    grid = ReadingGrid(band=band, current={"row": "Zero", "cell": 0})
    grid.on_event(lambda event: note(log, **asdict(event)))
    display(widgets.VBox([grid]).add_class("lk-page"))
    grid.listen()


def files(log: str) -> None:
    """Downloads of every kind, and the upload."""

    def large() -> bytes:
        return bytes(range(256)) * (5_000_000 // 256)

    def refused() -> bytes:
        raise Problem("download.nothing")

    def broken() -> bytes:
        raise RuntimeError("a fault of ours")

    def take_cells(text: str) -> str:
        note(log, type="cells", text=text)
        return "3 readings taken."

    def take_file(name: str, data: bytes) -> str:
        note(log, type="file", name=name, size=len(data))
        return f"{name} taken."

    display(
        widgets.VBox(
            [
                Download(large, "large.bin", "Download 5 MB", primary=True),
                Download(refused, "refused.pdf", "Download nothing"),
                Download(broken, "broken.pdf", "Download a fault"),
                Download(large, "off.pdf", "Download later", enabled=False),
                Upload(take_cells, take_file),
            ]
        ).add_class("lk-page")
    )


def clocks(log: str) -> None:
    """One gauge that is warm, one that is not, one that nobody switched on, one that is switched on later."""
    del log
    zone = "Europe/Berlin"
    display(
        widgets.VBox(
            [
                WarmUp(since="2026-11-25T08:17:00Z", needs_min=30, zone=zone),
                WarmUp(since="2026-11-25T08:56:00Z", needs_min=30, zone=zone),
                WarmUp(since="", needs_min=30, zone=zone),
                WarmUp(since="2026-11-25T10:00:00Z", needs_min=90, zone=zone),
            ]
        ).add_class("lk-page")
    )


def figures(log: str) -> None:
    """A curve that becomes another one, and plots that become a sentence."""
    from labkit import calibrate, charts, read_readings
    from labkit.panels.figure import figure_widget, update

    samples = Path(__file__).parents[2] / "sample_data"
    raw, length = (
        read_readings(samples / name / "readings.csv", shims=samples / name / "shims.csv")
        for name in ("raw_ball", "hinge_day")
    )
    first, second = calibrate(raw), calibrate(length, "monotone-cubic", tolerance=0.005)
    curve = figure_widget(charts.curve_figure(first))
    beside = figure_widget(charts.quantile_figure(first))
    curve.on_point(lambda shim: note(log, type="point", shim=shim))
    turn = widgets.Button(description="Another")

    def show_second(_button: object) -> None:
        update(curve, charts.curve_figure(second, theme="dark", unit="in"))
        update(beside, charts.quantile_figure(second))

    turn.on_click(show_second)
    display(widgets.VBox([turn, curve, beside]).add_class("lk-page"))
