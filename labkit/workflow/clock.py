"""Times as a page shows them: stored in UTC, read on the laboratory's clock."""

from __future__ import annotations

from datetime import datetime
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


def _local(utc: str, zone: str) -> datetime:
    return datetime.fromisoformat(utc).astimezone(ZoneInfo(zone))
