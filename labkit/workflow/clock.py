"""Times as a page shows them: stored in UTC, read on the laboratory's clock."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def time_of_day(utc: str, zone: str) -> str:
    """``10:14`` for a time in UTC (ISO 8601 with Z) on the clock of `zone`; empty for an empty one."""
    return f"{_local(utc, zone):%H:%M}" if utc else ""


def day_and_time(utc: str, zone: str) -> str:
    """``25 Nov 09:17`` for a time in UTC (ISO 8601 with Z) on the clock of `zone`; empty for an empty one."""
    if not utc:
        return ""
    local = _local(utc, zone)
    return f"{local.day} {_MONTHS[local.month - 1]} {local:%H:%M}"


def when(utc: str, zone: str, now: str) -> str:
    """``today 10:14`` or ``24 Nov 16:52``, with the year where it is another one; on the clock of `zone`."""
    if not utc:
        return ""
    then, here = _local(utc, zone), _local(now, zone)
    if then.date() == here.date():
        return f"today {then:%H:%M}"
    year = "" if then.year == here.year else f" {then.year}"
    return f"{then.day} {_MONTHS[then.month - 1]}{year} {then:%H:%M}"


def date_and_time(utc: str, zone: str) -> str:
    """``24 Nov 2026, 14:12`` for a time in UTC (ISO 8601 with Z) on the clock of `zone`; empty for an empty one."""
    return f"{full_date(utc, zone)}, {time_of_day(utc, zone)}" if utc else ""


def full_date(utc: str, zone: str) -> str:
    """``24 Nov 2026`` for a time in UTC (ISO 8601 with Z) on the clock of `zone`; empty for an empty one."""
    if not utc:
        return ""
    local = _local(utc, zone)
    return f"{local.day} {_MONTHS[local.month - 1]} {local.year}"


def day(on: date, today: date) -> str:
    """``19 Nov``, with the year where it is another one."""
    year = f" {on.year}" if on.year != today.year else ""
    return f"{on.day} {_MONTHS[on.month - 1]}{year}"


def month(on: date) -> str:
    """``Dec``, with the year in January."""
    return f"{_MONTHS[on.month - 1]} {on.year}" if on.month == 1 else _MONTHS[on.month - 1]


def today(utc: str, zone: str) -> date:
    """The day that it is on the clock of `zone`."""
    return _local(utc, zone).date()


def _local(utc: str, zone: str) -> datetime:
    return datetime.fromisoformat(utc).astimezone(ZoneInfo(zone))
