"""
The dashboards as `labkit serve` starts them, and one Chromium.

A test asks for `page` (signed in, watched) and `served`. When it ends, no request may have left the machine, and
neither the page nor its console may have complained.
"""

from __future__ import annotations

import contextlib
import os
import queue
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from tests.browser.technician import SLOW_MS

CHROMIUM = "/usr/bin/chromium"
START_LIMIT_S = 120

expect.set_options(timeout=SLOW_MS)


@dataclass(frozen=True)
class Served:
    """
    A running `labkit serve`.

    Attributes
    ----------
    address : str
        As printed, with the token.
    data : Path
        Its data folder.
    """

    address: str
    data: Path

    @property
    def root(self) -> str:
        """``http://127.0.0.1:PORT``."""
        return self.address.split("/?")[0]

    @property
    def token(self) -> str:
        return parse_qs(urlsplit(self.address).query)["token"][0]

    def workbook(self, name: str, query: str = "") -> str:
        return f"{self.root}/voila/render/{name}.ipynb{query}"


@contextlib.contextmanager
def serving(folder: Path, *options: str, before: str = "") -> Iterator[tuple[Served, subprocess.Popen[str]]]:
    """
    `labkit serve --demo` on a free port, its data folder in `folder`, until the block ends.

    `options` are added to the command; `before` is code that runs in the process first.
    """
    start = (
        ["-c", f"{before}\nimport sys\nfrom labkit.cli import main\nsys.exit(main())"] if before else ["-m", "labkit"]
    )
    errors = folder / "errors.txt"
    with errors.open("w") as sink:
        process = subprocess.Popen(
            [sys.executable, *start, "serve", "--demo", "--data", str(folder), "--port", "0", *options],
            stdout=subprocess.PIPE,
            stderr=sink,
            text=True,
            env={**os.environ, "IPYTHONDIR": str(folder / "ipython")},
        )
    lines: queue.Queue[str] = queue.Queue()
    threading.Thread(target=read_lines, args=(process, lines), daemon=True).start()
    try:
        line = lines.get(timeout=START_LIMIT_S)
        assert line.startswith("labkit is ready: http://127.0.0.1:"), line or errors.read_text()
        yield Served(line.split(": ", 1)[1].strip(), folder / "labkit-demo"), process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
        process.wait(30)
    assert process.returncode == 0, errors.read_text()
    assert lines.get(timeout=5) == "", "labkit serve prints one line"


def read_lines(process: subprocess.Popen[str], lines: queue.Queue[str]) -> None:
    """What the process prints, line by line; an empty text at the end."""
    assert process.stdout
    for line in process.stdout:
        lines.put(line)
    lines.put("")


def kernels_of(server: subprocess.Popen[str]) -> dict[str, int]:
    """The kernels of a server: process number by kernel id."""
    found = {}
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            parent = (folder / "stat").read_text().rsplit(")", 1)[1].split()[1]
            kernel = re.search(r"kernel-([0-9a-f-]{36})\.json", (folder / "cmdline").read_text())
            if kernel and int(parent) == server.pid:
                found[kernel[1]] = int(folder.name)
    return found


@pytest.fixture(scope="package")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with serving(tmp_path_factory.mktemp("served")) as (running, _):
        yield running


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-dev-shm-usage",
            ],
        )
        yield started
        started.close()


@dataclass
class Watch:
    """What pages did that they should not."""

    inside: tuple[str, ...]
    outside: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def over(self, page: Page) -> None:
        page.on("request", lambda request: self._saw(request.url))
        page.on("websocket", lambda socket: self._saw(socket.url))
        page.on("pageerror", lambda error: self.errors.append(f"page: {error}"))
        page.on("console", lambda said: self.errors.append(f"console: {said.text}") if said.type == "error" else None)

    def _saw(self, url: str) -> None:
        if not url.startswith(self.inside):
            self.outside.append(url)


@pytest.fixture
def watch(served: Served) -> Iterator[Watch]:
    """A test that provokes an error on purpose empties ``watch.errors`` after it has looked at them."""
    watching = Watch((served.root, served.root.replace("http", "ws", 1), "data:", "blob:"))
    yield watching
    assert not watching.outside, f"called out of the machine: {watching.outside}"
    assert not watching.errors, watching.errors


def patient_context(browser: Browser, watch: Watch, **options: Any) -> BrowserContext:
    """A browser context that is watched, and waits as long as a busy machine takes."""
    context = browser.new_context(accept_downloads=True, **options)
    context.set_default_timeout(SLOW_MS)
    context.set_default_navigation_timeout(2 * SLOW_MS)  # a page is loaded when its kernel has run
    context.on("page", watch.over)
    return context


@pytest.fixture
def new_context(browser: Browser, watch: Watch) -> Iterator[Callable[..., BrowserContext]]:
    """Makes browser contexts, each a visitor who is not signed in; options as playwright takes them."""
    made: list[BrowserContext] = []

    def make(**options: object) -> BrowserContext:
        context = patient_context(browser, watch, **options)
        made.append(context)
        return context

    yield make
    for context in made:
        context.close()


@pytest.fixture
def page(served: Served, new_context: Callable[..., BrowserContext]) -> Page:
    """An empty page of a visitor who used the printed address, 1440 wide, in light."""
    context = new_context(viewport={"width": 1440, "height": 900}, color_scheme="light")
    context.request.get(served.address, max_redirects=0)  # the cookie alone: the Bench need not open for every test
    return context.new_page()
