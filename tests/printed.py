"""What stands on the pages of a PDF, as poppler and pdfium read it."""

from __future__ import annotations

import html
import re
import subprocess
from typing import NamedTuple

import pypdfium2


class Word(NamedTuple):
    """A word and where it lies, from the upper left of its page [pt]."""

    left: float
    top: float
    right: float
    bottom: float
    text: str


def layout(pdf: bytes) -> str:
    """The text in lines as they stand on the paper; a form feed ends each page."""
    return _poppler("-layout", pdf=pdf)


def on_one_line(pdf: bytes) -> str:
    return " ".join(layout(pdf).split())


def text_of(pdf: bytes) -> str:
    """The text in the order in which it is read, on one line."""
    document = pypdfium2.PdfDocument(pdf)
    said = " ".join(page.get_textpage().get_text_range() for page in document)
    document.close()
    return " ".join(said.split())


def words(pdf: bytes, page: int | None = None) -> list[Word]:
    """The words with their places, of one page or of all."""
    only = () if page is None else ("-f", str(page), "-l", str(page))
    found = re.findall(
        r'<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*)</word>',
        _poppler("-bbox", *only, pdf=pdf),
    )
    return [Word(*map(float, places), html.unescape(text)) for *places, text in found]


def paper(pdf: bytes) -> tuple[float, float]:
    """Width and height of the pages [pt], which are all alike."""
    (size,) = set(re.findall(r'<page width="([\d.]+)" height="([\d.]+)"', _poppler("-bbox", pdf=pdf)))
    return float(size[0]), float(size[1])


def _poppler(*options: str, pdf: bytes) -> str:
    return subprocess.run(["pdftotext", *options, "-", "-"], input=pdf, capture_output=True, check=True).stdout.decode()
