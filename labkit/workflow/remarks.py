"""What the sheet says besides the numbers: as found, adjustment, notes, a cold gauge, a release."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from labkit.messages import sentence
from labkit.workflow.particulars import Particulars, cold_readings, overdue
from labkit.workflow.shims_out import SHIMS_REASON, shims_out

if TYPE_CHECKING:
    from labkit.workflow.calibrate_model import CalibrateModel
    from labkit.workflow.readings_page import ReadingsPage

FAILED = ("fail", "conditional fail")


def remarks(page: CalibrateModel, verdict: str | None) -> Iterator[str]:
    """
    The remarks of a page.

    Parameters
    ----------
    page : CalibrateModel
    verdict : str or None
        Of the check shims: a release is said only where there is something to release.
    """
    fields, readings = page.fields, page.collected.readings
    if fields.get("as_found_reason"):
        yield sentence("remark.as_found_reason", {"reason": fields["as_found_reason"]})
    if fields.get("adjusted"):
        yield sentence("remark.adjusted", {"what": fields["adjusted"]})
    if page.checked and not any(line.taken for line in page.log.of("check")):
        yield sentence("remark.checks_taken_back")
    yield from shims_used_all_the_same(page, fields)
    if page.particulars is not None:
        yield from instruments_past_due(page.particulars)
    times = [row.time for row in readings.rows if row.time] if readings is not None else []
    cold = cold_readings(page.particulars.about, min(times, default="")) if page.particulars is not None else None
    if cold is not None:
        yield str(cold)
    for line in page.log.lines:
        if line.id in page.collected.elsewhere and line.taken:
            params = {"line": line.label, "readings": line.taken, "reason": line.set_aside or "–"}
            yield sentence("remark.elsewhere", params)
        if line.note:
            yield sentence("remark.note", {"line": line.label, "note": line.note})
    if verdict in FAILED and fields.get("release_reason"):
        yield sentence("remark.released", {"person": fields["released_by"], "reason": fields["release_reason"]})


def shims_used_all_the_same(page: ReadingsPage, fields: Mapping[str, str]) -> Iterator[str]:
    """Shims that are not to be used and were, with the reason."""
    out = shims_out(page) if fields.get(SHIMS_REASON) else []
    if out:
        said = " ".join(str(each.says) for each in out)
        who = fields.get(f"{SHIMS_REASON}_by") or "–"
        yield sentence("remark.shims_out", {"says": said, "person": who, "reason": fields[SHIMS_REASON]})


def instruments_past_due(p: Particulars) -> Iterator[str]:
    """A thermometer or hygrometer that was used past its date."""
    for part in overdue(p.about.instruments, p.today):
        yield sentence("remark.instrument_due", {"name": part.name, "due": part.due})
