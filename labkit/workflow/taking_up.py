"""Whether a rig's last calibration still serves, so that two check shims can stand for a new one."""

from __future__ import annotations

from datetime import date

from labkit.bench.dates import months_after
from labkit.ledger import Entry, RegisteredRig
from labkit.workflow.clock import today


def relied_upon_to(rig: RegisteredRig, calibration: Entry, zone: str) -> date | None:
    """The day to which a calibration is relied upon; None where no interval is registered."""
    if not rig.interval_months:
        return None
    return months_after(today(calibration.kept, zone), rig.interval_months)


def still_serves(rig: RegisteredRig, calibration: Entry, zone: str, now: str) -> bool:
    """
    Whether a rig may be taken up again with its calibration.

    Parameters
    ----------
    rig : RegisteredRig
    calibration : Entry
        In force for it.
    zone : str
        The laboratory's time zone.
    now : str
        UTC, ISO 8601 with Z.
    """
    end = relied_upon_to(rig, calibration, zone)
    failed = (calibration.record.get("results") or {}).get("verdict") in ("fail", "conditional fail")
    return not failed and (end is None or today(now, zone) <= end)
