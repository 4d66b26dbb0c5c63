"""Power cuts, full disks and servers that go away: what was acknowledged is there, and nothing is there by half."""

from __future__ import annotations

import os
import random
import resource
import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from labkit.ledger import (
    Actor,
    Place,
    check,
    find,
    list_drafts,
    load_bench,
    load_draft,
    new_id,
    save_bench,
    save_draft,
    search,
    sign_and_keep,
)
from labkit.ledger.demo import demo_bench
from labkit.ledger.store import close_store
from labkit.problems import Problem
from tests.postgres import Server

WHO = Actor("M. Okonjo", "technician", proven=True)
NOBODY = 65534
OTHER = NOBODY if os.geteuid() == 0 else None
"""An account that does not own what the tests make; where that cannot be had, modes stand in for it."""
KILLS = 200
SEED = 20261128


def certificate(place: Place) -> bytes:
    return f"%PDF- certificate {place.number} ".encode() * 2000


def record(found: str) -> dict[str, object]:
    return {"schema": "labkit.calibration/1", "id": found, "inputs": {"about": {"rig": {"name": "Rig 2"}}}}


def draft(found: str, revision: int, count: int) -> dict[str, object]:
    cells = [[str(i)] for i in range(200)]
    return {"id": found, "revision": revision, "owner": WHO.name, "person": WHO.name, "count": count, "cells": cells}


def work(data: Path, tell: int) -> None:
    """Save and sign without end, and tell of each thing only once it has been acknowledged."""
    while True:
        found, revision = new_id(), 0
        for count in range(1, 4):
            revision = save_draft(data, draft(found, revision, count), WHO)
            os.write(tell, f"saved {found} {count}\n".encode())
        number = sign_and_keep(data, record(found), certificate, WHO).number
        os.write(tell, f"signed {found} {number}\n".encode())


def in_a_child(job: Callable[[], object], account: int | None = None) -> int:
    """Run `job` in a process of its own, as another account where one is named; its exit code, 0 where it returned."""
    child = os.fork()
    if child == 0:
        try:
            if account is not None:
                os.setgid(account)
                os.setuid(account)
            job()
        except BaseException as error:
            os.write(2, f"{type(error).__name__}: {error}\n".encode())
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def killed_at_work(data: Path, after_s: float) -> list[list[str]]:
    """What a process had been acknowledged when it was killed, `after_s` after its first entry."""
    hear, tell = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(hear)
        try:
            work(data, tell)
        finally:
            os._exit(1)
    os.close(tell)
    with os.fdopen(hear, "rb") as lines:
        first = lines.readline()
        time.sleep(after_s)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        told = [first, *lines.readlines()]
    return [line.decode().split() for line in told if line.endswith(b"\n")]


def is_there(data: Path, told: list[list[str]]) -> None:
    """Every thing that was told of is in the ledger, as it was when it was told of, or later."""
    saved: dict[str, int] = {}
    for what, found, value in told:
        if what == "signed":
            entry = find(data, found)
            assert entry.number == value
            assert entry.pdf == certificate(Place(value, entry.head))
            assert load_draft(data, found)["number"] == value
        else:
            saved[found] = int(value)
    for found, count in saved.items():
        assert load_draft(data, found)["count"] >= count


def test_whoever_is_killed_at_any_moment_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    save_bench(tmp_path, demo_bench())
    close_store(tmp_path)
    moments = random.Random(SEED)
    told: list[list[str]] = []
    for turn in range(KILLS):
        told += killed_at_work(tmp_path, moments.uniform(0.0, 0.06))
        if turn % 20 == 19:
            assert check(tmp_path).whole
            close_store(tmp_path)
    assert len(told) >= KILLS
    is_there(tmp_path, told)
    assert check(tmp_path).whole
    numbers = [int(line.number) for line in search(tmp_path, limit=10**6).lines]
    assert numbers == list(range(len(numbers), 0, -1)), "no number twice, none left out"


def test_the_same_on_a_server(postgres: Server, tmp_path: Path) -> None:
    data = postgres.settings(tmp_path)
    save_bench(data, demo_bench())
    close_store(data)
    moments = random.Random(SEED + 1)
    told = [each for _ in range(20) for each in killed_at_work(data, moments.uniform(0.0, 0.1))]
    is_there(data, told)
    assert check(data).whole


def test_a_full_disk_is_said_and_takes_nothing_away(tmp_path: Path) -> None:
    save_bench(tmp_path, demo_bench())
    first = new_id()
    save_draft(tmp_path, draft(first, 0, 1), WHO)
    before = check(tmp_path)
    close_store(tmp_path)

    def fill() -> None:
        # a limit on the size of files refuses the write in the kernel, as a full disk does
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        limit = (tmp_path / "ledger.sqlite").stat().st_size + 40_000
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        with pytest.raises(Problem) as refused:
            for _ in range(100):
                sign_and_keep(tmp_path, record(new_id()), lambda place: os.urandom(30_000), WHO)
        assert refused.value.code == "ledger.cannot_write"
        assert "disk" in str(refused.value)
        assert load_draft(tmp_path, first)["count"] == 1

    assert in_a_child(fill) == 0
    after = check(tmp_path)
    assert after.whole and after.entries >= before.entries
    assert load_draft(tmp_path, first)["count"] == 1
    assert sign_and_keep(tmp_path, record(new_id()), certificate, WHO).number == f"{len(search(tmp_path).lines):04d}"


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A data folder that another account reaches."""
    with tempfile.TemporaryDirectory(prefix="labkit-readonly-") as folder:
        os.chmod(folder, 0o755)
        yield Path(folder)


def test_a_read_only_folder_can_be_looked_at(open_folder: Path) -> None:
    save_bench(open_folder, demo_bench())
    found = new_id()
    save_draft(open_folder, draft(found, 0, 1), WHO)
    close_store(open_folder)
    if os.geteuid() == 0:  # whom no mode stops: somebody else looks
        os.chown(open_folder / "ledger.sqlite", NOBODY, NOBODY)
    else:
        os.chmod(open_folder, 0o555)

    def look() -> None:
        assert load_bench(open_folder).people
        assert load_draft(open_folder, found)["count"] == 1
        assert check(open_folder).whole
        with pytest.raises(Problem) as refused:
            save_draft(open_folder, draft(found, 1, 2), WHO)
        assert refused.value.code == "ledger.cannot_write"

    assert in_a_child(look, OTHER) == 0
    os.chmod(open_folder, 0o755)


def test_a_folder_of_somebody_else_is_said(open_folder: Path) -> None:
    save_bench(open_folder, demo_bench())
    close_store(open_folder)
    if os.geteuid() != 0:
        os.chmod(open_folder / "ledger.sqlite", 0)

    def look() -> None:
        with pytest.raises(Problem) as refused:
            load_bench(open_folder)
        assert refused.value.code == "ledger.cannot_write"

    assert in_a_child(look, OTHER) == 0


def test_a_page_of_the_database_that_went_bad_is_found(tmp_path: Path) -> None:
    """Whatever 4 kB go bad: no crash, no silence; either the database says so, or the chain does."""
    save_bench(tmp_path, demo_bench())
    for _ in range(3):
        sign_and_keep(tmp_path, record(new_id()), certificate, WHO)
    close_store(tmp_path)
    file = tmp_path / "ledger.sqlite"
    good = file.read_bytes()
    assert not (tmp_path / "ledger.sqlite-wal").exists(), "closed, everything is in the one file"
    pages = len(good) // 4096
    unnoticed = []
    for page in range(pages):
        bad = random.Random(page).randbytes(4096)
        file.write_bytes(good[: page * 4096] + bad + good[(page + 1) * 4096 :])
        try:
            if check(tmp_path).whole:
                unnoticed.append(page)
        except Problem as problem:
            assert problem.code in ("ledger.damaged", "ledger.cannot_write"), problem
        close_store(tmp_path)
    file.write_bytes(good)
    assert check(tmp_path).whole
    assert pages > 40 and unnoticed == []


def test_a_server_that_goes_away_in_the_middle_of_signing(tmp_path: Path) -> None:
    server = Server()
    try:
        data = server.settings(tmp_path)
        save_bench(data, demo_bench())
        found = new_id()
        save_draft(data, draft(found, 0, 1), WHO)

        def crash(place: Place) -> bytes:
            server.stop("immediate")
            return certificate(place)

        with pytest.raises(Problem) as refused:
            sign_and_keep(data, record(found), crash, WHO)
        assert refused.value.code == "ledger.out_of_reach"
        with pytest.raises(Problem) as refused:
            save_draft(data, draft(found, 1, 2), WHO)
        assert refused.value.code == "ledger.out_of_reach"
        server.start()
        assert search(data).total == 0 and load_draft(data, found)["count"] == 1
        assert save_draft(data, draft(found, 1, 2), WHO) == 2
        assert sign_and_keep(data, record(found), certificate, WHO).number == "0001"
        assert list_drafts(data) == () and check(data).whole
    finally:
        server.remove()
