"""What the reading band and the grid show, as plain data: the widget only draws it."""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from labkit import format as text
from labkit.calibration.result import Calibration
from labkit.curves.offers import Candidate, NextPoints
from labkit.messages import sentence
from labkit.units import from_mm, small_unit
from labkit.workflow.calibrate_model import CalibrateModel
from labkit.workflow.clock import time_of_day
from labkit.workflow.log import Cell, Line
from labkit.workflow.readings_page import ReadingsPage


def rows(page: ReadingsPage, part: str, unit: str = "mm") -> list[dict[str, Any]]:
    """
    The rows of one part of the page, for `ReadingGrid.rows`.

    Parameters
    ----------
    page : ReadingsPage
    part : str
        A key of its ``PARTS``.
    unit : str
        In which references, means and spreads are shown.
    """
    apart = {(line_id, place) for line_id, place, _ in page.stragglers}
    place = page.next_place(part)
    return [
        _row(page, line, unit, apart, now=place is not None and line.id == place[0])
        for line in page.log.of(*page.PARTS[part])
    ]


def current(page: ReadingsPage, part: str) -> dict[str, Any] | None:
    """Where the next reading goes, for `ReadingGrid.current`."""
    place = None if page.read_only else page.next_place(part)
    return None if place is None else {"row": place[0], "cell": place[1]}


def band(page: ReadingsPage, part: str) -> dict[str, Any]:
    """What the band says, for `ReadingGrid.band`."""
    rig, place = page.rig, page.next_place(part)
    if rig is None:
        return {}
    line = page.log.line(place[0]) if place else None
    last = _last(page, part)
    shown: dict[str, Any] = {
        "gauge": rig.rig.gauge.name,
        "on_probe": _on_probe(page, line),
        "last_label": _last_label(page, part, last),
        "last_value": last[1].text if last else "",
        "unit": rig.unit,
        "next_text": _next_text(page, part, line, place),
        "tally": _tally(line, place),
        "hide_reference": page.hide_reference,
    }
    advice = _advice(page, line) if isinstance(page, CalibrateModel) and part == "readings" else None
    if advice:
        shown["advice"] = advice
    return shown


def headings(page: ReadingsPage, unit: str = "mm") -> dict[str, str]:
    """The headings over numbers, with the units that these are shown in: seldom that of the readings, as typed."""
    raw = page.rig.unit if page.rig is not None and page.rig.signal == "raw" else ""
    return {
        "reference": sentence("grid.reference", {"unit": unit}),
        "mean": sentence("grid.mean", {"unit": raw or unit}),
        "s": sentence("grid.spread", {"unit": raw or small_unit(unit)}),
    }


def unit_note(page: CalibrateModel, unit: str = "mm") -> str:
    """The line below the grid: the unit, and the pooled spread."""
    result = page.result
    if page.rig is None or result is None or not np.isfinite(result.table.variance.dof):
        return ""
    variance = result.table.variance
    middle = float(np.median([point.x_mm for point in result.table.points]))
    # of the readings as they were taken, whatever was widened
    measured = float(variance.sd(middle)) / float(np.sqrt(result.table.widening))
    spread = _spread_text(page, measured, unit, with_unit=True)
    shown = "inches" if page.rig.unit == "in" else page.rig.unit
    return sentence("grid.note", {"unit": shown, "s": spread, "dof": int(variance.dof)})


def _row(page: ReadingsPage, line: Line, unit: str, apart: set[tuple[str, int]], *, now: bool) -> dict[str, Any]:
    hidden = page.hide_reference and now and not line.complete
    values = _values(page, line)
    remark, state = _remark(page, line, unit, apart)
    return _with_button(page, line) | {
        "id": line.id,
        "label": line.label,
        "wanted": line.wanted,
        "reference": "" if hidden else _reference(page, line, unit),
        "cells": [_cell(page, line, i, cell, apart) for i, cell in enumerate(line.cells)],
        "mean": "" if hidden or not values else _mean_text(page, line, float(np.mean(values)), unit),
        "s": "" if hidden or len(values) < 2 else _spread_text(page, float(np.std(values, ddof=1)), unit),
        "remark": remark,
        "remark_state": state,
        "state": "set-aside" if line.set_aside else "now" if now else "",
    }


def _reference(page: ReadingsPage, line: Line, unit: str) -> str:
    thickness_mm = _thickness_mm(page, line)
    return "" if thickness_mm is None else text.length(thickness_mm, unit, with_unit=False)


def _thickness_mm(page: ReadingsPage, line: Line) -> float | None:
    """What lies under the target; None without a target, and for shims that are not at hand."""
    if page.particulars is None or line.name == "background" or line.id in page.collected.elsewhere:
        return None
    return float(sum(page.particulars.shims[name].thickness_mm for name in line.shims))


def _cell(page: ReadingsPage, line: Line, place: int, cell: Cell, apart: set[tuple[str, int]]) -> dict[str, str]:
    states, said = [], ""
    fault = page.collected.bad.get((line.id, place))
    if fault is not None:
        states.append("bad")
        said = f"{fault} {fault.hint or ''}".strip()
    if (line.id, place) in apart:
        states.append("apart")
    if cell.out:
        states.append("out")
        said = sentence("grid.left_out", {"reason": cell.out})
    if cell.was:
        states.append("changed")
        before, when, person = cell.was[-1]
        at = time_of_day(when, page.bench.zone)
        said = said or sentence("grid.changed", {"time": at, "person": person or "–", "was": before})
    return {"text": cell.text, "state": " ".join(states), "note": said}


def _with_button(page: ReadingsPage, line: Line) -> dict[str, Any]:
    """The button after a remark: a reading that another unit would bring to the shim can be read in it."""
    for (line_id, place), fault in page.collected.bad.items():
        if line_id == line.id and fault.code == "cell.other_unit":
            other = fault.params["other"]
            label = sentence("cell.read_as", {"unit": other})
            return {"remark_button": {"id": f"read-as:{other}:{place}:{line.id}", "label": label}}
    return {}


def _remark(page: ReadingsPage, line: Line, unit: str, apart: set[tuple[str, int]]) -> tuple[str, str]:
    bad = _bad_places(page, line)
    if line.set_aside:
        return sentence("grid.set_aside", {"reason": line.set_aside}), "idle"
    if line.id in page.collected.elsewhere:
        return sentence("grid.elsewhere"), "watch"
    if bad:
        return sentence("grid.bad", {"reading": bad[0] + 1}), "stop"
    standing = [place for line_id, place in apart if line_id == line.id]
    if standing:
        return sentence("grid.apart", {"reading": standing[0] + 1}), "watch"
    moved = _background_moved(page, line) if line.role == "background" else None
    if moved is not None:
        return moved, "watch"
    if line.note:
        return line.note, ""
    if isinstance(page, CalibrateModel) and line.role in ("closing-fit", "closing-zero"):
        return _closing(page, line, unit)
    out = [str(place + 1) for place, cell in enumerate(line.cells) if cell.out]
    if out:
        code = "grid.out_one" if len(out) == 1 else "grid.out_some"
        return sentence(code, {"readings": ", ".join(out)}), ""
    if line.taken > page.particulars.repeats if page.particulars else False:
        return sentence("grid.read_again", {"count": line.taken}), ""
    return sentence("grid.zero_remark") if line.role == "zero" else "", ""


def _bad_places(page: ReadingsPage, line: Line) -> list[int]:
    """The cells of a line that hold no reading, in their order."""
    return sorted(place for line_id, place in page.collected.bad if line_id == line.id)


def _closing(page: CalibrateModel, line: Line, unit: str) -> tuple[str, str]:
    """The difference between start and end, against its limit."""
    result = page.result if not page.computing else None
    found = next((each for each in result.closing if each.point == line.name), None) if result is not None else None
    if found is None:
        return "", ""
    params = {"difference_mm": abs(found.difference_mm), "limit_mm": found.limit_mm}
    code = "grid.closing_no_limit" if found.limit_mm is None else "grid.closing_difference"
    return sentence(code, params, unit), "watch" if found.exceeded else "ok"


def _background_moved(page: ReadingsPage, line: Line) -> str | None:
    """What to do where the background is not what it was at the calibration in force."""
    rig, values = page.rig, _values(page, line)
    limit = rig.conditions.background_limit if rig is not None else None
    if rig is None or page.in_force is None or not values or limit is None:
        return None
    results = page.in_force.record["results"]
    last, own = results["background"]["value"], "mm" if rig.signal == "thickness" else rig.unit
    now = float(np.mean(values))
    if last is None or results["unit"] != own or abs(now - last) <= limit:
        return None
    params = {"now": f"{text.significant(now, 4)} {own}", "moved": f"{text.significant(abs(now - last), 2)} {own}"}
    return sentence("grid.background_moved", params)


def _values(page: ReadingsPage, line: Line) -> list[float]:
    """The readings of a line that count, as the curve will see them; none while one of its cells is bad."""
    readings = page.collected.readings
    if readings is None or any(line_id == line.id for line_id, _ in page.collected.bad):
        return []
    places = [page.collected.places.get((line.id, place)) for place in range(len(line.cells))]
    return [readings.rows[at].value for at in places if at is not None and readings.rows[at].counts]


def _mean_text(page: ReadingsPage, line: Line, value: float, unit: str) -> str:
    if page.rig is not None and page.rig.signal == "raw":
        typed = [re.search(r"[.,](\d+)", cell.text) for cell in line.cells]
        return text.number(value, 1 + max((len(found[1]) for found in typed if found), default=0))
    return text.length(value, unit, with_unit=False)


def _spread_text(page: ReadingsPage, value: float, unit: str, *, with_unit: bool = False) -> str:
    if page.rig is not None and page.rig.signal == "raw":
        return text.significant(value, 2) + (f" {page.rig.unit}" if with_unit else "")
    small = small_unit(unit)
    shown = text.number(from_mm(value, small), 2 if small == "mil" else 1)
    return f"{shown} {small}" if with_unit else shown


def _on_probe(page: ReadingsPage, line: Line | None) -> str:
    if line is None:
        return sentence("band.nothing")
    if line.name == "background":
        return sentence("band.background")
    if line.name == "zero":
        return sentence("band.zero")
    thickness_mm = _thickness_mm(page, line)
    if page.hide_reference or thickness_mm is None:
        return sentence("band.shim", {"name": line.name})
    return sentence("band.shim_of", {"name": line.name, "x_mm": thickness_mm})


def _last(page: ReadingsPage, part: str) -> tuple[Line, Cell, int] | None:
    """The reading taken last."""
    taken = [
        (cell.time, line, cell, place)
        for line in page.log.of(*page.PARTS[part])
        for place, cell in enumerate(line.cells)
        if cell.text
    ]
    if not taken:
        return None
    _, line, cell, place = max(taken, key=lambda each: (each[0], each[1].id == page.cursor.get(part), each[3]))
    return line, cell, place


def _last_label(page: ReadingsPage, part: str, last: tuple[Line, Cell, int] | None) -> str:
    if last is None:
        return sentence("band.none_yet")
    line, _, place = last
    here = page.next_place(part)
    params = {"name": line.label, "reading": place + 1, "wanted": max(line.wanted, place + 1)}
    return sentence("band.last" if here and here[0] == line.id else "band.last_of", params)


def _next_text(page: ReadingsPage, part: str, line: Line | None, place: tuple[str, int] | None) -> str:
    if line is None or place is None:
        for each in page.log.of(*page.PARTS[part]):
            for at in _bad_places(page, each)[:1]:
                return sentence("band.put_right", {"line": each.label, "reading": at + 1})
        return sentence("band.complete")
    return sentence("band.next", {"reading": place[1] + 1, "wanted": line.wanted})


def _tally(line: Line | None, place: tuple[str, int] | None) -> list[str]:
    if line is None or place is None:
        return []
    count = max(line.wanted, len(line.cells))
    return ["on" if i < len(line.cells) and line.cells[i].text else "at" if i == place[1] else "" for i in range(count)]


def _advice(page: CalibrateModel, line: Line | None) -> dict[str, Any] | None:
    """The advice stands in the band, where the hand is."""
    if not any(each.taken for each in page.log.of(*page.PARTS["readings"])):
        background = line is not None and line.name == "background"
        return {"text": sentence("band.begin_background" if background else "band.begin")}
    points = page.result.next_points if page.result is not None and not page.computing else None
    if page.read_only or page.stopped or points is None or points.best is None:
        return _at_the_end(page, points) if points is not None else None
    best = points.best
    name = sentence("band.again", {"shim": best.name}) if best.again else best.name
    said = {"lead": sentence("band.advice", {"shim": name, "x_mm": best.x_mm}), "text": _lowers(page.result, best)}
    if line is not None and line.shims == [best.name]:
        return said | {"mark": {"state": "part", "text": sentence("band.being_read")}}
    return said | {
        "buttons": [
            {"id": f"read:{best.name}", "label": sentence("band.read_it", {"shim": name}), "primary": True},
            {"id": "stop", "label": sentence("band.stop_here")},
        ]
    }


def _at_the_end(page: CalibrateModel, points: NextPoints) -> dict[str, Any] | None:
    """Why no further point is advised; and what is left to read."""
    if points.best is not None and not page.stopped:
        return None
    said: dict[str, Any] = {} if points.best is not None else {"text": str(points.reason)}
    if not page.log.of("closing-fit") and not page.read_only:
        said["buttons"] = [{"id": "stop", "label": sentence("band.close"), "primary": True}]
    return said or None


def _lowers(result: Calibration | None, best: Candidate) -> str:
    by_flexible = result is not None and result.curve is not result.uncertainty.flexible
    code = "band.lowers_flexible" if by_flexible else "band.lowers"
    return sentence(code, {"before_mm": best.U_before_mm, "after_mm": best.U_after_mm})
