"""When it was calibrated, and until when: the second only where laboratory and customer agreed on an interval."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

from labkit.bench.dates import months_after
from labkit.language import day_in_words, say_count
from labkit.sheet.blocks import Record


def calibrated_on(record: Record) -> date:
    """The day of the last reading in the laboratory's zone; of the record where the readings carry no time."""
    times = [row["time"] for row in record["inputs"]["readings"]["rows"] if row["time"]]
    latest = max(times, default=record["created"])
    return datetime.fromisoformat(latest).astimezone(ZoneInfo(record["zone"])).date()


def agreed_until(record: Record) -> date | None:
    """
    The day on which the agreed interval ends; None where none was agreed, and then nothing is printed.

    References
    ----------
    ISO/IEC 17025:2017, 7.8.4.3.
    """
    months = record["inputs"]["about"].get("statements", {}).get("agreed_months")
    return None if months is None else months_after(calibrated_on(record), months)


def agreed_words(record: Record) -> str:
    """The agreement as a sentence; empty where there is none."""
    until = agreed_until(record)
    if until is None:
        return ""
    return say_count(
        "Next calibration on {day}: an interval of {count} month was agreed with the customer.",
        "Next calibration on {day}: an interval of {count} months was agreed with the customer.",
        record["inputs"]["about"]["statements"]["agreed_months"],
        day=day_in_words(until),
    )
