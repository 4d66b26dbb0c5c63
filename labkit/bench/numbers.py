"""Numbers as people type them: decimal point or comma, and what to say where a cell holds no number."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import Final, NoReturn

from labkit.bench.cells import ERROR_VALUES
from labkit.format import visible
from labkit.problems import BadInput
from labkit.units import length_unit

DECIMAL_SIGNS: Final = (".", ",")
_MOST_SHOWN: Final = 40

_DASHES: Final = str.maketrans("−–‒﹣－", "-----")
_SPACES: Final = re.compile("[\u00a0\u2007\u2009\u202f]")

_PLAIN: Final = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_SIGNS_ONLY: Final = re.compile(r"[+-]?[0-9.,' ’]+(?:[eE][+-]?[0-9]+)?")
_ONE_GROUP: Final = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_MONTHS: Final = "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec"
_DATE: Final = re.compile(
    r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}\b.*"
    r"|[0-9]{1,2}([./-])[0-9]{1,2}\1(?:[0-9]{2}|[0-9]{4})"
    rf"|[0-9]{{1,2}}[-. ]*(?:{_MONTHS})[a-z]*[-. ]*[0-9]*"
    rf"|(?:{_MONTHS})[a-z]*[-. ]*[0-9]{{1,4}}"
    r"|[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}.*)?",
    re.IGNORECASE,
)
_WITH_WORD: Final = re.compile(r"([+-]?[0-9.,]+(?:[eE][+-]?[0-9]+)?)\s*([^\d\s.,+-].*)")


def parse_number(text: str, decimal: str | None = None) -> float:
    """
    The number in one cell.

    Parameters
    ----------
    text : str
        As typed. Spaces around it and a true minus sign are read.
    decimal : "." or ",", optional
        The decimal sign, where the cell does not tell: ``0,25`` does, ``1,234`` does not.

    Returns
    -------
    float
        Finite.

    Raises
    ------
    BadInput
        The cell holds no number, or can be read in two ways; code and hint say which and what to do.
    """
    return Numbers((text,), decimal).read(text)[0]


class Numbers:
    """
    Reads the numbers of one table, whose cells together tell the decimal sign.

    Parameters
    ----------
    texts : iterable of str
        All cells that should hold numbers.
    decimal : "." or ",", optional
        What it is where the cells do not tell.

    Attributes
    ----------
    mixed : bool
        Some cells are written with a decimal point and some with a decimal comma.

    Raises
    ------
    BadInput
        `decimal` is neither a point nor a comma.
    """

    def __init__(self, texts: Iterable[str], decimal: str | None = None) -> None:
        if decimal is not None and decimal not in DECIMAL_SIGNS:
            raise BadInput("number.decimal_sign", got=decimal)
        self._decimal = decimal
        shapes = {_shape(_normal(text)) for text in texts}
        self._decided = {shape[0] for shape in shapes if shape in (".", ",", ".g", ",g")}
        self._grouping = {shape[0] for shape in shapes if shape in (".g", ",g")}
        self._comma_seen = bool(shapes & {",", ".g", ",g", "?,"})
        self.mixed = len(self._decided) > 1

    def read(self, text: str, unit: str = "") -> tuple[float, bool]:
        """
        The number in a cell.

        Parameters
        ----------
        text : str
        unit : str
            May stand behind the number.

        Returns
        -------
        value : float
        grouped : bool
            Its digits were written in groups of three.

        Raises
        ------
        BadInput
            See `parse_number`.
        """
        normal = _without_unit(_normal(text), unit)
        sign = self._sign_of(normal, text)
        value = _value(normal, sign)
        if value is None:
            _refuse(normal, text, sign)
        if not math.isfinite(value[0]):
            raise BadInput("number.too_large", typed=_shown(text))
        return value

    def _sign_of(self, normal: str, typed: str) -> str:
        shape = _shape(normal)
        if shape == "":
            return "."
        if shape[0] in DECIMAL_SIGNS:
            return shape[0]
        this = shape[1]
        other = "," if this == "." else "."
        if self._decided == {this}:
            return this
        if self._decided == {other} and other in self._grouping:
            return other
        if self._decimal:
            return self._decimal
        if this == "." and not self._comma_seen:
            return "."
        as_decimal, as_thousands = normal.replace(this, "."), normal.replace(this, "")
        raise BadInput("number.ambiguous", typed=_shown(typed), one=as_decimal, other=as_thousands)


def number_like(text: str) -> bool:
    """
    Whether a cell was meant as a number, right or wrong: ``1.99O`` was, ``A-1`` was not.
    """
    return re.match(r"[+-]?[.,]?[0-9]", _normal(text)) is not None or text.strip().lower() in ("nan", "inf")


def _shown(text: str) -> str:
    """What a message quotes of a cell."""
    typed = text.strip()
    return typed if len(typed) <= _MOST_SHOWN else typed[:_MOST_SHOWN] + "…"


def _normal(text: str) -> str:
    # some programs hand numbers out wrapped in marks of direction
    bare = visible(text)
    return _SPACES.sub(" ", bare).translate(_DASHES).strip()


def _shape(normal: str) -> str:
    """What a cell tells of the decimal sign: the sign (and "g": digits in groups), "?" and the sign, or nothing."""
    if not _SIGNS_ONLY.fullmatch(normal):
        return ""
    points, commas = normal.count("."), normal.count(",")
    if points and commas:
        return ".g" if normal.rfind(".") > normal.rfind(",") else ",g"
    if points + commas == 0:
        return ""
    if points > 1 or commas > 1:
        return ",g" if points else ".g"
    sign = "." if points else ","
    return f"?{sign}" if _ONE_GROUP.fullmatch(normal) else sign


def _without_unit(normal: str, unit: str) -> str:
    found = _WITH_WORD.fullmatch(normal) if unit else None
    if found is None:
        return normal
    number, word = found.groups()
    return number if word == unit or (length_unit(word) or word) == unit else normal


def _value(normal: str, sign: str) -> tuple[float, bool] | None:
    other = "," if sign == "." else "."
    for group in (other, " ", "'", "’"):
        body = rf"[+-]?[1-9][0-9]{{0,2}}(?:{re.escape(group)}[0-9]{{3}})+(?:{re.escape(sign)}[0-9]*)?"
        if re.fullmatch(body, normal):
            return float(normal.replace(group, "").replace(sign, ".")), True
    if other in normal:
        return None
    plain = normal.replace(sign, ".")
    return (float(plain), False) if _PLAIN.fullmatch(plain) else None


def _refuse(normal: str, text: str, sign: str) -> NoReturn:
    typed = _shown(text)
    if not normal:
        raise BadInput("number.empty")
    folded = normal.lower()
    if folded in ("nan", "+nan", "-nan"):
        raise BadInput("number.nan", typed=typed)
    if folded.lstrip("+-") in ("inf", "infinity", "∞"):
        raise BadInput("number.infinite", typed=typed)
    if normal.upper() in ERROR_VALUES:
        raise BadInput("number.error_value", typed=typed)
    if folded in ("true", "false"):
        raise BadInput("number.boolean", typed=typed)
    if normal.startswith("="):
        raise BadInput("number.formula", typed=typed)
    if _DATE.fullmatch(normal):
        raise BadInput("number.date", typed=typed)
    _refuse_letters(normal, typed, sign)
    with_word = _WITH_WORD.fullmatch(normal)
    if with_word and _value(with_word.group(1), sign):
        code = "number.percent" if with_word.group(2) == "%" else "number.unit"
        raise BadInput(code, typed=typed, word=with_word.group(2))
    if _SIGNS_ONLY.fullmatch(normal):
        raise BadInput("number.separators", typed=typed)
    raise BadInput("number.text", typed=typed)


def _refuse_letters(normal: str, typed: str, sign: str) -> None:
    if not any(c.isdigit() for c in normal):
        return
    for letter, digit, name in (("O", "0", "zero"), ("o", "0", "zero"), ("l", "1", "one"), ("I", "1", "one")):
        mended = normal.replace(letter, digit)
        if letter in normal and _value(mended, sign):
            code = "number.ends_in_letter" if normal.endswith(letter) else "number.letter"
            raise BadInput(code, typed=typed, letter=letter, digit=name, mended=mended)
