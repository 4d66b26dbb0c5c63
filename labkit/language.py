"""
The language of a sheet: its words, its decimal sign, its dates.

What is being made is made in the language that `speaking` sets for it, in this thread alone: sheets in several
languages can be made at once. Without it everything is English. The catalogues are gettext's ``.po`` files, in the
folder ``catalogues``: the English text is the id of what a sheet says, the code the id of a sentence of
`labkit.sentences`. Records and what they print never depend on it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache, wraps
from gettext import GNUTranslations, NullTranslations
from importlib.resources import files
from typing import Any, Concatenate, Final, ParamSpec, TypeVar


@dataclass(frozen=True)
class Language:
    """
    A language that a sheet can have.

    Attributes
    ----------
    code : str
        ISO 639-1.
    name : str
        What it calls itself.
    region : str
        ISO 3166-1, lower case: for hyphens and quotation marks of the typesetting.
    decimal_sign : str
    day : str
        How a day is written, as Unicode's CLDR spells patterns.
    """

    code: str
    name: str
    region: str
    decimal_sign: str
    day: str


LANGUAGES: Final = {
    each.code: each
    for each in (
        Language("en", "English", "gb", ".", "d MMM y"),
        Language("de", "Deutsch", "de", ",", "dd.MM.y"),
        Language("uk", "Українська", "ua", ",", "dd.MM.y"),
    )
}

P = ParamSpec("P")
Made = TypeVar("Made")

_spoken: ContextVar[Language] = ContextVar("language", default=LANGUAGES["en"])

_POINT: Final = re.compile(r"(?<=\d)\.(?=\d)")


def spoken() -> Language:
    """The language in which sheets are being made here."""
    return _spoken.get()


@contextmanager
def speaking(code: str) -> Iterator[Language]:
    """
    Make what is made inside in a language.

    Parameters
    ----------
    code : str
        A key of `LANGUAGES`.
    """
    before = _spoken.set(LANGUAGES[code])
    try:
        yield LANGUAGES[code]
    finally:
        _spoken.reset(before)


def language_of(record: Mapping[str, Any]) -> str:
    """In which language the sheet of a record is: a key of `LANGUAGES`."""
    about = record.get("inputs", {}).get("about", {})
    code = str(about.get("language") or "en")
    return code if code in LANGUAGES else "en"


def in_its_language(
    make: Callable[Concatenate[Mapping[str, Any], P], Made],
) -> Callable[Concatenate[Mapping[str, Any], P], Made]:
    """Let a function of a record speak the language of its sheet."""

    @wraps(make)
    def made(record: Mapping[str, Any], /, *args: P.args, **more: P.kwargs) -> Made:
        with speaking(language_of(record)):
            return make(record, *args, **more)

    return made


def say(text: str, /, **named: object) -> str:
    """
    A text of a sheet in the language spoken, with what it names filled in.

    Parameters
    ----------
    text : str
        English, with ``{name}`` for each of `named`.
    """
    found = _catalogue(spoken().code).gettext(text)
    return found.format(**named) if named else found


def say_count(one: str, many: str, count: int, /, **named: object) -> str:
    """
    A text that depends on a count, by the plural forms of the language; it names the count ``{count}``.
    """
    found = _catalogue(spoken().code).ngettext(one, many, count)
    return found.format(count=count, **named)


def noted(text: str) -> str:
    """The same text: it marks for the catalogues what `say` says later."""
    return text


def template_of(code: str) -> str | None:
    """The template of a sentence in the language spoken; None where it has none and English takes its place."""
    found = _catalogue(spoken().code).gettext(code)
    return None if found == code else found


def in_figures(printed: str, code: str | None = None) -> str:
    """
    A number that a record prints, as it looks on a sheet: with the decimal sign of the language.

    Parameters
    ----------
    printed : str
        Such as ``+0.3`` or ``1.2 µm``.
    code : str, optional
        A key of `LANGUAGES`; default the language spoken.
    """
    language = spoken() if code is None else LANGUAGES[code]
    return printed if language.decimal_sign == "." else _POINT.sub(language.decimal_sign, printed)


def day_in_words(day: date) -> str:
    """A day as it is written, such as 14 Mar 2027."""
    from babel.dates import format_date

    return format_date(day, spoken().day, locale=spoken().code)


def moment_in_words(moment: datetime) -> str:
    """Day, and time of day by 24 hours."""
    return f"{day_in_words(moment.date())}, {moment:%H:%M}"


@cache
def _catalogue(code: str) -> NullTranslations:
    """A catalogue, compiled from its ``.po`` file: there is no other file that could be out of step with it."""
    if code == "en":
        return NullTranslations()
    from io import BytesIO

    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    source = files("labkit").joinpath("catalogues", f"{code}.po").read_bytes()
    compiled = BytesIO()
    write_mo(compiled, read_po(BytesIO(source), locale=code, abort_invalid=True))
    compiled.seek(0)
    return GNUTranslations(compiled)
