"""Numbers of the sheet as text, beyond what `labkit.format` has: always without a unit, which stands in the heading."""

from __future__ import annotations

from datetime import date

from labkit import format as text_of
from labkit.language import day_in_words


def day(iso: str) -> str:
    """A plain date as it is printed: 14 Mar 2027."""
    return day_in_words(date.fromisoformat(iso)) if iso else text_of.NOTHING


def mm(value_mm: float | None, decimals: int = 4) -> str:
    return text_of.length(value_mm, "mm", decimals=decimals, with_unit=False)


def um(value_mm: float | None) -> str:
    return text_of.length(value_mm, "µm", with_unit=False)


def micrometres(value_mm: float) -> str:
    return text_of.length(value_mm, "µm", decimals=2)


def full(value: float | None) -> str:
    return text_of.significant(value, 7)


def ratio(value: float | None) -> str:
    return "> 1000" if value is not None and value > 1000 else text_of.number(value, 1)


def capital(text: str) -> str:
    """The same words at the beginning of a line."""
    return text[:1].upper() + text[1:]


def decimals(value: float) -> int:
    """How many decimals a value was shown with, up to six."""
    return next((places for places in range(6) if abs(round(value, places) - value) < 1e-9 * max(abs(value), 1)), 6)
