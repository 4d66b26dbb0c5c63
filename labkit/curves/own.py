"""
An engineer's own curve families: Python files of the laboratory, run where a page or a command starts.

A file is the laboratory's own code, and is only run where nobody but its owner can have written it. What is wrong with
one file is a fault that names it; the families of the other files are there all the same.
"""

from __future__ import annotations

import os
import re
import stat
import sys
from collections.abc import Callable
from contextlib import redirect_stdout
from dataclasses import replace
from functools import partial
from pathlib import Path
from traceback import extract_tb
from types import TracebackType
from typing import Any, Final, TypeAlias

import numpy as np

from labkit.curves import family as register_of
from labkit.curves.family import Array, Family, Source, families
from labkit.problems import BadInput, Fault

BUILT_IN: Final = frozenset(form.name for form in families())
"""The families of the package: this module is imported last of `labkit.curves`."""

LARGEST_KB: Final = 100
"""Of a file of families: a dozen lines have one."""

_NAME: Final = re.compile(r"[A-Za-z][A-Za-z0-9 _-]{0,39}")
"""A name that every screen, sheet and file can hold."""

_Shape: TypeAlias = Callable[..., tuple[int, ...] | None]
"""From the arguments of a function to the shape that its answer must have; None where any will do."""


def is_own(form: Family) -> bool:
    """Whether a family does not come with the package."""
    return form.source is not None or form.name not in BUILT_IN


def load_own_families(folder: Path) -> tuple[Fault, ...]:
    """
    Register the families of every file ``*.py`` in a folder, in the place of those that were loaded before.

    Parameters
    ----------
    folder : Path
        It may be missing. Files whose names begin with ``_`` or ``.`` are passed over.

    Returns
    -------
    tuple of Fault
        What is wrong, a file at a time; the families of such a file are left out.
    """
    register = register_of._REGISTER
    for name in [name for name, form in register.items() if form.source is not None]:
        del register[name]
    if not folder.is_dir():
        return ()
    files = [path for path in sorted(folder.glob("*.py")) if not path.name.startswith(("_", "."))]
    if not files:
        return ()
    try:
        _check_hands(folder, folder.stat())
    except BadInput as problem:
        return (problem.fault,)
    faults = []
    for path in files:
        before = dict(register)
        try:
            _take(path, _read(path), before)
        except BadInput as problem:
            register.clear()
            register.update(before)
            faults.append(problem.fault)
    return tuple(faults)


def _read(path: Path) -> bytes:
    """The content of a regular file that nobody but its owner can write."""
    try:
        # what was looked at is what is read: a link is not followed, and the open file is asked
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
    except OSError as error:
        if path.is_symlink():
            raise BadInput("own.not_a_file", file=path.name) from error
        raise BadInput("own.unreadable", file=path.name, why=error.strerror or "no reason given") from error
    with os.fdopen(descriptor, "rb") as opened:
        found = os.fstat(descriptor)
        if not stat.S_ISREG(found.st_mode):
            raise BadInput("own.not_a_file", file=path.name)
        _check_hands(path, found)
        content = opened.read(LARGEST_KB * 1000 + 1)
    if len(content) > LARGEST_KB * 1000:
        raise BadInput("own.too_large", file=path.name, limit_kb=LARGEST_KB)
    return content


def _check_hands(path: Path, found: os.stat_result) -> None:
    """Refuse what others can write, or have written."""
    if os.name != "posix":
        return  # the mode says nothing there
    if found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise BadInput("own.writable", file=path.name, path=str(path))
    if found.st_uid not in (0, os.getuid()):
        raise BadInput("own.other_owner", file=path.name)


def _take(path: Path, content: bytes, before: dict[str, Family]) -> None:
    """Run a file, and have what it registered carry its source."""
    register = register_of._REGISTER
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise BadInput("own.broken", file=path.name, line=line, why="not UTF-8") from error
    try:
        # standard output belongs to whoever started the command
        with redirect_stdout(sys.stderr):
            exec(compile(content, str(path), "exec"), {"__name__": f"labkit_own_{path.stem}", "__file__": str(path)})
    except SyntaxError as error:
        where = error.lineno or 1 if error.filename == str(path) else _line(path, error.__traceback__)
        raise BadInput("own.broken", file=path.name, line=where, why=error.msg) from error
    except (Exception, SystemExit) as error:
        raise BadInput("own.broken", file=path.name, line=_line(path, error.__traceback__), why=_said(error)) from error
    for name, form in before.items():
        if register.get(name) is not form:
            raise BadInput("own.name_taken", file=path.name, name=name)
    added = [form for name, form in register.items() if name not in before]
    if not added:
        raise BadInput("own.nothing", file=path.name)
    source = Source(path.name, text)
    for form in added:
        _check_family(form, path)
        register[form.name] = _watched(form, path, source)


def _check_family(form: Family, path: Path) -> None:
    if not all(_NAME.fullmatch(name) for name in (form.name, *form.parameters)):
        raise BadInput("own.name", file=path.name, name=form.name)
    if form.kind not in ("formula", "linear") or not form.parameters or not form.min_points >= len(form.parameters):
        raise BadInput("own.kind", file=path.name, name=form.name)


def _watched(form: Family, path: Path, source: Source) -> Family:
    """The family with functions whose errors name the file and the line."""
    count = len(form.parameters)

    def watch(call: Callable[..., Any] | None, part: str, shape: _Shape) -> Any:
        if call is None:
            return None
        return partial(_call, call, shape, path, {"family": form.name, "file": path.name, "part": part})

    return replace(
        form,
        f=watch(form.f, "f", lambda x, *b: x.shape if all(np.ndim(each) == 0 for each in b) else None),
        start=watch(form.start, "start", lambda x, y: (count,)),
        jac=watch(form.jac, "jac", lambda x, *b: (*x.shape, count)),
        slope=watch(form.slope, "slope", lambda x, *b: None),
        basis=watch(form.basis, "basis", lambda x: (*x.shape, count)),
        source=source,
    )


def _call(call: Callable[..., Any], shape: _Shape, path: Path, names: dict[str, Any], *arguments: Any) -> Array:
    """What the family's own function gives, refused where it is no array of the shape that it must have."""
    try:
        found = np.asarray(call(*arguments), dtype=np.float64)
    except Exception as error:
        raise BadInput("own.fails", **names, line=_line(path, error.__traceback__), why=_said(error)) from error
    wanted = shape(*arguments)
    if wanted is not None and found.shape != wanted:
        raise BadInput("own.shape", **names, got=str(found.shape), expected=str(wanted))
    return found


def _line(path: Path, traceback: TracebackType | None) -> int:
    """The last line of the file that was reached; 1 where none was."""
    lines = [frame.lineno for frame in extract_tb(traceback) if frame.filename == str(path)]
    return (lines[-1] if lines else None) or 1


def _said(error: BaseException) -> str:
    words = str(error).partition("\n")[0][:200]
    return f"{type(error).__name__}: {words}" if words else type(error).__name__
