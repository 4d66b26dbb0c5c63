"""
From a code and its parameters to the sentence that a person reads.

The sentences stand in `labkit.sentences`, as templates. Their fields take the parameters of the finding; what stands
after the colon says how `labkit.format` writes the number: ``{x_mm:mm}`` a length (also ``µm``, ``in``, ``mil``),
``{u_mm:U}`` an expanded uncertainty, ``{d_mm:+µm}`` a signed length, ``{share:%}`` a percentage, ``{name:family}`` a
curve family, ``{code:influence}`` an influence (``Influence`` where it begins a line), ``{shape:word}`` a word of ours
that has a translation, ``{n:.3}`` so many decimals, ``{n:~3}`` so many significant digits. On a page in another unit
``mm`` is written in that unit, ``µm`` and ``U`` in the small one that goes with it. On a sheet in another language the
template is that of its catalogue.
"""

from __future__ import annotations

import string
from collections.abc import Mapping, Sequence
from typing import Any, Final

from labkit import format as _format
from labkit.language import in_figures, noted, say, template_of
from labkit.sentences import SENTENCES
from labkit.units import LENGTH_UNITS, small_unit

_WORDS: Final = (noted("rectangular"), noted("normal"))
"""Besides those that sheets say: shapes of distributions."""


class _Writer(string.Formatter):
    """Fills a template, writing every number through `labkit.format`."""

    def __init__(self, unit: str) -> None:
        self._unit = unit

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, Sequence) and not isinstance(value, str):
            return ", ".join(self.format_field(each, format_spec) for each in value)
        match format_spec:
            case "":
                return in_figures(str(value)) if isinstance(value, float) else str(value)
            case "word":
                return say(str(value))
            case "family":
                return family_label(value)
            case "influence":
                return influence_label(value)
            case "Influence":
                label = influence_label(value)
                return label[:1].upper() + label[1:]
            case "U":
                return _format.expanded_length(value, small_unit(self._unit))
            case "%":
                return _format.percent(value)
            case "mm":
                return _format.length(value, self._unit)
            case "µm":
                return _format.small_length(value, self._unit)
            case "+µm":
                return _format.small_length(value, self._unit, signed=True)
            case unit if unit in LENGTH_UNITS:
                return _format.length(value, unit)
            case signed if signed[:1] == "+" and signed[1:] in LENGTH_UNITS:
                return _format.length(value, signed[1:], signed=True)
            case places if places[:1] == "." and places[1:].isdigit():
                return _format.number(value, int(places[1:]))
            case digits if digits[:1] == "~" and digits[1:].isdigit():
                return _format.significant(value, int(digits[1:]))
        raise ValueError(f"no way to write a number is called {format_spec!r}")


_WRITERS: Final = {unit: _Writer(unit) for unit in LENGTH_UNITS}


def sentence(code: str, params: Mapping[str, Any] | None = None, unit: str = "mm") -> str:
    """
    The sentence for a code.

    Parameters
    ----------
    code : str
        A key of `SENTENCES`.
    params : mapping
        The parameters that the template names. Text in them is inserted as it is; whoever shows the sentence
        escapes it for the place where it is shown.
    unit : str
        One of `labkit.units.LENGTH_UNITS`: that of the page. It does not touch templates that name inches or mils.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        No such code, or a parameter of the template is missing: a fault of the program.
    """
    return _WRITERS[unit].vformat(_template(code), (), dict(params or {}))


def _template(code: str) -> str:
    """In the language spoken, where it has been translated."""
    english = SENTENCES[code]
    return template_of(code) or english


def family_label(name: str) -> str:
    """How a curve family is called on screen and sheet; an engineer's own family by its own name."""
    return _label(f"family.{name}", name)


def influence_label(code: str) -> str:
    """How an influence of the catalogue is called, such as "tip wear"."""
    return _label(f"influence.{code}", code)


def _label(code: str, name: str) -> str:
    return _template(code) if code in SENTENCES else str(name)


def remedy(code: str, params: Mapping[str, Any] | None = None, unit: str = "mm") -> str | None:
    """
    What to do about `code`, or None where the sentence says it all.
    """
    hint = f"{code}.hint"
    return sentence(hint, params, unit) if hint in SENTENCES else None


def own_u(code: str, params: Mapping[str, Any]) -> str | None:
    """
    The standard uncertainty of a line of the budget in the unit of what moves; None where that is the thickness.
    """
    return sentence(f"{code}.u", params) if f"{code}.u" in SENTENCES else None
