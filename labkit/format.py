"""Numbers as text: the one place where digits are counted, rounded and given a sign and a unit."""

from __future__ import annotations

import math
import re
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Context, Decimal
from typing import Final

from labkit.language import in_figures, spoken
from labkit.units import from_mm, small_unit

MINUS: Final = "−"
NOTHING: Final = "–"
"""Shown where a number could not be stated."""

_DECIMALS: Final = {"mm": 4, "µm": 1, "in": 5, "mil": 2}
"""Digits after the point for a length without an uncertainty beside it: about 0.1 µm in each unit."""

_SMALL_DECIMALS: Final = {"µm": 1, "mil": 3}
"""The same for errors and deviations, which in mil are mostly below one."""

_INVISIBLE: Final = re.compile("[\u061c\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]")

_EVERY_FLOAT: Final = Context(prec=700)
"""Digits enough to write out any float, so that an absurd number is shown and not an error."""


def number(value: float | None, decimals: int, *, signed: bool = False, decimal_sign: str | None = None) -> str:
    """
    A number with a fixed count of decimals, a true minus sign and never a minus zero.

    Parameters
    ----------
    value : float or None
        None, NaN and the infinities become a dash.
    decimals : int
        Digits after the decimal sign; negative counts round tens, hundreds, ….
    signed : bool
        Write the plus sign too.
    decimal_sign : str, optional
        ``"."`` or ``","``; default that of the language spoken.

    Returns
    -------
    str
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    return _decimal_text(_quantize(Decimal(repr(float(value))), decimals), signed, decimal_sign)


def significant(value: float | None, digits: int, *, decimal_sign: str | None = None) -> str:
    """
    A number to so many significant digits, without an exponent where it reads well without one.
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    if value == 0:
        return "0"
    exponent = math.floor(math.log10(abs(value)))
    if -4 <= exponent < 7:
        return number(value, digits - 1 - exponent, decimal_sign=decimal_sign)
    mantissa, power = f"{value:.{digits - 1}e}".split("e")
    shown = mantissa.replace("-", MINUS).replace(".", decimal_sign or spoken().decimal_sign)
    return f"{shown}·10^{str(int(power)).replace('-', MINUS)}"


def expanded_decimals(u: float) -> int:
    """
    How many decimals an expanded uncertainty is given with: two significant digits (GUM 7.2.6).

    Parameters
    ----------
    u : float
        The expanded uncertainty, in the unit in which it will be shown; greater than 0.

    Returns
    -------
    int
        Digits after the decimal sign; negative where tens or hundreds are rounded.
    """
    decimals = 1 - _steady(u).adjusted()
    # 0.996 rounds up to 1.0, which has its second digit one place further left
    return 1 - _quantize(_steady(u), decimals, ROUND_CEILING).adjusted()


def expanded(u: float | None, *, decimals: int | None = None, decimal_sign: str | None = None) -> str:
    """
    An expanded uncertainty to two significant digits, rounded up.

    Parameters
    ----------
    u : float or None
        In the unit in which it is shown; None and NaN become a dash.
    decimals : int, optional
        Digits after the decimal sign, where a table wants them alike; default `expanded_decimals`.
    decimal_sign : str, optional

    Returns
    -------
    str

    Notes
    -----
    The value is first rounded to 12 significant digits, so that what binary arithmetic leaves behind
    (1.2000000000001) does not push the printed number up.

    References
    ----------
    JCGM 100:2008, 7.2.6.
    """
    if u is None or not math.isfinite(u):
        return NOTHING
    if u == 0:
        return "0"
    places = expanded_decimals(u) if decimals is None else decimals
    return _decimal_text(_quantize(_steady(u), places, ROUND_CEILING), False, decimal_sign)


def with_uncertainty(value: float, u: float, *, decimal_sign: str | None = None) -> tuple[str, str]:
    """
    A result and its expanded uncertainty, rounded to the same decimal place (GUM 7.2.6).
    """
    decimals = expanded_decimals(u)
    return (
        number(value, decimals, decimal_sign=decimal_sign),
        expanded(u, decimals=decimals, decimal_sign=decimal_sign),
    )


def length(
    value_mm: float | None,
    unit: str = "mm",
    *,
    decimals: int | None = None,
    signed: bool = False,
    decimal_sign: str | None = None,
    with_unit: bool = True,
) -> str:
    """
    A length kept in millimetres, as text in a unit of choice.

    Parameters
    ----------
    value_mm : float or None
        The length [mm].
    unit : str
        One of `labkit.units.LENGTH_UNITS`.
    decimals : int, optional
        Default: about 0.1 µm, whatever the unit.
    signed, with_unit : bool
        Write the plus sign; append the unit.
    decimal_sign : str, optional

    Returns
    -------
    str
    """
    if value_mm is None or not math.isfinite(value_mm):
        return NOTHING
    places = _DECIMALS[unit] if decimals is None else decimals
    text = number(from_mm(value_mm, unit), places, signed=signed, decimal_sign=decimal_sign)
    return f"{text} {unit}" if with_unit else text


def small_length(
    value_mm: float | None,
    unit: str = "mm",
    *,
    decimals: int | None = None,
    extra: int = 0,
    signed: bool = False,
    with_unit: bool = True,
) -> str:
    """
    An error or a deviation [mm] as text, in the small unit that goes with lengths in `unit`: µm, or mil; with `extra`
    more digits than usual.
    """
    small = small_unit(unit)
    places = (_SMALL_DECIMALS[small] if decimals is None else decimals) + extra
    return length(value_mm, small, decimals=places, signed=signed, with_unit=with_unit)


def expanded_length(
    u_mm: float | None, unit: str = "µm", *, extra: int = 0, decimal_sign: str | None = None, with_unit: bool = True
) -> str:
    """
    An expanded uncertainty [mm] as text in `unit`, two significant digits and `extra` more, rounded up.
    """
    if u_mm is None or not math.isfinite(u_mm):
        return NOTHING
    u = from_mm(u_mm, unit)
    text = expanded(u, decimals=expanded_decimals(u) + extra if extra and u else None, decimal_sign=decimal_sign)
    return f"{text} {unit}" if with_unit else text


def percent(share: float | None, *, decimals: int = 0) -> str:
    """
    A share (0 to 1) in percent; ``< 1 %`` and ``> 99.9 %`` where rounding would say none or all.
    """
    if share is None or not math.isfinite(share):
        return NOTHING
    if 0 < share < 0.01 and decimals == 0:
        return "< 1 %"
    if share > 0.999:
        return in_figures("> 99.9 %") if share < 1 else "100 %"
    return f"{number(100 * share, decimals)} %"


def visible(text: object) -> str:
    """
    Text without the marks that nobody sees and that turn the direction of what stands after them.
    """
    return _INVISIBLE.sub("", str(text))


def probability(p: float | None) -> str:
    """A probability in percent with one decimal; never none and never all, as both are more than is known."""
    if p is None or not math.isfinite(p):
        return NOTHING
    if p < 0.001:
        return in_figures("< 0.1 %")
    return in_figures("> 99.9 %") if p > 0.999 else f"{number(100 * p, 1)} %"


def _steady(value: float) -> Decimal:
    return Decimal(f"{value:.11e}")


def _quantize(value: Decimal, decimals: int, rounding: str = ROUND_HALF_EVEN) -> Decimal:
    return value.quantize(Decimal(1).scaleb(-decimals), rounding=rounding, context=_EVERY_FLOAT)


def _decimal_text(value: Decimal, signed: bool, decimal_sign: str | None) -> str:
    digits = f"{abs(value):f}".replace(".", decimal_sign or spoken().decimal_sign)
    if value.is_zero():
        return digits
    if value < 0:
        return MINUS + digits
    return "+" + digits if signed else digits
