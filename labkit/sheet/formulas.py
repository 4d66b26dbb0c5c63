"""The curve's form in writing, and the units of its parameters; x is the thickness in mm."""

from __future__ import annotations

from typing import Final

from labkit.sheet.blocks import Record

FORMULAS: Final = {
    "power-law": "c + a·(1 + x/L)^(−n)",
    "power-law-3": "c + a·(1 + x/L)^(−3)",
    "power-law-6": "c + a·(1 + x/L)^(−6)",
    "exponential": "c + a·exp(−x/L)",
}

_LOGGED: Final = "log-polynomial-"


def right_side(found: Record) -> str:
    """
    The formula of the curve of a record's results; empty where it has none that is known here.
    """
    family = found["curve"]["family"]
    if family == "line" or family.startswith(("polynomial-", _LOGGED)):
        return powers(len(found["curve"]["parameters"]) - 1)
    return FORMULAS.get(family, "")


def left_side(found: Record) -> str:
    """What the formula gives."""
    if found["curve"]["family"].startswith(_LOGGED):
        return f"ln(indication in {found['unit']})"
    return "error of indication in mm" if found["signal"] == "thickness" else f"indication in {found['unit']}"


def powers(degree: int) -> str:
    return " + ".join(["b0", "b1·x", *(f"b{i}·x{'²³⁴⁵'[i - 2]}" for i in range(2, degree + 1))])


def unit_of_parameter(found: Record, name: str) -> str | None:
    """The unit of a parameter of the curve; None for a family whose parameters labkit does not know."""
    family, unit = found["curve"]["family"], found["unit"]
    if family in FORMULAS:
        return {"c": unit, "a": unit, "L": "mm", "n": "1"}.get(name)
    if family in ("piecewise-line", "monotone-cubic"):
        return str(unit)
    if not right_side(found):
        return None
    power = int(name.removeprefix("b"))
    if family.startswith(_LOGGED):
        return _over_mm("1", power)
    return _over_mm(unit, power) if unit != "mm" else ("mm", "1")[power] if power < 2 else _over_mm("1", power - 1)


def _over_mm(unit: str, power: int) -> str:
    return unit if power == 0 else f"{unit}/mm" if power == 1 else f"{unit}/mm^{power}"
