"""
Verifying a stranger's PDF in a process of its own, with an end to its time and its memory.

A file can break a reader in ways that nobody has thought of: then this process ends, and not the page.
"""

from __future__ import annotations

import pickle
import subprocess
import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Final

from labkit.problems import BadInput, Fault, Problem, Reason
from labkit.sheet.verdict import Verdict

SECONDS: Final = 180
"""A sheet with many points takes some; a slow machine takes longer."""

MEMORY_MB: Final = 3000
"""Of address space, with all that the libraries reserve."""


def verify_apart(
    pdf: bytes,
    trust: Sequence[bytes | Path],
    *,
    stampers: Sequence[bytes | Path] = (),
    lists: Sequence[bytes | Path] = (),
    known_since: datetime | None = None,
    seconds: float = SECONDS,
) -> Verdict:
    """
    `labkit.sheet.verify`, in a process of its own that is ended when it takes too long.

    Parameters
    ----------
    pdf, trust, stampers, lists, known_since
        As `labkit.sheet.verify` takes them.
    seconds : float

    Raises
    ------
    BadInput
        As `labkit.sheet.verify`; ``verify.too_much``: time or memory was not enough.
    """
    asked = pickle.dumps((pdf, list(trust), list(stampers), list(lists), known_since))
    try:
        done = subprocess.run(
            [sys.executable, "-m", "labkit.sheet.apart"], input=asked, capture_output=True, timeout=seconds, check=False
        )
    except subprocess.TimeoutExpired as error:
        raise BadInput("verify.too_much") from error
    if done.returncode != 0:
        raise BadInput("verify.too_much")
    found: Verdict | Fault = pickle.loads(done.stdout)  # written by `main` below, in a process of ours
    if isinstance(found, Verdict):
        return found
    raise BadInput(found.code, **found.params)


def main() -> None:
    """The other side: what is asked comes in, a verdict or a fault goes out."""
    _bound()
    from labkit.sheet.verify import verify

    pdf, trust, stampers, lists, known_since = pickle.loads(sys.stdin.buffer.read())
    answer: Verdict | Fault
    try:
        answer = verify(pdf, trust, stampers=stampers, lists=lists, known_since=known_since)
    except Problem as problem:
        answer = problem.fault
    except MemoryError:
        answer = Verdict("changed", Reason("verify.changed"))
    sys.stdout.buffer.write(pickle.dumps(answer))


def _bound() -> None:
    """No more memory than a sheet needs, where the system can be told so."""
    if sys.platform != "win32":
        import resource

        _, most = resource.getrlimit(resource.RLIMIT_AS)
        wanted = MEMORY_MB * 1_000_000
        resource.setrlimit(resource.RLIMIT_AS, (wanted if most < 0 else min(wanted, most), most))


if __name__ == "__main__":
    main()
