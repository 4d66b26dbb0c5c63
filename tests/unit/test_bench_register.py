"""The equipment register on the page Bench: forms, tables of shims, and the widgets that show them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from io import BytesIO
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from labkit import ledger
from labkit.bench.shims import Shim
from labkit.ledger import Actor, Version, load_bench, load_register, save_bench
from labkit.ledger.bench_rows import PART_KINDS
from labkit.ledger.demo import demo_bench
from labkit.panels.bench.page import BenchView, chain_words, intro, marks
from labkit.panels.bench.tables import SHOWN, rows_of
from labkit.panels.listing import Button, Cell, Listing, Row
from labkit.problems import BadFile, BadInput
from labkit.workflow.bench import BenchPage
from labkit.workflow.bench_register import FORMS, empty_fields, fields_of, read_form, subject_of
from labkit.workflow.bench_shims import offer, recertified, registered, shim_fields, shims_of
from labkit.workflow.own_families import OwnFile
from labkit.workflow.worker import Worker

ENGINEER = Actor("R. Halloran", "engineer", proven=True)
TODAY = date(2026, 11, 25)
NASTY = """<img src=x onerror="alert('1')">"""


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LABKIT_DATA", str(tmp_path))
    save_bench(tmp_path, demo_bench())
    return tmp_path


def register_of(data: Path) -> tuple[Version, ...]:
    return load_register(data)


def state(data: Path, kind: str, name: str) -> Version:
    return next(each for each in register_of(data) if (each.kind, each.subject) == (kind, name))


# ---- forms ----


def test_every_form_gives_back_what_is_registered(data: Path) -> None:
    """Opening a thing and saving it changes nothing: no field is lost, and none is rounded."""
    seen = set()
    for each in register_of(data):
        if each.kind in FORMS:
            seen.add(each.kind)
            fields = fields_of(each.kind, each.body, each.subject)
            body, faults = read_form(each.kind, fields, register_of(data), each)
            assert faults == {}, (each.subject, {name: str(fault) for name, fault in faults.items()})
            own = {key: each.body[key] for key in ("order", "state", "why")}
            assert body | own == dict(each.body), each.subject
            assert subject_of(each.kind, fields) == each.subject
    assert seen == set(FORMS)


def test_what_a_form_does_not_ask_for_is_kept(data: Path) -> None:
    bench = demo_bench()
    rig = replace(bench.rigs[0], conditions=replace(bench.rigs[0].conditions, zero_u_mm=0.0004, repeatability=0.0007))
    save_bench(data, replace(bench, rigs=(rig, *bench.rigs[1:])))
    before = state(data, "rig", "Rig 2")
    body, _ = read_form(
        "rig", fields_of("rig", before.body, "Rig 2") | {"tolerance": "0,02"}, register_of(data), before
    )
    ledger.register(data, "rig", "Rig 2", body, ENGINEER, "a wider tolerance was agreed")
    found = load_bench(data).rig("Rig 2")
    assert (found.tolerance_mm, found.conditions) == (0.02, rig.conditions)


def test_a_new_rig_is_made_of_registered_parts(data: Path) -> None:
    fields = empty_fields("rig") | {
        "name": "Rig 6",
        "gauge": "G-12",
        "probe": "P4",
        "tip": "T4",
        "target": "Disc 5",
        "low": "0.8",
        "high": "4",
        "target_u": "3",
        "closing_limit": "1.5",
        "interval_months": "12",
    }
    body, faults = read_form("rig", fields, register_of(data), None)
    assert faults == {}
    ledger.register(data, "rig", "Rig 6", body, ENGINEER)
    rig = load_bench(data).rig("Rig 6")
    assert (rig.rig.gauge.name, rig.working_range_mm, rig.interval_months) == ("G-12", (0.8, 4.0), 12)
    assert (rig.target_u_mm, rig.conditions.closing_limit_mm) == (0.003, 0.0015)


@pytest.mark.parametrize(
    ("kind", "changed", "field", "code"),
    [
        ("rig", {"name": " "}, "name", "field.needed"),
        ("rig", {"gauge": "G-99"}, "gauge", "field.not_offered"),
        ("rig", {"high": "0.1"}, "high", "field.high"),
        ("rig", {"high": ""}, "high", "field.needed"),
        ("rig", {"tolerance": "-1"}, "tolerance", "field.above_zero"),
        ("rig", {"repeats": "2.5"}, "repeats", "field.repeats"),
        ("rig", {"interval_months": "six"}, "interval_months", "number.text"),
        ("rig", {"name": "x" * 201}, "name", "field.long"),
        ("instrument", {"due": "03/04/2026"}, "due", "table.not_a_date"),
        ("person", {"role": "director"}, "role", "field.not_offered"),
        ("laboratory", {"zone": "Mars/Base"}, "zone", "field.zone"),
        ("laboratory", {"rule": "guard-band-risk"}, "risk", "decision.risk_missing"),
        ("procedure", {"revision": ""}, "revision", "field.needed"),
    ],
)
def test_what_is_wrong_is_said_at_its_field(
    data: Path, kind: str, changed: dict[str, str], field: str, code: str
) -> None:
    before = next(each for each in register_of(data) if each.kind == kind)
    fields = fields_of(kind, before.body, before.subject) | changed
    _, faults = read_form(kind, fields, register_of(data), before)
    assert {name: fault.code for name, fault in faults.items()} == {field: code}
    assert str(faults[field])


def test_a_part_that_was_withdrawn_is_not_offered(data: Path) -> None:
    ledger.withdraw(data, "gauge", "G-12", ENGINEER, "its display is broken")
    options = {each.name: each.options for each in FORMS["rig"]}
    assert options["gauge"] is not None
    assert "G-12" not in [kept for _, kept in options["gauge"](register_of(data))]
    with pytest.raises(BadInput):
        load_bench(data).rig("Rig 4")


# ---- shims ----


def table(*rows: str) -> str:
    return "\n".join(["shim,thickness [mm],U [µm],k,certificate,certified on,due,material", *rows]) + "\n"


def test_a_table_says_what_it_would_register_and_registers_nothing(data: Path) -> None:
    before = ledger.head(data)
    found = offer(
        table(
            "C-1,0.3502,0.8,2,DC-2026-C-1,2026-03-14,2027-03-14,brass",
            "C-2,1.2497,1.0,2,DC-2027-C-2,2026-11-20,2027-11-20,brass",
            "C-4,1.8,1.0,2,DC-2027-C-4,2026-11-20,2027-11-20,brass",
        ),
        "Check set C",
        register_of(data),
        TODAY,
    )
    assert [(each.shim.name, each.what) for each in found.shims] == [
        ("C-1", "as it is"),
        ("C-2", "new certificate"),
        ("C-4", "new"),
    ]
    assert [shim.name for shim in found.to_register] == ["C-2", "C-4"]
    assert ledger.head(data) == before
    assert ledger.register_shims(data, found.set_name, found.to_register, ENGINEER, "yearly recertification") == 2
    shims = load_bench(data).shim_set("Check set C")
    assert [shim.name for shim in shims] == ["C-1", "C-2", "C-3", "C-4"]
    assert (shims["C-2"].thickness_mm, shims["C-2"].u_mm) == (1.2497, 0.0005)


def test_another_value_on_the_same_certificate_is_seen(data: Path) -> None:
    row = "C-1,0.3602,0.8,2,DC-2026-C-1,2026-03-14,2027-03-14,brass"
    found = offer(table(row), "Check set C", register_of(data), TODAY)
    assert found.named("same certificate") == ["C-1"]
    assert found.to_register == ()


def test_a_workbook_names_its_set_and_a_broken_table_every_fault(data: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in (["shim", "thickness [mm]", "U [µm]", "k", "set"], ["D-1", 0.5, 0.8, 2, "Steel set D"]):
        sheet.append(row)
    out = BytesIO()
    book.save(out)
    assert offer(out.getvalue(), "", register_of(data), TODAY).set_name == "Steel set D"
    with pytest.raises(BadInput) as caught:
        offer("shim,thickness [mm]\nD-1,0.5\n", "", register_of(data), TODAY)
    assert caught.value.code == "register.no_name"
    with pytest.raises(BadInput) as caught:
        offer("shim,thickness [mm],set\nD-1,0.5,D\nE-1,0.5,E\n", "", register_of(data), TODAY)
    assert caught.value.code == "shim.several_sets"
    with pytest.raises(BadFile) as refused:
        offer(table("D-1,half,0.8,2,,,,", "D-2,-1,0.8,,,,,"), "Steel set D", register_of(data), TODAY)
    assert len(refused.value.faults) == 3


def test_a_set_whose_name_begins_another_keeps_its_own_shims(data: Path) -> None:
    shim = Shim("B-9", 0.5, 0.0004, 2.0, certificate="x")
    ledger.register_shims(data, "Brass set A/old", [shim], ENGINEER)
    assert [each.body["name"] for each in shims_of(register_of(data), "Brass set A/old")] == ["B-9"]
    assert len(shims_of(register_of(data), "Brass set A")) == 10


def test_a_new_certificate_of_one_shim(data: Path) -> None:
    before = registered(state(data, "shim", "Brass set B/B-3"))
    fields = shim_fields(before)
    assert (fields["thickness"], fields["U"], fields["k"]) == ("0.8012", "1", "2")
    fields |= {
        "certificate": "NW-7",
        "thickness": "0.8003",
        "U": "0.9",
        "certified_on": "20 Nov 2026",
        "due": "2028-11-20",
    }
    shim, faults = recertified(before, fields)
    assert faults == {}
    assert (shim.thickness_mm, shim.u_mm, shim.k, shim.due) == (0.8003, 0.00045, 2.0, date(2028, 11, 20))
    assert (shim.material, shim.shared_u_mm, shim.expansion_per_K) == ("brass", 0.0002, 1.9e-5)


@pytest.mark.parametrize(
    ("changed", "field", "code"),
    [
        ({"certificate": ""}, "certificate", "field.needed"),
        ({"certificate": "DC-2025-B-3"}, "certificate", "shim.old_number"),
        ({"thickness": ""}, "thickness", "field.needed"),
        ({"thickness": "801.2"}, "thickness", "points.shim"),
        ({"U": "0.3"}, "U", "shims.shared_above_u"),
        ({"k": "0"}, "k", "field.above_zero"),
        ({"due": "2020-01-01", "certified_on": "2026-01-01"}, "due", "shims.due_before_certified"),
        ({"certified_on": "yesterday"}, "certified_on", "table.not_a_date"),
    ],
)
def test_what_is_wrong_with_a_certificate_is_said(data: Path, changed: dict[str, str], field: str, code: str) -> None:
    before = registered(state(data, "shim", "Brass set B/B-3"))
    _, faults = recertified(before, shim_fields(before) | {"certificate": "NW-7", "certified_on": ""} | changed)
    assert {name: fault.code for name, fault in faults.items()} == {field: code}
    assert str(faults[field])


# ---- what is shown ----


def opened(data: Path) -> BenchPage:
    page = BenchPage(data, worker=Worker(inline=True), now=lambda: "2026-11-25T10:40:00Z")
    page.begin()
    return page


def test_every_kind_has_its_table(data: Path) -> None:
    page = opened(data)
    page.own_files = (OwnFile("bent.py", ("bent",), "0f" * 32),)
    for kind, columns, _, _ in SHOWN.values():
        rows = rows_of(kind, page)
        assert rows and all(len(row.cells) == len(columns) for row in rows), kind
    assert {kind for kind, *_ in SHOWN.values()} >= set(PART_KINDS)


def states(page: BenchPage) -> dict[str, str]:
    return {row.id: row.cells[-1].text for row in rows_of("rig", page)}


def test_a_rig_says_how_it_stands(data: Path) -> None:
    rig = {"name": "Rig 4", "gauge": {"name": "G-12"}}
    record = {"schema": "labkit.calibration/1", "id": ledger.new_id(), "inputs": {"about": {"rig": rig}}}
    ledger.sign_and_keep(data, record, lambda _: b"%PDF", Actor("M. Okonjo", "technician", proven=True))
    ledger.claim(data, "G-07", "Rig 2", ledger.new_id(), Actor("M. Okonjo"))
    ledger.withdraw(data, "rig", "Rig 3", ENGINEER, "sold")
    page = BenchPage(data, worker=Worker(inline=True))
    page.begin()
    assert states(page) == {
        "Rig 2": "Calibrating",
        "Rig 5": "Waits for G-07",
        "Rig 4": "In date",
        "Rig 3": "Withdrawn",
    }
    ledger.withdraw(data, "target", "Disc 5", ENGINEER, "chipped")
    page.refresh()
    assert states(page)["Rig 4"] == "A part is withdrawn"


def test_a_thing_of_the_same_name_is_not_registered_anew(data: Path) -> None:
    page = opened(data)
    with pytest.raises(BadInput) as caught:
        page.put("procedure", "LP-12", {"name": "LP-12", "revision": "5"}, "", new=True)
    assert caught.value.code == "register.taken"


def test_reasons_stand_beside_the_states(data: Path) -> None:
    ledger.register(data, "procedure", "LP-12", {"name": "LP-12", "revision": "5"}, ENGINEER, "reviewed")
    ledger.withdraw(data, "procedure", "LP-12", ENGINEER, "superseded by LP-13")
    assert ledger.reasons_of(data, "procedure", "LP-12") == {1: "", 2: "reviewed", 3: "superseded by LP-13"}


def test_the_page_shows_and_keeps_text_inert(data: Path) -> None:
    ledger.write_note(data, "rig", "Rig 2", NASTY, ENGINEER)
    part: dict[str, Any] = dict(state(data, "gauge", "G-07").body)
    ledger.register(data, "gauge", NASTY, part | {"name": NASTY}, ENGINEER)
    ledger.claim(data, NASTY, NASTY, ledger.new_id(), Actor(NASTY))
    ledger.save_draft(
        data, {"id": ledger.new_id(), "page": NASTY, "rig": NASTY, "person": NASTY, "owner": NASTY}, Actor(NASTY)
    )
    page = opened(data)
    view = BenchView(page)
    view.refresh()
    view.register.open("gauge", NASTY)
    seen = []

    def walk(widget: Any) -> None:
        seen.append(widget)
        for child in getattr(widget, "children", ()):
            walk(child)

    walk(view.frame.root)
    said = [str(widget.value) for widget in seen if type(widget).__name__ == "HTML"]
    assert any("&lt;img" in each for each in said)
    assert not any("<img" in each for each in said)
    assert view.frame.banner.value == ""


def test_the_head_says_the_day_and_the_chain(data: Path) -> None:
    page = opened(data)
    assert intro(page) == "1 thing is overdue and no page is unfinished."
    assert marks(page)[2] == ("stop", "1 overdue") and marks(page)[4] == ("ok", "4 rigs")
    entries = page.head.entries
    assert chain_words(page) == f"{entries} entries, chain unbroken"
    ledger.write_note(data, "rig", "Rig 2", "a note", ENGINEER)
    page.tick()
    assert chain_words(page) == f"{entries + 1} entries, unbroken up to {entries}"


def test_an_empty_register_says_where_to_begin(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LABKIT_DATA", str(tmp_path))
    page = opened(tmp_path)
    view = BenchView(page)
    view.refresh()
    section = view.register.section
    said = "".join(str(each.value) for each in section.body.children if type(each).__name__ == "HTML")
    assert "Nothing is registered yet." in said and "labkit serve --demo" in said
    assert marks(page)[4] == ("idle", "Nothing yet")


# ---- the table in the browser ----


def test_a_listing_takes_only_presses_of_its_own_buttons() -> None:
    pressed: list[tuple[str, str]] = []
    listing = Listing("Things", ("Thing",), lambda row, button: pressed.append((row, button)))
    listing.show([Row("a", (Cell("A"),), (Button("go", "Go"), Button("look", "Look", "/there")))])
    for row, button in (("a", "go"), ("a", "look"), ("a", "other"), ("b", "go")):
        listing._receive(listing, {"type": "press", "row": row, "button": button}, [])
    listing._receive(listing, {"type": "press", "row": 1, "button": "go"}, [])
    assert pressed == [("a", "go")]
    listing.show([])
    assert listing.layout.display == "none"


# ---- a certificate to be read ----


def test_the_signed_file_is_what_is_read_and_approved(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import pikepdf

    made = pikepdf.new()
    for _ in range(2):
        made.add_blank_page()
    out = BytesIO()
    made.save(out)
    about, technician = ledger.new_id(), Actor("M. Okonjo", "technician", proven=True)
    ledger.save_draft(data, {"id": about, "page": "calibrate", "person": "M. Okonjo"})
    ledger.ask(data, about, technician)
    record = {"schema": "labkit.calibration/1", "id": about, "inputs": {"about": {"rig": {"name": "Rig 2"}}}}
    ledger.sign_and_keep(data, record, lambda _: out.getvalue(), technician)
    page = opened(data)
    page._actor = ENGINEER
    page.use()
    view = BenchView(page)
    view.refresh()
    part = view.waiting._read
    assert part.root.layout.display == "none"
    view.waiting._asked._on_press(page.to_approve[0].request.id, "read")
    assert part.root.layout.display == ""
    assert part._sheet.value.count("data:image/png;base64,") == 2
    assert "M. Okonjo" in part._facts.value and part._certificate() == out.getvalue()
    part._approve._on_answer("read")
    assert part.root.layout.display == "none" and page.to_approve == ()
    approval = ledger.approval_of(data, about)
    assert approval is not None and (approval.by, approval.note) == ("R. Halloran", "read")
