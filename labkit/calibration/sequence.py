"""What was read when: check shims are read last, with the curve that they are to prove."""

from __future__ import annotations

from labkit.bench.readings import Readings
from labkit.problems import Caution


def say_read_after_checks(readings: Readings, cautions: list[Caution]) -> None:
    """Add the doubt that points of the curve were read when a check shim had been read; times that are known count."""
    checked = min((row.time for row in readings.with_role("check") if row.time and row.counts), default="")
    later = dict.fromkeys(
        row.point for row in readings.with_role("fit", "zero") if checked and row.time > checked and row.counts
    )
    if later:
        cautions.append(Caution("check.curve_changed", {"points": list(later)}))
