"""
Sentences: every code that a problem, caution, reason or blocker carries, as a person reads it.

A sentence is a template. Its fields take the parameters of the finding; what stands after the colon says how
`labkit.format` writes the number: ``{x_mm:mm}`` a length (also ``µm``, ``in``, ``mil``), ``{u_mm:U}`` an expanded
uncertainty, ``{d_mm:+µm}`` a signed length, ``{share:%}`` a percentage, ``{n:.3}`` so many decimals, ``{n:~3}`` so
many significant digits. A code ending in ``.hint`` holds the remedy that goes with the code before it.
"""

from __future__ import annotations

import string
from collections.abc import Mapping, Sequence
from typing import Any, Final

from labkit import format as _format
from labkit.units import LENGTH_UNITS

SENTENCES: Final[dict[str, str]] = {
    # ---- shims ----
    "shims.unknown": "Shim {shim} is not in {set}.",
    "shims.unknown.hint": "Add it to the shims with its certified value, or correct the name.",
    # ---- curves ----
    "curve.lengths": "{name} has {got} values where {expected} are needed.",
    "curve.not_finite": "{name}, value {index}, is not a number.",
    "curve.not_positive": "{name}, value {index}, must be above 0; it is {value:~4}.",
    "curve.ux_without_uy": "There are uncertainties in x and none in y.",
    "curve.ux_without_uy.hint": "Give uy (or cov_y) as well: the repeatability of the indications.",
    "curve.covariance": "{name} is not a covariance matrix: it must be symmetric and must not be negative.",
    "curve.too_few_points": "{family} needs {needed} different thicknesses; there are {got}.",
    "curve.one_thickness": "All readings are at one thickness, {x_mm:mm}: no curve goes through them.",
    "curve.not_for_signal": "{family} does not fit this kind of indication ({signal}).",
    "curve.not_for_negative": "{family} needs indications above 0; value {index} is {value:~4}.",
    "curve.unknown_family": "There is no curve family {name}.",
    "curve.unknown_family.hint": "Known: {known}.",
    "curve.name_taken": "A curve family {name} exists already.",
    "curve.name_taken.hint": "Give it another name, or register(…, replace=True).",
    "curve.no_convergence": "{family} found no solution from these points.",
    "curve.scale": "scale must be 'known' or 'estimated'; it is {got}.",
    "curve.method": "{method} limits are not to be had for {family}.",
    "curve.method.hint": "Use 'wald' or 'monte-carlo'; 'fieller' is for the line.",
    "curve.outside_range": "{count} of {total} values lie outside what the curve reaches ({low:~6} to {high:~6}).",
    "curve.outside_range.hint": "First at {places}. Calibrate a wider range, or leave them out.",
    "curve.not_monotonic": "{family} turns inside the range: it cannot be used backwards.",
}


class _Writer(string.Formatter):
    """Fills a template, writing every number through `labkit.format`."""

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, Sequence) and not isinstance(value, str):
            return ", ".join(self.format_field(each, format_spec) for each in value)
        match format_spec:
            case "":
                return str(value)
            case "U":
                return _format.expanded_length(value)
            case "%":
                return _format.percent(value)
            case unit if unit in LENGTH_UNITS:
                return _format.length(value, unit)
            case signed if signed[:1] == "+" and signed[1:] in LENGTH_UNITS:
                return _format.length(value, signed[1:], signed=True)
            case places if places[:1] == "." and places[1:].isdigit():
                return _format.number(value, int(places[1:]))
            case digits if digits[:1] == "~" and digits[1:].isdigit():
                return _format.significant(value, int(digits[1:]))
        raise ValueError(f"no way to write a number is called {format_spec!r}")


_writer = _Writer()


def sentence(code: str, params: Mapping[str, Any] | None = None) -> str:
    """
    The sentence for a code.

    Parameters
    ----------
    code : str
        A key of `SENTENCES`.
    params : mapping
        The parameters that the template names. Text in them is inserted as it is; whoever shows the sentence
        escapes it for the place where it is shown.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        No such code, or a parameter of the template is missing: a fault of the program.
    """
    return _writer.vformat(SENTENCES[code], (), dict(params or {}))


def remedy(code: str, params: Mapping[str, Any] | None = None) -> str | None:
    """
    What to do about `code`, or None where the sentence says it all.
    """
    hint = f"{code}.hint"
    return sentence(hint, params) if hint in SENTENCES else None
