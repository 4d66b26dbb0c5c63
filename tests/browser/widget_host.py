"""
Serves notebooks that a test writes, with the product's own server and template: for widgets, one at a time.

`hosted` starts one server for the test session; its notebooks hold the functions of `widget_pages`. A test asks for
`open_page`, and gets a watched page that shows one of them.
"""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat
import pytest
from playwright.sync_api import Browser, BrowserContext, Page

from tests.browser import widget_pages
from tests.browser.conftest import START_LIMIT_S, Watch, patient_context, read_lines
from tests.browser.technician import SLOW_MS

SERVER = """
import sys
from pathlib import Path
from labkit.panels import channel, entrance, server
from labkit.panels.pages import PageName

hosted = tuple(PageName(path.stem, path.stem, "") for path in Path(sys.argv[1]).glob("*.ipynb"))
channel.pages = lambda: hosted
server.workbooks = lambda: Path(sys.argv[1])
server.pages = lambda: ()
way = entrance.way_by_secret()
server.serve(Path(sys.argv[2]), 0, lambda address: print(address, flush=True), way, most_pages=40)
"""


@dataclass(frozen=True)
class Hosted:
    """The server of the test's own notebooks."""

    address: str
    folder: Path

    @property
    def root(self) -> str:
        return self.address.split("/?")[0]


@pytest.fixture(scope="package")
def hosted(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hosted]:
    folder = tmp_path_factory.mktemp("hosted")
    notebooks, data = folder / "notebooks", folder / "data"
    notebooks.mkdir()
    data.mkdir()
    for name in widget_pages.PAGES:
        _write_notebook(notebooks / f"{name}.ipynb", name, folder)
    errors = folder / "errors.txt"
    with errors.open("w") as sink:
        process = subprocess.Popen(
            [sys.executable, "-c", SERVER, str(notebooks), str(data)],
            stdout=subprocess.PIPE,
            stderr=sink,
            text=True,
            env={**os.environ, "IPYTHONDIR": str(folder / "ipython")},
        )
    lines: queue.Queue[str] = queue.Queue()
    assert process.stdout
    threading.Thread(target=read_lines, args=(process, lines), daemon=True).start()
    try:
        try:
            address = lines.get(timeout=START_LIMIT_S).strip()
        except queue.Empty:
            address = ""
        if not address:
            pytest.fail(f"the server printed no address: {errors.read_text()}")
        yield Hosted(address, folder)
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(30)


def _write_notebook(path: Path, name: str, folder: Path) -> None:
    root = str(Path(__file__).parents[2])
    code = (
        f"import sys; sys.path.insert(0, {root!r})\n"
        f"from tests.browser import widget_pages\n"
        f"widget_pages.{name}({str(folder / f'{name}.jsonl')!r})"
    )
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(code)])
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    nbformat.write(notebook, path)


@dataclass(frozen=True)
class Opened:
    """A page with one widget, and what its Python side wrote down."""

    page: Page
    log: Path

    def seen(self, *kinds: str) -> list[dict[str, Any]]:
        """Events that reached Python, in order; of the kinds given, or all."""
        lines = self.log.read_text().splitlines() if self.log.exists() else []
        events = [json.loads(line) for line in lines]
        return [event for event in events if not kinds or event["type"] in kinds]

    def wait_seen(self, count: int, *kinds: str) -> list[dict[str, Any]]:
        """The same, once there are `count` of them."""
        for _ in range(SLOW_MS // 50):
            if len(self.seen(*kinds)) >= count:
                break
            self.page.wait_for_timeout(50)
        return self.seen(*kinds)


@pytest.fixture
def host_watch(hosted: Hosted) -> Iterator[Watch]:
    watching = Watch((hosted.root, hosted.root.replace("http", "ws", 1), "data:", "blob:"))
    yield watching
    assert not watching.outside, f"called out of the machine: {watching.outside}"
    assert not watching.errors, watching.errors


@pytest.fixture
def open_page(hosted: Hosted, browser: Browser, host_watch: Watch) -> Iterator[Callable[..., Opened]]:
    """Opens one of `widget_pages`, after the script `before`; options as playwright takes them for a context."""
    made: list[BrowserContext] = []

    def show(name: str, *, before: str = "", **options: Any) -> Opened:
        log = hosted.folder / f"{name}.jsonl"
        log.unlink(missing_ok=True)
        wanted: dict[str, Any] = {"viewport": {"width": 1440, "height": 900}, "color_scheme": "light", **options}
        context = patient_context(browser, host_watch, **wanted)
        context.grant_permissions(["clipboard-read", "clipboard-write"], origin=hosted.root)
        made.append(context)
        page = context.new_page()
        page.add_init_script(before)
        context.request.get(hosted.address, max_redirects=0)
        page.goto(f"{hosted.root}/voila/render/{name}.ipynb")
        page.wait_for_selector(widget_pages.PAGES[name])
        return Opened(page, log)

    yield show
    for context in made:
        context.close()
