"""Killed at any moment of a backup or a restore: the ledger is the old one or the new one, whole, and it goes on."""

from __future__ import annotations

import itertools
import os
import shutil
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from labkit.ledger import Actor, back_up, check
from labkit.ledger.restore import Asked, restore
from labkit.ledger.store import close_store
from labkit.problems import BadInput, Problem
from tests.ledgers import filled, rows, sign

ME = Actor("root")
REPLACE = Asked(replace=True, why="the disk was lost", last_number=4)
NEVER = 10**9


def killed(work: Callable[[], object], step: int) -> int:
    """
    Do `work` in a process of its own, which is killed before its step `step`: a statement, a commit, or something that
    a disk is asked to do. How many steps it took, where it came to an end.
    """
    receive, send = os.pipe()
    child = os.fork()
    if child == 0:
        count = itertools.count(1)
        last = 0

        def reached(*_: Any, **__: Any) -> None:
            nonlocal last
            last = next(count)
            if last == step:
                os.kill(os.getpid(), signal.SIGKILL)

        def watched(function: Callable[..., Any]) -> Callable[..., Any]:
            def first(*args: Any, **kwargs: Any) -> Any:
                reached()
                return function(*args, **kwargs)

            return first

        code = 1
        try:
            for event in ("before_cursor_execute", "commit"):
                sa.event.listen(sa.engine.Engine, event, reached)
            for name in ("open", "rename", "replace", "fsync", "mkdir"):
                setattr(os, name, watched(getattr(os, name)))
            work()
            os.write(send, str(last).encode())
            code = 0
        finally:
            os._exit(code)
    os.close(send)
    _, status = os.waitpid(child, 0)
    took = os.read(receive, 20)
    os.close(receive)
    assert took or os.WTERMSIG(status) == signal.SIGKILL, "it failed by itself"
    return int(took or 0)


def moments(steps: int) -> list[int]:
    """Some of the steps, and each of the last ones: there the old ledger becomes the new one."""
    return sorted({*range(1, steps, max(steps // 10, 1)), *range(steps - 8, steps + 1)})


def content(data: Path) -> dict[str, list[Any]]:
    """Everything but what a backup and a restore are meant to change."""
    found = rows(data)
    kept = {table: each for table, each in found.items() if table not in ("laboratory", "entry")}
    return kept | {"version": [row for row in found["version"] if row[1] not in ("backup", "restore")]}


def test_a_restore_that_is_killed_leaves_the_old_ledger_or_the_new_one(ledger_folder: Path, tmp_path: Path) -> None:
    data = filled(ledger_folder)
    (data / "families").mkdir()
    (data / "families" / "bent.py").write_text("x = 1\n")
    done = back_up(data, tmp_path / "backup.zip", ME)
    backed_up = content(data)
    sign(data, 4)
    before = content(data)
    old = back_up(data, tmp_path / "old.zip", ME)

    def as_before() -> None:
        if content(data) != before:
            restore(data, old.file, ME, REPLACE)
        assert content(data) == before
        (data / "families" / "bent.py").unlink(missing_ok=True)
        for left in data.glob(".restore/tmp*"):
            shutil.rmtree(left)
        close_store(data)

    restore(data, old.file, ME, REPLACE)
    as_before()
    steps = killed(lambda: restore(data, done.file, ME, REPLACE), NEVER)
    found = []
    for step in moments(steps):
        as_before()
        assert killed(lambda: restore(data, done.file, ME, REPLACE), step) == 0
        assert check(data).whole, f"killed at step {step} of {steps}"
        new = content(data) == backed_up
        assert new or content(data) == before, f"killed at step {step} of {steps}"
        assert not new or (data / "families" / "bent.py").read_text() == "x = 1\n", "nothing of it is missing"
        found.append(new)
    assert found == sorted(found) and set(found) == {False, True}, "old ones, then new ones"
    restore(data, done.file, ME, REPLACE)
    assert content(data) == backed_up and sign(data, 5) == "0005"
    assert [path.name for path in (data / ".restore").iterdir()] == [".lock"], "what was left lying is cleared away"


def test_a_restore_over_a_damaged_file_that_is_killed(tmp_path: Path) -> None:
    data = filled(tmp_path / "data")
    done = back_up(data, tmp_path / "backup.zip", ME)
    backed_up = content(data)
    close_store(data)

    def damage() -> None:
        for file in data.glob("ledger.sqlite*"):
            file.unlink()
        (data / "ledger.sqlite").write_bytes(b"no database" * 9999)

    damage()
    steps = killed(lambda: restore(data, done.file, ME, REPLACE), NEVER)
    found = []
    for step in moments(steps):
        damage()
        assert killed(lambda: restore(data, done.file, ME, REPLACE), step) == 0
        try:
            assert check(data).whole and content(data) == backed_up
            found.append(True)
        except Problem as problem:
            assert problem.code == "ledger.damaged"
            with pytest.raises(BadInput) as caught:
                restore(data, done.file, ME)
            assert caught.value.code == "restore.damaged", "and it can be restored still"
            found.append(False)
        close_store(data)
    assert found == sorted(found) and set(found) == {False, True}
    restore(data, done.file, ME, REPLACE)
    assert content(data) == backed_up


def test_a_backup_that_is_killed_is_not_there_or_whole(tmp_path: Path) -> None:
    data = filled(tmp_path / "data")
    before = content(data)
    close_store(data)
    steps = killed(lambda: back_up(data, tmp_path / "never.zip", ME), NEVER)
    there = []
    for step in moments(steps):
        file = tmp_path / f"{step}.zip"
        assert killed(lambda file=file: back_up(data, file, ME), step) == 0  # type: ignore[misc]
        there.append(file.exists())
        if file.exists():
            restore(tmp_path / f"restored-{step}", file, ME)
    assert there == sorted(there) and set(there) == {False, True}
    assert check(data).whole and content(data) == before
