"""`labkit serve` is killed at random moments, kernels and all, while one person types readings and another one signs."""

from __future__ import annotations

import contextlib
import os
import queue
import random
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from websockets.exceptions import WebSocketException

from labkit.commands.demo import DEMO_PASSPHRASE, prepare_demo
from labkit.ledger import check, find, list_drafts, load_draft, new_id, save_draft, search
from labkit.ledger.store import close_store
from labkit.sheet import verify
from labkit.sheet.identity import AUTHORITY_CERTIFICATE
from tests.attacks.visitor import Visitor
from tests.browser.conftest import START_LIMIT_S, Served, kernels_of, read_lines
from tests.calibrate_pages import finished_state
from tests.typist import Typist, choose

SEED = 20_261_128
KILLS = 5
LONGEST_S = 4.0
"""Typing goes on for so long at most, and signing takes about as long."""

ZERO = "zero:"
NO_NUMBER = "0000"

_PAUSE_S = 0.1


@contextlib.contextmanager
def doomed(data: Path) -> Iterator[tuple[Served, subprocess.Popen[str]]]:
    """A server that will be killed, on a data folder that others were killed on before."""
    process = subprocess.Popen(
        [sys.executable, "-m", "labkit", "serve", "--data", str(data), "--port", "0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        lines: queue.Queue[str] = queue.Queue()
        threading.Thread(target=read_lines, args=(process, lines), daemon=True).start()
        line = lines.get(timeout=START_LIMIT_S)
        assert line.startswith("labkit is ready: "), line
        yield Served(line.split(": ", 1)[1].strip(), data), process
    finally:
        kill(process)


def kill(process: subprocess.Popen[str]) -> None:
    """The server and every kernel of it, at once and without a word."""
    for each in (process.pid, *kernels_of(process).values()):
        with contextlib.suppress(ProcessLookupError):
            os.kill(each, signal.SIGKILL)
    process.wait()


def type_until_the_end(served: Served, draft: str, told: list[str], ready: threading.Event) -> None:
    """One draft, gone on with from kill to kill; what is acknowledged is told."""
    page = Visitor(served.root).come_in(served.token).open(query=f"?draft={draft}")
    typist = Typist(page)
    ready.set()
    with contextlib.suppress(WebSocketException, OSError):
        while True:
            text = f"{0.005 + 0.001 * (len(told) % 9):.3f}"
            typist.take(ZERO, len(told), text)
            told.append(text)
            time.sleep(_PAUSE_S)


def sign_until_the_end(served: Served, draft: str, told: dict[str, str], ready: threading.Event) -> None:
    page = Visitor(served.root).come_in(served.token).open(query=f"?draft={draft}")
    line = page.find(label="Finish and sign")
    page.wait(lambda: bool(page.states[line]["enabled"]), "nothing stands in the way of signing")
    ready.set()
    with contextlib.suppress(WebSocketException, OSError):
        page.tell(line, {"type": "answer", "text": DEMO_PASSPHRASE})
        while draft not in told:
            page.hear(0.005)
            for state in page.states.values():
                named = re.fullmatch(r"certificate-(\d{4})\.pdf", str(state.get("file_name")))
                if named and named[1] != NO_NUMBER and state.get("enabled"):
                    told[draft] = named[1]


def ready_to_sign(data: Path) -> str:
    """The id of a new draft in which everything is read."""
    draft = new_id()
    save_draft(data, {**finished_state(), "id": draft, "revision": 0})
    return draft


def typed(data: Path, draft: str) -> list[str]:
    """The readings at contact zero that the ledger holds."""
    lines = load_draft(data, draft)["work"]["log"]
    return [cell["text"] for line in lines if line["id"] == ZERO for cell in line["cells"] if cell["text"]]


def test_a_server_killed_at_any_moment_loses_nothing_that_a_page_has_acknowledged(tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir(mode=0o700)
    prepare_demo(data)
    moments = random.Random(SEED)
    signed: dict[str, str] = {}
    told = ["0.004"]
    with doomed(data) as (served, _):
        page = Visitor(served.root).come_in(served.token).open()
        choose(page, "Who is at this page", "M. Okonjo")
        choose(page, "Rig", "Rig 2")
        typist = Typist(page)
        typist.take(ZERO, 0, told[0])
        (mine,) = (line.id for line in list_drafts(data))
    for turn in range(KILLS):
        to_sign = ready_to_sign(data)
        close_store(data)
        with doomed(data) as (served, process):
            ready = [threading.Event(), threading.Event()]
            people = [
                threading.Thread(target=type_until_the_end, args=(served, mine, told, ready[0])),
                threading.Thread(target=sign_until_the_end, args=(served, to_sign, signed, ready[1])),
            ]
            for each in people:
                each.start()
            assert all(each.wait(START_LIMIT_S) for each in ready)
            time.sleep(moments.uniform(0.0, LONGEST_S))
            kill(process)
            for each in people:
                each.join()
        assert check(data).whole, f"after kill {turn + 1}"
        kept = typed(data, mine)
        assert kept[: len(told)] == told
        assert len(kept) <= len(told) + 1, "no more than the one that was on its way"
        # what was on its way has arrived, and the next one goes to the place after it
        told = kept
        number = load_draft(data, to_sign).get("number", "")
        assert number == signed.get(to_sign, number), "what was told is kept"
        found = [line.number for line in search(data).lines]
        assert (number in found) if number else len(found) == len(set(found))
    assert len(told) > KILLS
    found = sorted(line.number for line in search(data, limit=1000).lines)
    assert found == [f"{n:04d}" for n in range(1, len(found) + 1)], "no number twice, none left out"
    assert set(signed.values()) <= set(found)
    authority = data / "identities" / AUTHORITY_CERTIFICATE
    for number in found:
        verdict = verify(find(data, number).pdf, [authority])
        assert verdict.genuine, str(verdict.reason)
