"""Run the published cases on this machine: the evidence of software validation of ISO/IEC 17025:2017, 7.11.2."""

from __future__ import annotations

import hashlib
import math
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeAlias

from threadpoolctl import threadpool_info, threadpool_limits

import labkit
from labkit.validation.cases import Case, PublishedValue, cases
from labkit.validation.register import computation
from labkit.validation.report import ALL_DIGITS, CheckedCase, CheckedValue, Report
from labkit.validation.topics import topics

Progress: TypeAlias = Callable[[int, int, Case], None]
"""Called before each case with how many are done, how many there are, and the case."""


def run(only: Iterable[str] | None = None, progress: Progress | None = None) -> Report:
    """
    Run the published cases on this machine.

    Parameters
    ----------
    only : iterable of str, optional
        Names of topics; default all of them.
    progress : callable, optional
        ``progress(done, total, case)``, called before each case.

    Returns
    -------
    Report
        A case whose computation fails is in it as one that does not agree.

    Raises
    ------
    KeyError
        There is no such topic.

    References
    ----------
    ISO/IEC 17025:2017, 7.11.2.
    """
    created, start = datetime.now(UTC), time.perf_counter()
    wanted = None if only is None else {each.topic for name in only for each in cases(name)}
    there = topics()
    chosen = tuple(each for each in there if wanted is None or each.name in wanted)
    to_run = [each for topic in chosen for each in cases(topic.name)]
    checked = []
    for done, one in enumerate(to_run):
        if progress is not None:
            progress(done, len(to_run), one)
        checked.append(check(one))
    return Report(
        created.strftime("%Y-%m-%dT%H:%M:%SZ"),
        labkit.__version__,
        _files_sha256(),
        _machine(),
        tuple(checked),
        chosen,
        len(chosen) == len(there),
        time.perf_counter() - start,
    )


def check(case: Case) -> CheckedCase:
    """
    Run one published case.

    Parameters
    ----------
    case : Case

    Returns
    -------
    CheckedCase
        With its error in words where the computation fails.
    """
    start, error = time.perf_counter(), ""
    try:
        with threadpool_limits(1):  # the last digits then do not depend on how many processors there are
            found = judge(case, computation(case)(case))
    except Exception as raised:  # whatever goes wrong in a computation is a finding about it, not the end of the run
        said = str(raised.args[0]) if isinstance(raised, KeyError) and raised.args else str(raised)
        error = f"could not be computed: {said} ({type(raised).__name__})"
        found = judge(case, {})
    return replace(found, seconds=time.perf_counter() - start, error=error or found.error)


def judge(case: Case, obtained: Mapping[str, float]) -> CheckedCase:
    """
    Hold what was obtained in any way against what is published.

    Parameters
    ----------
    case : Case
    obtained : mapping of str to float
        Under the names of `Case.published`. A name that is missing there is a value that does not agree, one that is
        not published an error.

    Returns
    -------
    CheckedCase
    """
    unknown = [name for name in obtained if name not in case.published]
    error = f"computed, but not published: {', '.join(unknown)}" if unknown else ""
    values = tuple(_checked(name, published, obtained.get(name)) for name, published in case.published.items())
    return CheckedCase(case, values, error)


def _checked(name: str, published: PublishedValue, obtained: float | None) -> CheckedValue:
    number = None if obtained is None or not math.isfinite(obtained) else float(obtained)
    digits = None if number is None else min(max(published.lre(number), 0.0), ALL_DIGITS)
    agrees = number is not None and published.agrees(number)
    return CheckedValue(name, published.text, number, digits, published.rule, published.limit, agrees)


def _machine() -> dict[str, str]:
    import platform

    import numpy
    import scipy

    blas = [each for each in threadpool_info() if each["user_api"] == "blas"]
    libraries = ", ".join(sorted({f"{each['internal_api']} {each['version']}" for each in blas}))
    kernels = ", ".join(sorted({each["architecture"] for each in blas if each.get("architecture")}))
    return {
        "Python": f"{platform.python_version()} ({platform.python_implementation()})",
        "numpy": numpy.__version__,
        "scipy": scipy.__version__,
        "BLAS": f"{libraries or 'unknown'} ({kernels or 'kernels unknown'})",
        "System": platform.platform(),
        "Processor": platform.machine(),
    }


def _files_sha256() -> str:
    """Over names and contents of the package's programs and published data, in the order of their names."""
    home = Path(labkit.__file__).parent
    data = home / "validation" / "data"
    digest = hashlib.sha256()
    for path in sorted(
        [*home.rglob("*.py"), *data.rglob("*.json")], key=lambda path: path.relative_to(home).as_posix()
    ):
        digest.update(path.relative_to(home).as_posix().encode() + b"\0")
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()
