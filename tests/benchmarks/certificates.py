"""
How long a certificate takes: ``uv run --group benchmarks python -m tests.benchmarks.certificates``.

Laying out is timed beside weasyprint and reportlab, which are given the very same words, tables and fonts and the plot
ready made, in the same run; then the whole way from readings to a verified certificate, cold and warm, and how many a
second all cores make. weasyprint needs Pango of the distribution (libpangoft2-1.0-0).
"""

from __future__ import annotations

import argparse
import base64
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from statistics import median
from typing import Any

from labkit import calibrate, read_readings
from labkit.bench.read_about import read_about
from labkit.paths import sample_data
from labkit.sheet import render, verify
from labkit.sheet.content import content
from labkit.sheet.plot import draw
from labkit.sheet.plotted import plot_data
from labkit.sheet.typesetting import FONTS
from labkit.workflow.batch import cores
from tests.benchmarks.layouts import LAYOUTS, Given
from tests.sheets import Laboratory

RUNS = 15


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--runs", type=int, default=RUNS)
    options = asked.parse_args()
    record = sample_record()
    given = ready(record)
    print(f"The certificate of sample_data/hinge_day, {pages(render(record))} pages; medians of {options.runs}.\n")
    print(f"{'laying out':<34}{'pages':>6}{'kB':>7}{'warm':>12}{'ratio':>8}{'cold':>11}{'ratio':>8}")
    # in turn, so that all meet the same noise
    warm: dict[str, list[float]] = {name: [] for name in LAYOUTS}
    cold: dict[str, list[float]] = {name: [] for name in LAYOUTS}
    made = {name: layout(given) for name, layout in LAYOUTS.items()}
    for _ in range(options.runs):
        for name, layout in LAYOUTS.items():
            warm[name].append(seconds(layout, given))
    for _ in range(max(3, options.runs // 3)):
        for name in LAYOUTS:
            cold[name].append(seconds(in_a_process, name, given))
    ours = next(iter(LAYOUTS))
    for name, pdf in made.items():
        one, first = median(warm[name]), median(cold[name])
        print(
            f"{name:<34}{pages(pdf):>6}{len(pdf) / 1000:>7.0f}{1e3 * one:>9.0f} ms{one / median(warm[ours]):>8.2f}"
            f"{first:>9.2f} s{first / median(cold[ours]):>8.2f}"
        )
    the_whole_way(record, options.runs)
    return 0


def the_whole_way(record: dict[str, Any], runs: int) -> None:
    laboratory = Laboratory.found()
    signed = certificate(record, laboratory)
    steps: dict[str, Callable[[], object]] = {
        "calibrate, with the random draws": sample_record,
        "plot and lay out": lambda: render(record, number="0119", signed=True),
        "sign": lambda: laboratory.sign(render_once(record)),
        "verify": lambda: verify(signed, laboratory.trust),
    }
    print("\nthe whole way, warm")
    for name, step in steps.items():
        step()
        print(f"{name:<34}{1e3 * median(seconds(step) for _ in range(runs)):>9.0f} ms")
    with tempfile.TemporaryDirectory() as folder:
        print(f"{'labkit calibrate --sheet, cold':<34}{1e3 * median(command(folder) for _ in range(3)):>9.0f} ms")
    many, processes = 20 * cores(), cores()
    with ProcessPoolExecutor(processes, get_context("spawn"), initializer=warm_up, initargs=(record,)) as pool:
        list(pool.map(one_certificate, range(2 * processes)))
        begin = time.perf_counter()
        list(pool.map(one_certificate, range(many)))
        rate = many / (time.perf_counter() - begin)
    print(f"{f'certificates on {processes} cores':<34}{rate:>9.1f} a second (plotted, laid out and signed)")


def seconds(call: Callable[..., object], *given: object) -> float:
    begin = time.perf_counter()
    call(*given)
    return time.perf_counter() - begin


def sample_record() -> dict[str, Any]:
    folder = sample_data()
    about = read_about(folder / "about.toml")
    readings = read_readings(folder / "hinge_day" / "readings.csv", folder / "hinge_day" / "shims.csv")
    result = calibrate(
        readings,
        working_range=about.working_range_mm,
        tolerance=about.tolerance_mm,
        target_u=about.target_u_mm,
        conditions=about.conditions,
        about=about,
    )
    result.monte_carlo()
    return result.to_dict()


def certificate(record: dict[str, Any], laboratory: Laboratory) -> bytes:
    return laboratory.sign(render(record, number="0119", signed=True))


_SHARED: dict[str, Any] = {}


def warm_up(record: dict[str, Any]) -> None:
    _SHARED["record"], _SHARED["laboratory"] = record, Laboratory.found()


def one_certificate(_: int) -> int:
    return len(certificate(_SHARED["record"], _SHARED["laboratory"]))


@cache
def _rendered(text: str) -> bytes:
    return render(json.loads(text), number="0119", signed=True)


def render_once(record: dict[str, Any]) -> bytes:
    return _rendered(json.dumps(record))


def command(folder: str) -> float:
    sample = sample_data() / "hinge_day"
    words = ["calibrate", str(sample / "readings.csv"), "--shims", str(sample / "shims.csv")]
    words += ["--about", str(sample_data() / "about.toml"), "--sheet", str(Path(folder) / "sheet.pdf")]
    return seconds(lambda: subprocess.run([sys.executable, "-m", "labkit", *words], check=True, capture_output=True))


def in_a_process(name: str, given: Given) -> None:
    subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.layouts", name], input=json.dumps(given).encode(), check=True
    )


def pages(pdf: bytes) -> int:
    import pypdfium2

    return len(pypdfium2.PdfDocument(pdf))


def ready(record: dict[str, Any]) -> Given:
    """What each library is given: the words, and the plot as it takes it."""
    import typst

    svg = draw(plot_data(record))
    page = "#set page(width: 166mm, height: auto, margin: 0pt)\n#image(bytes(sys.inputs.svg), width: 100%)"
    png = typst.Compiler(page.encode()).compile(format="png", ppi=200, sys_inputs={"svg": svg})
    assert isinstance(png, bytes)
    shown = {"svg": svg, "png": base64.b64encode(png).decode()}
    return {"record": record, "flow": _flow(record), "fonts": str(FONTS), **shown}


def _flow(record: dict[str, Any]) -> list[tuple[str, Any]]:
    """The words of the sheet in their order: title, head, text, plot, and tables as rows of text."""
    said = content(record).to_dict()
    flow: list[tuple[str, Any]] = [("title", said["title"])]
    flow += [("text", line) for line in (*said["laboratory"], *said["customer"])]
    flow.append(("table", [(each["label"], each["text"]) for each in said["facts"]]))
    for section in said["sections"]:
        flow.append(("head", section["title"]))
        for block in section["blocks"]:
            match block["kind"]:
                case "text" | "small":
                    flow.append(("text", _text(block["runs"])))
                case "heading":
                    flow.append(("text", block["text"]))
                case "list":
                    flow += [("text", item) for item in block["items"]]
                case "facts":
                    flow.append(("table", [(each["label"], each["text"]) for each in block["rows"]]))
                case "table":
                    rows = [[column["title"] for column in block["columns"]]]
                    flow.append(("table", rows + [[_text(cell) for cell in row] for row in block["rows"]]))
                case "plot":
                    flow.append(("plot", block["name"]))
    return flow


def _text(runs: list[dict[str, Any]]) -> str:
    return " ".join(run["text"] for run in runs)


if __name__ == "__main__":
    sys.exit(main())
