"""Dates and times as people type them."""

from __future__ import annotations

import calendar
import re
from datetime import UTC, date, datetime, tzinfo
from typing import Final

_MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_WORDED: Final = re.compile(r"([0-9]{1,2})\.?[\s\-]+([A-Za-z]{3})[a-z]*\.?[\s\-]+([0-9]{4})")
_DOTTED: Final = re.compile(r"([0-9]{1,2})\.\s?([0-9]{1,2})\.\s?([0-9]{4})")
_ISO_DATE: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def parse_date(text: str) -> date:
    """
    A plain date: ``2026-03-14``, ``14 Mar 2026`` or ``14.03.2026``.

    Raises
    ------
    ValueError
        Anything else, ``03/04/2026`` included: nobody can tell its day from its month.
    """
    typed = text.strip()
    if _ISO_DATE.fullmatch(typed):
        return date.fromisoformat(typed)
    worded = _WORDED.fullmatch(typed)
    if worded and worded.group(2).lower() in _MONTHS:
        return date(int(worded.group(3)), _MONTHS.index(worded.group(2).lower()) + 1, int(worded.group(1)))
    dotted = _DOTTED.fullmatch(typed)
    if dotted:
        day, month, year = (int(part) for part in dotted.groups())
        return date(year, month, day)
    raise ValueError(f"{typed!r} is not a date")


def parse_time(text: str, zone: tzinfo = UTC) -> tuple[str, bool]:
    """
    A moment, as UTC.

    Parameters
    ----------
    text : str
        ISO 8601 with date and time of day, such as ``2026-11-25T09:17Z`` or ``2026-11-25 10:17+01:00``.
    zone : tzinfo
        For a moment that names none.

    Returns
    -------
    time : str
        ISO 8601 with Z.
    zoned : bool
        Whether the text named its zone.

    Raises
    ------
    ValueError
        No such moment, or a date alone, or a time of day alone.
    """
    typed = text.strip()
    if ":" not in typed or not _ISO_DATE.match(typed):
        raise ValueError(f"{typed!r} is not a date with a time of day")
    moment = datetime.fromisoformat(typed)
    zoned = moment.tzinfo is not None
    try:
        utc = (moment if zoned else moment.replace(tzinfo=zone)).astimezone(UTC)
    except OverflowError:
        raise ValueError(f"{typed!r} is out of range") from None
    return utc.replace(tzinfo=None).isoformat() + "Z", zoned


def months_after(start: date, months: int) -> date:
    """The same day of a later month, or its last day where that month is shorter."""
    years, month = divmod(start.month - 1 + months, 12)
    year = start.year + years
    return date(year, month + 1, min(start.day, calendar.monthrange(year, month + 1)[1]))
