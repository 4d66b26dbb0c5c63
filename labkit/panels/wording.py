"""What the tables of a result share: text made safe, sentences in the unit of the page, numbers in sensible digits."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from labkit import format as text_of
from labkit.messages import remedy, sentence
from labkit.panels.shell import escape
from labkit.problems import Finding
from labkit.units import from_mm, small_unit


def safe(text: object) -> str:
    """Text of a person, fit for HTML: escaped, and without marks that turn the direction of what follows."""
    return escape(text_of.visible(text))


def say(code: str, params: Mapping[str, Any] | None = None, unit: str = "mm") -> str:
    """A sentence of `labkit.messages`, in the unit of the page and fit for HTML."""
    return safe(sentence(code, params, unit))


def said(finding: Finding, unit: str = "mm") -> str:
    """A finding with its place, in the unit of the page and fit for HTML."""
    place = f"{safe(finding.where)}: " if finding.where and str(finding.where) else ""
    return place + say(finding.code, finding.params, unit)


def hint(finding: Finding, unit: str = "mm") -> str:
    """What to do about a finding; empty where the sentence says it all."""
    return safe(remedy(finding.code, finding.params, unit) or "")


def opening_in_bold(html: str) -> str:
    """A sentence whose first words, up to a colon, are what counts."""
    opening, colon, rest = html.partition(": ")
    return f"<b>{opening}</b>{colon}{rest}" if colon else html


def error(value_mm: float | None, unit: str) -> str:
    """An error in the small unit, without it: two significant digits, and no finer than that unit is shown."""
    if value_mm is None or not math.isfinite(value_mm):
        return text_of.NOTHING
    shown = abs(from_mm(value_mm, small_unit(unit)))
    finest = 3 if small_unit(unit) == "mil" else 1
    rounded = float(f"{shown:.1e}")
    digits = 1 - math.floor(math.log10(rounded)) if rounded > 0 else finest
    return text_of.small_length(value_mm, unit, decimals=min(finest, max(0, digits)), with_unit=False)


def share(value: float | None) -> str:
    """A share that may be more than all of it, in percent, as HTML."""
    if value is None or not math.isfinite(value):
        return text_of.NOTHING
    if value > 10:
        return "&gt; 1000 %"
    if value == 0 or value >= 0.01:
        return f"{text_of.number(100 * value, 0)} %"
    return "&lt; 1 %"


def head(*columns: tuple[str, str]) -> str:
    """The head of a table: pairs of class and heading, the heading as HTML."""
    cells = "".join(f'<th scope="col"{_of(names)}>{heading}</th>' for names, heading in columns)
    return f"<thead><tr>{cells}</tr></thead>"


def row(cells: Iterable[tuple[str, str]], names: str = "") -> str:
    """A row of a table: pairs of class and content, the content as HTML."""
    return f"<tr{_of(names)}>" + "".join(f"<td{_of(each)}>{html}</td>" for each, html in cells) + "</tr>"


def table(heading: str, rows: Sequence[str]) -> str:
    """A table that scrolls sideways where there is too little room."""
    return f'<div class="lk-scroll"><table class="lk-tbl">{heading}<tbody>{"".join(rows)}</tbody></table></div>'


def quiet(html: str) -> str:
    """A paragraph under a table."""
    return f'<p class="lk-quiet lk-under">{html}</p>'


def _of(names: str) -> str:
    return f' class="{names}"' if names else ""
