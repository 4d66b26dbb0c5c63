"""The page Signed records without its looks: finding, proving, taking away, replacing, and what leans on what."""

from __future__ import annotations

import csv
import io
import json
import shutil
import zipfile
from html import unescape
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from labkit import ledger
from labkit.bench.shims import Shim
from labkit.commands.demo import prepare_demo
from labkit.ledger import Actor, register_shims, sign_and_keep
from labkit.ledger.canonical import row_digest, sha256
from labkit.ledger.demo import demo_bench
from labkit.ledger.store import close_store, open_store
from labkit.problems import BadInput, Problem
from labkit.sheet.picture import picture
from labkit.sheet.recompute import alike, compared, recompute
from labkit.sheet.verify import verify
from labkit.workflow import replacing
from labkit.workflow.blockers import blockers
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.record_files import MOST_MB, list_table
from labkit.workflow.records import LINES, RecordsPage
from labkit.workflow.signing import signed_sheet
from labkit.workflow.worker import Worker
from tests.calibrate_pages import Asleep, finished_state, new_page
from tests.sheets import Laboratory, small_sheet

ENGINEER, TECHNICIAN = "R. Halloran", "M. Okonjo"
SIGNED_BY = Actor(TECHNICIAN, "technician", proven=True)


def records_page(data: Path, **workers: Worker) -> RecordsPage:
    inline = {name: Worker(inline=True) for name in ("worker", "prover", "drawer", "judge")}
    page = RecordsPage(data, **(inline | workers))
    page.begin()
    return page


@pytest.fixture(scope="module")
def signed_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo laboratory with one certificate, signed on the page Calibrate."""
    data = tmp_path_factory.mktemp("signed")
    prepare_demo(data)
    new_page(data, finished_state() | {"id": ledger.new_id()}).sign("demo", signed_sheet)
    close_store(data)
    return data


@pytest.fixture
def signed(signed_once: Path, tmp_path: Path) -> Path:
    return shutil.copytree(signed_once, tmp_path / "data")


def keep(data: Path, number: int, rig: str = "Rig 2", pdf: bytes = b"%PDF", name: str = "") -> None:
    """Results without a sheet of their own."""
    for _ in range(number):
        about = {"rig": {"name": rig, "gauge": {"name": "G-07"}}, "customer": {"name": name}}
        found = {"schema": "labkit.calibration/1", "id": ledger.new_id(), "inputs": {"about": about}}
        sign_and_keep(data, found, lambda place: pdf + place.number.encode(), SIGNED_BY)


def rows_of(table: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(table.decode("utf-8-sig"))))


# ---- finding ----


def test_the_list_has_pages_and_begins_at_the_newest_again_when_something_is_asked(tmp_path: Path) -> None:
    keep(tmp_path, LINES + 5)
    keep(tmp_path, 1, rig="Rig 3")
    page = records_page(tmp_path)
    assert (page.signed, len(page.found.lines), page.found.lines[0].number) == (LINES + 6, LINES, f"{LINES + 6:04d}")
    page.turn(1)
    assert [line.number for line in page.found.lines] == [f"{n:04d}" for n in range(6, 0, -1)]
    page.turn(1)
    assert page.offset == LINES, "there is no page behind the last one"
    page.look_for("rig", "Rig 3")
    assert (page.offset, [line.rig for line in page.found.lines]) == (0, ["Rig 3"])
    page.look_for("since", "tomorrow")
    assert page.faults["since"].code == "records.no_day" and len(page.found.lines) == 1
    page.ask_nothing()
    assert page.found.total == LINES + 6 == page.signed


def test_what_is_ticked_stays_so_on_other_pages_and_nothing_else_can_be_ticked(tmp_path: Path) -> None:
    keep(tmp_path, LINES + 1)
    page = records_page(tmp_path)
    page.tick_line(page.found.lines[0].number, True)
    page.tick_line("9999", True)
    page.turn(1)
    page.tick_line("0001", True)
    assert page.chosen == ["0001", f"{LINES + 1:04d}"]
    page.tick_line("0001", False)
    assert page.chosen == [f"{LINES + 1:04d}"]
    page.untick()
    assert page.chosen == []


def test_a_line_says_how_it_stands(tmp_path: Path) -> None:
    ledger.save_bench(tmp_path, demo_bench())
    keep(tmp_path, 3)
    lines = {line.number: line for line in ledger.search(tmp_path).lines}
    ledger.ask(tmp_path, lines["0002"].id, SIGNED_BY)
    engineer = Actor(ENGINEER, "engineer", proven=True)
    ledger.approve(tmp_path, lines["0003"].id, engineer)
    found = {"schema": "labkit.calibration/1", "inputs": {"about": {"rig": {"name": "Rig 2"}}}}
    sign_and_keep(tmp_path, found, lambda _: b"%PDF", engineer, replaces="0001", reason="wrong shim")
    page = records_page(tmp_path)
    states = {line.number: str(page.state_of(line)[1]) for line in page.found.lines}
    assert states == {"0004": "Valid", "0003": "Valid", "0002": "Waits for approval", "0001": "Replaced by 0004"}
    assert page.standing[lines["0003"].id].approved_by == ENGINEER
    ledger.approve(tmp_path, lines["0002"].id, engineer)
    page.refresh()
    assert str(page.state_of(next(each for each in page.found.lines if each.number == "0002"))[1]) == "Valid"


def test_a_ledger_that_cannot_be_read_is_said_and_the_page_stays(tmp_path: Path) -> None:
    keep(tmp_path, 1)
    page = records_page(tmp_path)
    close_store(tmp_path)
    (tmp_path / "ledger.sqlite").write_bytes(b"no database" * 1000)
    page.refresh()
    assert page.problem is not None and page.problem.code == "ledger.damaged"
    assert page.found.lines == ()


# ---- taking away ----


def test_one_record_is_a_pdf_and_several_are_a_zip_with_names_that_fit_every_disk(tmp_path: Path) -> None:
    keep(tmp_path, 1)
    keep(tmp_path, 1, rig="../../etc/passwd")
    keep(tmp_path, 1, rig="CON <b>")
    page = records_page(tmp_path)
    with pytest.raises(BadInput, match="Tick a record"):
        page.certificates()()
    page.tick_line("0001", True)
    assert page.certificates()() == ("0001 calibration certificate Rig 2.pdf", b"%PDF0001")
    page.tick_line("0002", True)
    page.tick_line("0003", True)
    name, content = page.certificates()()
    assert name == "3 records.zip"
    with zipfile.ZipFile(io.BytesIO(content)) as found:
        assert found.testzip() is None
        names = found.namelist()
        assert [found.read(each) for each in names] == [b"%PDF0001", b"%PDF0002", b"%PDF0003"]
    for each in names:
        assert not set(each) & set('/\\<>:"|?*') and each.startswith("000") and each.endswith(".pdf")


def test_a_download_has_a_largest_size(tmp_path: Path) -> None:
    keep(tmp_path, 2, pdf=bytes(MOST_MB * 500_001))
    page = records_page(tmp_path)
    for number in ("0001", "0002"):
        page.tick_line(number, True)
    for take in (page.certificates, page.behind):
        with pytest.raises(BadInput) as refused:
            take()()
        assert refused.value.code == "records.too_much"


def test_the_list_is_a_table_without_formulas_and_whole(tmp_path: Path) -> None:
    keep(tmp_path, LINES + 2)
    keep(tmp_path, 1, name='=HYPERLINK("http://example.invalid";"x")')
    keep(tmp_path, 1, name="-1+1")
    _, table = records_page(tmp_path).list_table()()
    rows = rows_of(table)
    assert len(rows) == LINES + 4
    assert rows[1]["customer"] == "'" + '=HYPERLINK("http://example.invalid";"x")'
    assert rows[0]["customer"] == "'-1+1"
    assert rows[2]["number"] == f"{LINES + 2:04d}" and rows[2]["kind"] == "Calibration certificate"
    assert rows_of(list_table((), {}, {})) == []


# ---- proving ----


def test_a_certificate_is_drawn_from_the_kept_pdf_and_recomputes(signed: Path) -> None:
    page = records_page(signed)
    page.open("1")
    assert page.shown is not None and page.shown.png.startswith(b"\x89PNG") and page.shown.pages >= 2
    proof = page.proof
    assert proof is not None and proof.judged.verdict is not None
    assert (str(proof.judged.says), proof.judged.state) == (
        "Genuine: signed by M. Okonjo, unchanged since, and its numbers recompute.",
        "ok",
    )
    for found in (proof.judged.verdict.recomputed, proof.judged.verdict.printed):
        assert found is not None and found.agree == found.of > 20
    assert proof.same_data and proof.entry is not None and proof.entry <= page.head.entries
    first = page.shown.png
    page.show_page(2)
    assert page.shown.page == 2 and page.shown.png != first
    page.show_page(99)
    assert page.shown.page == 2


def test_what_was_asked_first_does_not_overtake_what_is_open(signed: Path) -> None:
    keep(signed, 1)
    page = records_page(signed, prover=Asleep(), drawer=Asleep())
    page.open("1")
    entry = page.opened
    assert entry is not None and page.proving
    page.open("2")
    page._proved(entry, object())  # type: ignore[arg-type]
    assert page.proof is None and page.proving


def test_a_file_from_elsewhere_is_judged_and_known_by_its_bytes(signed: Path) -> None:
    page = records_page(signed)
    pdf = ledger.find(signed, "1").pdf
    page.judge_file("mine.pdf", pdf)
    name, judged = page.file
    assert (name, judged.state, judged.known.number) == ("mine.pdf", "ok", "0001")
    page.judge_file("added.pdf", pdf + b"\n")
    _, judged = page.file
    assert (judged.verdict.verdict, judged.state, judged.known) == ("changed", "stop", None)
    page.judge_file("no.pdf", b"hello")
    assert (str(page.file[1].says), page.file[1].state) == ("This is not a PDF, or it is damaged.", "stop")
    page.judge_file("stranger.pdf", Laboratory.found().signed)
    _, judged = page.file
    assert (judged.verdict.verdict, judged.state) == ("intact, signer not known here", "watch")
    page.judge_file("unsigned.pdf", small_sheet())
    assert str(page.file[1].says) == "Not one of our certificates: nobody signed it."
    with pytest.raises(BadInput, match="more than 10 MB"):
        page.judge_file("large.pdf", bytes(10_000_001))
    assert not [path for path in signed.rglob("*") if path.is_file() and b"hello" in path.read_bytes()]


def test_a_replaced_certificate_from_elsewhere_names_its_successor(signed: Path) -> None:
    pdf = ledger.find(signed, "1").pdf
    found = {"schema": "labkit.calibration/1", "inputs": {"about": {"rig": {"name": "Rig 2"}}}}
    sign_and_keep(
        signed, found, lambda _: b"%PDF", Actor(ENGINEER, "engineer", proven=True), replaces="1", reason="wrong shim"
    )
    page = records_page(signed)
    page.judge_file("old.pdf", pdf)
    assert page.file[1].known.replaced_by == "0002"


def test_data_in_the_pdf_that_are_not_those_of_the_ledger_are_said(signed: Path) -> None:
    """The PDF of one record kept beside another record: each is whole by itself."""
    pdf = ledger.find(signed, "1").pdf
    keep_record = {"schema": "labkit.calibration/1", "inputs": {"about": {"rig": {"name": "Rig 9"}}}}
    sign_and_keep(signed, keep_record, lambda _: pdf, SIGNED_BY)
    page = records_page(signed)
    page.open("2")
    assert page.proof is not None and page.proof.judged.state == "ok" and not page.proof.same_data


def test_one_number_that_does_not_recompute_is_counted_and_placed(signed: Path) -> None:
    record: dict[str, Any] = json.loads(json.dumps(ledger.find(signed, "1").record))
    whole = recompute(record)
    assert whole.whole and whole.first == ""
    record["printed"]["table"][2]["U"] = "0.3"
    found = recompute(record)
    assert (found.of - found.agree, found.first) == (1, "table 3 U")
    record["method"]["curve"] = "flexible/9"
    assert recompute(record).why_not is not None and not recompute(record).whole


@pytest.mark.parametrize(
    ("printed", "again", "same"),
    [
        ("1.4 µm", "1.5 µm", True),
        ("1.4 µm", "1.6 µm", False),
        ("1.4 µm", "1.4 mm", False),
        ("−0.0097", "−0.0098", True),
        ("−0.0097", "0.0097", False),
        ("pass", "fail", False),
        ("–", "0.1", False),
        ("NaN", "1", False),
        (None, "1", False),
    ],
)
def test_numbers_agree_to_one_unit_in_the_last_digit(printed: str | None, again: str, same: bool) -> None:
    assert alike(printed, again) is same


def test_a_row_that_only_one_record_has_does_not_agree() -> None:
    found = compared({"table": [{"U": "1.0"}]}, {"table": [{"U": "1.0"}, {"U": "1.0"}]})
    assert (found.agree, found.of, found.first) == (1, 2, "table 2 U")


def test_a_picture_of_what_is_no_pdf_is_refused() -> None:
    with pytest.raises(BadInput, match="not a PDF"):
        picture(b"%PDF-1.7 nothing")


# ---- replacing ----


def replaced(data: Path, reason: str = "wrong customer") -> dict[str, Any]:
    page = records_page(data)
    page.open("1")
    page.sign_in(ENGINEER, "demo")
    return ledger.load_draft(data, page.replace(reason))


def test_only_an_engineer_who_has_shown_it_replaces_a_certificate(signed: Path) -> None:
    page = records_page(signed)
    page.open("1")
    with pytest.raises(Problem) as refused:
        page.replace("wrong customer")
    assert refused.value.code == "door.sign_in"
    page.sign_in(TECHNICIAN, "demo")
    with pytest.raises(Problem) as refused:
        page.replace("wrong customer")
    assert refused.value.code == "door.not_allowed"
    page.sign_in(ENGINEER, "demo")
    with pytest.raises(BadInput) as refused:
        page.replace("  ")
    assert refused.value.code == "register.no_reason"
    assert ledger.list_drafts(signed) == ()


@pytest.mark.parametrize("kept", ["with its draft", "without its draft"])
def test_the_draft_has_the_same_readings_and_the_new_sheet_names_the_old_one(
    signed: Path, kept: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    old = ledger.find(signed, "1")
    if kept == "without its draft":
        monkeypatch.setattr(replacing, "_as_signed", lambda *_: None)
    draft = replaced(signed)
    assert (draft["person"], draft["owner"], draft["replaces"]) == (ENGINEER, ENGINEER, "0001")
    page = new_page(signed, draft)
    inputs = page.result.to_dict()["inputs"]  # type: ignore[union-attr]
    before = old.record["inputs"]
    keys = ("typed", "value", "shims", "role", "time", "operator", "left_out")
    assert [[row[key] for key in keys] for row in inputs["readings"]["rows"]] == [
        [row[key] for key in keys] for row in before["readings"]["rows"]
    ]
    assert inputs["options"] == before["options"]
    told = {
        "replaces": "0001",
        "replaced_why": "wrong customer",
        "operator": ENGINEER,
        "remarks": inputs["about"]["remarks"],
    }
    assert inputs["about"] == before["about"] | told
    assert page.result.to_dict()["printed"] == old.record["printed"]  # type: ignore[union-attr]
    for tick in ("clean", "no_steel", "shims_ready", "steady"):
        page.set_tick(tick, True)
    page.set_field("as_found_reason", "as on certificate 0001")
    number = page.sign("demo", signed_sheet)
    new = ledger.find(signed, number)
    assert (new.replaces, new.reason) == (old.id, "wrong customer")
    assert new.record["inputs"]["about"]["replaces"] == "0001"
    with pikepdf.open(io.BytesIO(new.pdf)) as pdf:
        assert pdf.docinfo["/Keywords"] == number
    again = records_page(signed)
    again.open("1")
    assert again.replaced_by == number
    again.open(number)
    assert again.replaces == "0001"
    with pytest.raises(BadInput) as refused:
        replaced(signed)
    assert refused.value.code == "ledger.replaced_already"


def test_the_sheet_prints_what_it_replaces_and_why(signed: Path) -> None:
    from labkit.sheet.content import content

    record = json.loads(json.dumps(ledger.find(signed, "1").record))
    assert "Replaces" not in [fact.label for fact in content(record, number="2", signed=True).facts]
    record["inputs"]["about"] |= {"replaces": "0001", "replaced_why": "wrong customer"}
    facts = {fact.label: fact.text for fact in content(record, number="2", signed=True).facts}
    assert facts["Replaces"] == "Certificate 0001: wrong customer"


def test_a_technician_who_took_the_draft_over_cannot_sign_it(signed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    draft = replaced(signed)
    ledger.take_over(signed, draft["id"], SIGNED_BY)
    page = new_page(signed, ledger.load_draft(signed, draft["id"]))
    assert [str(each) for each in blockers(page)] == [
        "This replaces certificate 0001: only an engineer or a manager signs it."
    ]
    monkeypatch.setattr(CalibratePage, "record", lambda page: page.result.to_dict())  # whatever the page shows
    with pytest.raises(Problem) as refused:
        page.sign("demo", signed_sheet)
    assert refused.value.code == "door.not_allowed"
    assert ledger.search(signed).total == 1


def test_a_shim_that_is_registered_otherwise_now_is_said(signed: Path) -> None:
    record = ledger.find(signed, "1").record
    assert replacing.changed_since(ledger.load_bench(signed), record) == []
    shim = demo_bench().shim_set("Brass set A")["A-4"]
    new = Shim.from_dict(shim.to_dict() | {"thickness_mm": 0.9990, "certificate": "DC-2027-A-4"})
    register_shims(signed, "Brass set A", [new], Actor(ENGINEER, "engineer", proven=True), "recertified")
    (caution,) = replacing.changed_since(ledger.load_bench(signed), record)
    assert (caution.params["shim"], caution.params["now_mm"]) == ("A-4", 0.9990)


def test_limits_that_are_not_alike_are_refused(signed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert replacing._half_width([-0.01, 0.01]) == 0.01 and replacing._half_width(None) is None
    for apart in ([-0.01, 0.02], [None, 0.01]):
        with pytest.raises(BadInput, match="two limits"):
            replacing._half_width(apart)


# ---- everything behind ----


def test_everything_behind_is_in_the_zip_and_the_index_names_every_file(signed: Path) -> None:
    shim = demo_bench().shim_set("Brass set A")["A-4"]
    pdf = small_sheet()
    register_shims(signed, "Brass set A", [shim], Actor(ENGINEER, "engineer", proven=True), "handed in", pdf)
    page = records_page(signed)
    page.open("1")
    name, content = page.behind()()
    assert name == "0001 and everything behind.zip"
    with zipfile.ZipFile(io.BytesIO(content)) as found:
        files = {each: found.read(each) for each in found.namelist()}
    index = unescape(files["index.html"].decode())
    entry = ledger.find(signed, "1")
    assert files["0001/0001 calibration certificate Rig 2.pdf"] == entry.pdf
    assert json.loads(files["0001/record.json"]) == entry.record
    assert files["0001/shims/Brass set A A-4 DC-2026-A-4.pdf"] == pdf
    readings = rows_of(files["0001/readings.csv"])
    assert [row["indication [mm]"] for row in readings] == [
        row["typed"] for row in entry.record["inputs"]["readings"]["rows"]
    ]
    registered = json.loads(files["0001/register/procedure LP-12.json"])
    assert registered["as it was registered"]["revision"] == "4" and registered["state of the register"] == 1
    people = {row["name"]: row for row in rows_of(files["0001/people.csv"])}
    assert people[ENGINEER]["role then"] == "engineer" and people[TECHNICIAN]["signed"] == "yes"
    whats = {row["what"] for row in rows_of(files["0001/ledger entries.csv"])}
    assert {"signed", "saved", "finished", "registered"} <= whats
    for path, held in files.items():
        assert path in ("index.html", "SHA256SUMS.txt") or (path in index and sha256(held) in index), path
    sums = dict(reversed(line.split("  ", 1)) for line in files["SHA256SUMS.txt"].decode().splitlines())  # type: ignore[misc]
    assert sums == {path: sha256(held) for path, held in files.items() if path != "SHA256SUMS.txt"}
    (authority,) = [held for path, held in files.items() if path.startswith("trust/")]
    assert verify(entry.pdf, [authority]).verdict == "genuine"
    chain = rows_of(files["0001/ledger entries.csv"])
    for row in chain:
        sealed = row.pop("hash")
        whole: dict[str, str | int] = {**row, "laboratory": open_store(signed).laboratory}
        whole |= {"seq": int(row["seq"]), "revision": int(row["revision"])}
        assert row_digest(whole) == sealed, "the seal is taken as the index says"
    assert str(whole["laboratory"]) in index and len(chain) > 10
    assert "The PDF of certificate DC-2026-A-2 of shim Brass set A/A-2 was not handed in." in index
    assert "certificate DC-2026-A-4 of shim Brass set A/A-4 was not" not in index
    assert "No certificate of T-3 is kept here" in index and "Nobody has approved it" in index
    assert "<script" not in index


def test_markup_in_names_stays_text_in_the_index(tmp_path: Path) -> None:
    keep(tmp_path, 1, rig='<img src=x onerror="alert(1)">')
    page = records_page(tmp_path)
    page.open("1")
    _, content = page.behind()()
    with zipfile.ZipFile(io.BytesIO(content)) as found:
        index = found.read("index.html").decode()
        assert all(".." not in name and not name.startswith("/") for name in found.namelist())
    assert "<img" not in index and "&lt;img src=x" in index
    assert "Nobody was registered in this ledger before" in index and "The record holds no readings." in index


# ---- what leans on what ----


def test_what_leaned_on_a_thing_is_listed(signed: Path) -> None:
    page = records_page(signed)
    assert "Brass set A/A-4" in page.names("shim") and "G-07" in page.names("gauge")
    page.ask_leaning("shim", "Brass set A/A-4")
    found, total = page.leaning
    assert ([each.number for each in found], total, found[0].said["certificate"]) == (["0001"], 1, "DC-2026-A-4")
    page.ask_leaning("shim", "Brass set B/B-3")
    assert page.leaning == ([], 0)
    page.ask_leaning("person", TECHNICIAN)
    assert page.leaned == ("", ""), "people are not what turns out wrong"
