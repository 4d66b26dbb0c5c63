"""Looking at a certificate: its pages as pictures, whether it is genuine, and whether its numbers recompute."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Final, Literal

from labkit.ledger import ResultLine, record_sha256
from labkit.ledger.search import known_pdf
from labkit.ledger.standing import entry_of, known_since
from labkit.ledger.withdrawals import kept_lists
from labkit.problems import BadInput, Finding
from labkit.sheet.apart import verify_apart
from labkit.sheet.picture import picture
from labkit.sheet.verdict import Verdict
from labkit.sheet.verify import stampers_here, trusted_here, verify
from labkit.sheet.withdrawn import lists_here

State = Literal["ok", "watch", "stop"]

LARGEST_MB: Final = 10
"""Of a file from elsewhere."""


@dataclass(frozen=True)
class Judged:
    """
    What verifying a PDF found.

    Attributes
    ----------
    verdict : Verdict or None
        None where the file is no PDF that could be read.
    state : str
        The mark that goes with `says`.
    says : Finding
        The verdict in words.
    known : ResultLine or None
        The result of this ledger whose certificate is this very file.
    """

    verdict: Verdict | None
    state: State
    says: Finding
    known: ResultLine | None = None


@dataclass(frozen=True)
class Proof:
    """
    What was found about a certificate of the ledger.

    Attributes
    ----------
    judged : Judged
    entry : int or None
        Of the chain, by which it was kept.
    same_data : bool
        Whether the data in the PDF are those of the ledger.
    """

    judged: Judged
    entry: int | None
    same_data: bool


@dataclass(frozen=True)
class Shown:
    """A page of a certificate as a PNG, and how many pages there are."""

    png: bytes
    page: int
    pages: int


def load_provers() -> None:
    """Load what verifying, drawing and computing need: while a kernel waits for a visitor, nobody waits for that."""
    for name in ("pyhanko.sign.validation", "pypdfium2", "PIL.PngImagePlugin", "labkit.calibration.record"):
        import_module(name)


def draw(pdf: bytes, page: int) -> Shown:
    """Draw a page of a certificate; no model is touched."""
    png, pages = picture(pdf, page)
    return Shown(png, page, pages)


def prove(data: Path, result_id: str, pdf: bytes, record_hash: str) -> Proof:
    """
    Verify a certificate of the ledger; no model is touched.

    Parameters
    ----------
    data : Path
    result_id : str
    pdf : bytes
    record_hash : str
        SHA-256 of the record in the ledger.
    """
    judged = judge(data, pdf)
    inside = judged.verdict.record if judged.verdict is not None else None
    same = inside is None or record_sha256(inside) == record_hash
    return Proof(judged, entry_of(data, result_id), same)


def judge_file(data: Path, pdf: bytes) -> Judged:
    """A file from elsewhere, and whether the ledger knows this very file. Nothing of it is kept, drawn or run."""
    try:
        found = judge(data, pdf, verify_apart)
    except BadInput as problem:
        return Judged(None, "stop", problem.fault)
    return Judged(found.verdict, found.state, found.says, known_pdf(data, pdf))


def judge(data: Path, pdf: bytes, by: Callable[..., Verdict] = verify) -> Judged:
    """
    Who signed a PDF, whether it is as it was signed, and whether its numbers recompute, by what is trusted here.

    Raises
    ------
    BadInput
        It cannot be read.
    """
    lists = [*lists_here(data), *kept_lists(data)]
    stampers, since = stampers_here(data), known_since(data, pdf)
    verdict = by(pdf, trusted_here(data), stampers=stampers, lists=lists, known_since=since)
    if verdict.genuine:
        return Judged(verdict, "ok" if verdict.note is None else "watch", verdict.note or verdict.reason)
    return Judged(verdict, "watch" if verdict.verdict in _DOUBTFUL else "stop", verdict.reason)


_DOUBTFUL: Final = ("awaiting approval", "intact, signer not known here", "made by a newer labkit")
"""Verdicts that are no reason to put the sheet away."""
