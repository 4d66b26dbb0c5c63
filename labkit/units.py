"""Units of length: what people type, and the millimetres that the package computes in."""

from __future__ import annotations

import math
import re
from typing import Final

MM_PER_INCH: Final = 25.4
"""Exact, by definition (international yard and pound agreement, 1959)."""

LENGTH_UNITS: Final = ("mm", "µm", "in", "mil")
"""The units of length that are read and shown, by their symbol."""

_SYNONYMS: Final = {
    "mm": "mm", "millimetre": "mm", "millimeter": "mm",
    "µm": "µm", "μm": "µm", "um": "µm", "micron": "µm", "micrometre": "µm", "micrometer": "µm",
    "in": "in", "inch": "in", "inches": "in", '"': "in",
    "mil": "mil", "mils": "mil", "thou": "mil",
}  # fmt: skip

_QUANTITY = re.compile(r"\s*([+\-−]?[0-9]*[.,]?[0-9]+(?:[eE][+\-−]?[0-9]+)?)\s*(\S.*?)?\s*")


def length_unit(text: str) -> str | None:
    """
    The symbol of a unit of length, or None where the text names no unit of length.

    Parameters
    ----------
    text : str
        What was typed, in any case: ``"um"``, ``"Inch"``, ``"mil"``.

    Returns
    -------
    str or None
        One of `LENGTH_UNITS`.
    """
    return _SYNONYMS.get(text.strip().lower())


def to_mm(value: float, unit: str) -> float:
    """
    A length in millimetres.

    Parameters
    ----------
    value : float
        The length in `unit`.
    unit : str
        One of `LENGTH_UNITS`.

    Returns
    -------
    float
        The length [mm].

    Raises
    ------
    ValueError
        `unit` is not a unit of length.
    """
    # divisions by 1000, not products with 0.001: 12 µm is then 0.012 mm to the last bit
    match unit:
        case "mm":
            return value
        case "µm":
            return value / 1000.0
        case "in":
            return value * MM_PER_INCH
        case "mil":
            return value * MM_PER_INCH / 1000.0
    raise ValueError(f"{unit!r} is not one of {', '.join(LENGTH_UNITS)}")


def from_mm(value_mm: float, unit: str) -> float:
    """
    The length `value_mm` [mm] in `unit`, one of `LENGTH_UNITS`; ValueError for any other unit.
    """
    match unit:
        case "mm":
            return value_mm
        case "µm":
            return value_mm * 1000.0
        case "in":
            return value_mm / MM_PER_INCH
        case "mil":
            return value_mm * 1000.0 / MM_PER_INCH
    raise ValueError(f"{unit!r} is not one of {', '.join(LENGTH_UNITS)}")


def small_unit(unit: str) -> str:
    """The unit in which errors, deviations and uncertainties are shown beside lengths in `unit`: µm, or mil."""
    return "mil" if unit in ("in", "mil") else "µm"


def parse_length(text: str, default_unit: str = "mm") -> float:
    """
    A length as typed on a command line, such as ``0.25``, ``0.4 mil`` or ``0.25mm``, in millimetres.

    Parameters
    ----------
    text : str
        A number, with decimal point or comma, and optionally a unit of length.
    default_unit : str
        The unit of a bare number.

    Returns
    -------
    float
        The length [mm].

    Raises
    ------
    ValueError
        The text is not a number, or what follows it is not a unit of length.
    """
    found = _QUANTITY.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is not a length")
    number, unit_text = found.groups()
    unit = length_unit(unit_text) if unit_text else default_unit
    if unit is None:
        raise ValueError(f"{unit_text!r} is not one of {', '.join(LENGTH_UNITS)}")
    value = float(number.replace(",", ".").replace("−", "-"))
    if math.isinf(value):
        raise ValueError(f"{text!r} is too large for a length")
    return to_mm(value, unit)
