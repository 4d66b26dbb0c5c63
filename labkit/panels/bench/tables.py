"""The tables of the equipment register: for each kind its columns, and one row a thing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any, Final

from labkit.format import number
from labkit.ledger import Version
from labkit.panels.bench.words import counted
from labkit.panels.listing import Button, Cell, Row
from labkit.workflow.bench import BenchPage
from labkit.workflow.clock import day, today, when
from labkit.workflow.own_families import OwnFile

SHOWN: Final[dict[str, tuple[str, tuple[str, ...], str, tuple[str, str]]]] = {
    "Rigs": (
        "rig",
        ("Rig", "Gauge", "Probe, tip", "Target", "Working range, mm>", "Largest U>", "Last sheet", "State"),
        "Register a rig",
        ("rig", "rigs"),
    ),
    "Gauges": (
        "gauge",
        ("Gauge", "Maker, model", "Serial number", "Firmware", "Readings arrive", "State"),
        "Register a gauge",
        ("gauge", "gauges"),
    ),
    "Probes": ("probe", ("Probe", "Maker, model", "Serial number", "State"), "Register a probe", ("probe", "probes")),
    "Tips": ("tip", ("Probe tip", "Form", "Maker", "Serial number", "State"), "Register a tip", ("tip", "tips")),
    "Targets": (
        "target",
        ("Target", "Kind", "Maker", "Serial number", "State"),
        "Register a target",
        ("target", "targets"),
    ),
    "Shim sets": (
        "shim-set",
        ("Shim set", "Shims", "From, mm>", "To, mm>", "Due", "State"),
        "Register a shim set",
        ("shim set", "shim sets"),
    ),
    "Auxiliary": (
        "instrument",
        ("Instrument", "It is a", "Maker, model", "Serial number", "Certificate", "Due", "State"),
        "Register an instrument",
        ("instrument", "instruments"),
    ),
    "People": ("person", ("Name", "Role", "Signing file", "State"), "Register a person", ("person", "people")),
    "Procedures": (
        "procedure",
        ("Procedure", "Revision", "Since", "State"),
        "Register a procedure",
        ("procedure", "procedures"),
    ),
    "Customers": ("customer", ("Customer", "Address", "State"), "Register a customer", ("customer", "customers")),
    "Own curves": ("family", ("Curve family", "File", "SHA-256", "State"), "", ("curve family", "curve families")),
    "Laboratory": ("laboratory", ("Laboratory", "Time zone", "Decision rule", "State"), "", ("", "")),
}
"""By the word on the switch: the kind, the columns, the words on the button, and how one and several are called."""

ARRIVALS: Final = {"typed": "typed", "keyed": "its key types", "streamed": "streamed"}


def rows_of(kind: str, page: BenchPage) -> list[Row]:
    """Everything of a kind, those in use first, in the order in which it was registered."""
    if kind == "family":
        return [_own_file(each) for each in page.own_files]
    found = [each for each in page.register if each.kind == kind]
    found.sort(key=lambda each: (each.body["state"] != "in use", each.body["order"], each.subject))
    return [
        Row(
            each.subject,
            (*_CELLS[kind](each, page), _state(each, page)),
            (Button("open", "Open"),),
            off=each.body["state"] != "in use",
        )
        for each in found
    ]


def _own_file(each: OwnFile) -> Row:
    """A file of the laboratory's own curve families: nothing about it is registered here."""
    fault = each.fault
    state = (
        Cell("Loaded", mark="ok")
        if fault is None
        else Cell("Not loaded", f"{fault} {fault.hint or ''}".strip(), "stop")
    )
    # in pieces, so that it wraps: a digest is read against another one, group by group
    digest = " ".join(each.sha256[i : i + 8] for i in range(0, len(each.sha256), 8))
    return Row(each.file, (Cell(", ".join(each.names) or "–", bold=True), Cell(each.file), Cell(digest or "–"), state))


def _state(each: Version, page: BenchPage) -> Cell:
    if each.body["state"] != "in use":
        state = str(each.body["state"]).capitalize()
        return Cell(state, f"{when(each.at, page.bench.zone, page.now)}: {each.body['why']}", "idle")
    if each.kind == "rig":
        return _state_of_rig(each.subject, page)
    if each.kind == "gauge":
        live = next((one for one in page.live if one.gauge == each.subject), None)
        return Cell(f"In use: {live.rig}", mark="part") if live is not None else Cell("In use here", mark="ok")
    if each.kind in ("instrument", "shim-set"):
        due = _due(each, page)
        if due is not None and due < today(page.now, page.bench.zone):
            return Cell("Overdue", mark="stop")
    return Cell("In use here", mark="ok")


def _state_of_rig(name: str, page: BenchPage) -> Cell:
    rig = next((each for each in page.bench.rigs if each.name == name), None)
    if rig is None:
        return Cell("A part is withdrawn", mark="stop")
    live = next((each for each in page.live if each.gauge == rig.rig.gauge.name), None)
    if live is not None and live.rig != name:
        return Cell(f"Waits for {live.gauge}", mark="idle")
    due = next((each for each in page.due if (each.kind, each.name) == ("rig", name)), None)
    if due is not None and due.state == "overdue":
        return Cell("Overdue", mark="stop")
    if due is not None and due.state in ("calibrate fully", "today only", "check again"):
        return Cell(due.state.capitalize(), mark="stop" if due.state == "calibrate fully" else "watch")
    if live is not None:
        return Cell("Calibrating", mark="part")
    if name not in page.last:
        return Cell("No certificate yet", mark="watch")
    return Cell("In date", mark="ok") if due is not None else Cell("No interval", mark="watch")


def _rig(each: Version, page: BenchPage) -> tuple[Cell, ...]:
    body = each.body
    parts, last = body["rig"], page.last.get(each.subject)
    kinds = {
        (one.kind, one.subject): one.body.get("kind", "") for one in page.register if one.kind in ("tip", "target")
    }
    tip, target = kinds.get(("tip", parts["tip"]), ""), kinds.get(("target", parts["target"]), "")
    working = body["working_range_mm"]
    span = f"{number(working[0], 2)}–{number(working[1], 2)}" if working else "–"
    signed = f"{last.number}, {_day(last.signed, page)}" if last is not None else "–"
    return (
        Cell(each.subject, bold=True),
        Cell(parts["gauge"] or "–"),
        Cell(", ".join(part for part in (parts["probe"], tip or parts["tip"]) if part) or "–"),
        Cell(target or parts["target"] or "–"),
        Cell(span, right=True),
        Cell(last.says if last is not None and last.says else "–", right=True),
        Cell(signed),
    )


def _gauge(each: Version, _page: BenchPage) -> tuple[Cell, ...]:
    body = each.body
    return (
        Cell(each.subject, bold=True),
        Cell(_made(body)),
        Cell(body["serial"] or "–"),
        Cell(body["firmware"] or "–"),
        Cell(ARRIVALS.get(body.get("arrival", ""), "–")),
    )


def _probe(each: Version, _page: BenchPage) -> tuple[Cell, ...]:
    return Cell(each.subject, bold=True), Cell(_made(each.body)), Cell(each.body["serial"] or "–")


def _tip(each: Version, _page: BenchPage) -> tuple[Cell, ...]:
    body = each.body
    texts = [body["kind"], body["maker"], body["serial"]]
    return Cell(each.subject, bold=True), *(Cell(text or "–") for text in texts)


def _shim_set(each: Version, page: BenchPage) -> tuple[Cell, ...]:
    shims = [one.body for one in page.register if one.kind == "shim" and one.subject.startswith(f"{each.subject}/")]
    thicknesses = sorted(shim["thickness_mm"] for shim in shims)
    aside = sum(shim["state"] != "in use" for shim in shims)
    due = _due(each, page)
    return (
        Cell(each.subject, bold=True),
        Cell(counted(len(shims), "shim", "shims"), f"{aside} not in use" if aside else ""),
        Cell(number(thicknesses[0], 4) if thicknesses else "–", right=True),
        Cell(number(thicknesses[-1], 4) if thicknesses else "–", right=True),
        Cell(day(due, today(page.now, page.bench.zone)) if due is not None else "–"),
    )


def _instrument(each: Version, page: BenchPage) -> tuple[Cell, ...]:
    due = _due(each, page)
    mine = [one for one in page.instrument_certificates if one.instrument == each.subject]
    stands_on = next((one.certificate for one in mine if one.due == each.body["due"]), "")
    return (
        Cell(each.subject, bold=True),
        Cell(each.body["kind"] or "–"),
        Cell(_made(each.body)),
        Cell(each.body["serial"] or "–"),
        Cell(stands_on or "–"),
        Cell(day(due, today(page.now, page.bench.zone)) if due is not None else "–"),
    )


def _person(each: Version, page: BenchPage) -> tuple[Cell, ...]:
    file = each.body["identity"]
    there = bool(file) and (page.data / "identities" / str(file).rpartition("/")[2]).is_file()
    said = Cell(file, mark="ok") if there else Cell(f"{file} is not here" if file else "none", mark="watch")
    return Cell(each.subject, bold=True), Cell(each.body["role"]), said


def _procedure(each: Version, page: BenchPage) -> tuple[Cell, ...]:
    return Cell(each.subject, bold=True), Cell(each.body["revision"] or "–"), Cell(_day(each.at, page))


def _customer(each: Version, _page: BenchPage) -> tuple[Cell, ...]:
    return Cell(each.body["name"], each.body["department"], bold=True), Cell(each.body["address"] or "–")


def _laboratory(each: Version, _page: BenchPage) -> tuple[Cell, ...]:
    party = each.body.get("party") or {}
    name, department = party.get("name") or "No name yet", party.get("department", "")
    return Cell(name, department, bold=True), Cell(each.body.get("zone", "UTC")), Cell(each.body.get("rule", ""))


_CELLS: Final[dict[str, Callable[[Version, BenchPage], tuple[Cell, ...]]]] = {
    "rig": _rig,
    "gauge": _gauge,
    "probe": _probe,
    "tip": _tip,
    "target": _tip,
    "shim-set": _shim_set,
    "instrument": _instrument,
    "person": _person,
    "procedure": _procedure,
    "customer": _customer,
    "laboratory": _laboratory,
}


def _made(body: Mapping[str, Any]) -> str:
    return " ".join(part for part in (body["maker"], body["model"]) if part) or "–"


def _due(each: Version, page: BenchPage) -> date | None:
    return next((one.on for one in page.due if (one.kind, one.name) == (each.kind, each.subject)), None)


def _day(utc: str, page: BenchPage) -> str:
    return day(today(utc, page.bench.zone), today(page.now, page.bench.zone))
