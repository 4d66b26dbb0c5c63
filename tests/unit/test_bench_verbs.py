"""What the page Bench asks of the ledger: requests, approvals, notes, gauges in use, shims and their certificates."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from io import BytesIO
from pathlib import Path

import pikepdf
import pytest

from labkit import ledger
from labkit.bench.about import Party
from labkit.ledger import Actor, check, new_id, save_bench, save_draft, sign_and_keep
from labkit.ledger.demo import demo_bench
from labkit.problems import BadInput, Problem

TECHNICIAN = Actor("M. Okonjo", "technician")
COLLEAGUE = Actor("D. Abara", "technician", proven=True)
ENGINEER = Actor("R. Halloran", "engineer", proven=True)
UNPROVEN = Actor("R. Halloran", "engineer")


def a_pdf(**options: object) -> bytes:
    """A PDF of one empty page."""
    made = pikepdf.new()
    made.add_blank_page()
    out = BytesIO()
    made.save(out, **options)
    return out.getvalue()


PDF = a_pdf()


@pytest.fixture
def data(ledger_folder: Path) -> Path:
    save_bench(ledger_folder, demo_bench())
    return ledger_folder


def draft(data: Path, rig: str = "Rig 2", person: Actor = TECHNICIAN) -> str:
    made = {"id": new_id(), "page": "calibrate", "rig": rig, "person": person.name, "owner": person.name}
    save_draft(data, made)
    return str(made["id"])


def certificate(data: Path, about: str, who: Actor = TECHNICIAN) -> str:
    rig = {"name": "Rig 2", "gauge": {"name": "G-07"}}
    record = {"schema": "labkit.calibration/1", "id": about, "inputs": {"about": {"rig": rig}}}
    return sign_and_keep(data, record, lambda place: f"%PDF {place.number}".encode(), who).number


def code(caught: pytest.ExceptionInfo[Problem]) -> str:
    assert str(caught.value)
    return caught.value.code


# ---- asking and answering ----


def test_what_is_asked_waits_until_it_is_answered(data: Path) -> None:
    about = draft(data)
    asked = ledger.ask(data, about, TECHNICIAN, to="R. Halloran", says="conditional pass")
    (found,) = ledger.requests(data)
    assert (found, found.open, found.told) == (asked, True, False)
    ledger.send_back(data, asked.id, ENGINEER, "Read A-6 again.")
    (found,) = ledger.requests(data)
    assert (found.state, found.note, found.answered_by, found.told) == (
        "sent back", "Read A-6 again.", "R. Halloran", True,
    )  # fmt: skip
    ledger.seen(data, asked.id, TECHNICIAN)
    (found,) = ledger.requests(data)
    assert (found.state, found.told) == ("seen", False)
    assert check(data).whole


def test_one_thing_is_asked_once_at_a_time_and_again_after_the_answer(data: Path) -> None:
    about = draft(data)
    first = ledger.ask(data, about, TECHNICIAN)
    with pytest.raises(BadInput) as caught:
        ledger.ask(data, about, COLLEAGUE)
    assert code(caught) == "request.asked_already"
    with pytest.raises(Problem) as refused:
        ledger.withdraw_request(data, first.id, COLLEAGUE)
    assert code(refused) == "request.of_another"
    ledger.withdraw_request(data, first.id, TECHNICIAN)
    ledger.ask(data, about, COLLEAGUE)
    with pytest.raises(BadInput) as caught:
        ledger.send_back(data, first.id, ENGINEER, "late")
    assert code(caught) == "request.answered"


@pytest.mark.parametrize(
    ("who", "to", "expected"),
    [
        (Actor("Somebody"), "", "bench.unknown"),
        (TECHNICIAN, "D. Abara", "request.cannot_approve"),
        (TECHNICIAN, "Somebody", "request.cannot_approve"),
        (ENGINEER, "R. Halloran", "request.of_oneself"),
    ],
)
def test_who_asks_whom(data: Path, who: Actor, to: str, expected: str) -> None:
    with pytest.raises(BadInput) as caught:
        ledger.ask(data, draft(data), who, to=to)
    assert code(caught) == expected
    assert ledger.requests(data) == ()


def test_nothing_is_asked_about_what_is_not_there(data: Path) -> None:
    with pytest.raises(BadInput) as caught:
        ledger.ask(data, new_id(), TECHNICIAN)
    assert code(caught) == "draft.unknown"


def test_only_a_proven_engineer_answers_and_with_words(data: Path) -> None:
    asked = ledger.ask(data, draft(data), TECHNICIAN)
    for who, expected in ((UNPROVEN, "door.sign_in"), (COLLEAGUE, "door.not_allowed")):
        with pytest.raises(Problem) as refused:
            ledger.send_back(data, asked.id, who, "a note")
        assert code(refused) == expected
    with pytest.raises(BadInput) as caught:
        ledger.send_back(data, asked.id, ENGINEER, "  ")
    assert code(caught) == "request.no_note"
    assert ledger.requests(data)[0].open


def test_an_approval_is_an_entry_and_answers_the_request(data: Path) -> None:
    about = draft(data)
    with pytest.raises(BadInput) as caught:
        ledger.approve(data, about, ENGINEER)
    assert code(caught) == "request.not_signed"
    ledger.ask(data, about, TECHNICIAN)
    number = certificate(data, about)
    assert ledger.requests(data)[0].open, "who asked has signed: the approval is still to come"
    for who, expected in ((UNPROVEN, "door.sign_in"), (COLLEAGUE, "door.not_allowed")):
        with pytest.raises(Problem) as refused:
            ledger.approve(data, about, who)
        assert code(refused) == expected
    made = ledger.approve(data, about, ENGINEER, "seen")
    assert ledger.approval_of(data, about) == made
    assert (made.number, made.by, made.note) == (number, "R. Halloran", "seen")
    assert ledger.requests(data)[0].state == "approved"
    with pytest.raises(BadInput) as caught:
        ledger.approve(data, about, replace(ENGINEER, name="Another"))
    assert code(caught) == "request.approved_already"


def test_nobody_approves_what_they_signed(data: Path) -> None:
    about = draft(data, person=ENGINEER)
    certificate(data, about, ENGINEER)
    with pytest.raises(Problem) as refused:
        ledger.approve(data, about, ENGINEER)
    assert code(refused) == "request.own"
    assert ledger.approval_of(data, about) is None


def test_an_engineer_who_signs_what_was_asked_has_answered(data: Path) -> None:
    about = draft(data)
    ledger.ask(data, about, TECHNICIAN)
    certificate(data, about, COLLEAGUE)
    assert ledger.requests(data)[0].open, "a technician's signature answers nothing"
    other = draft(data)
    asked = ledger.ask(data, other, TECHNICIAN)
    certificate(data, other, ENGINEER)
    found = next(each for each in ledger.requests(data) if each.id == asked.id)
    assert (found.state, found.answered_by) == ("signed", "R. Halloran")


# ---- notes ----


def test_a_note_stands_until_it_is_struck_out(data: Path) -> None:
    note = ledger.write_note(data, "rig", "Rig 4", " The new tip came. ", ENGINEER)
    assert ledger.notes(data, "rig", "Rig 4") == (note,)
    assert (note.text, note.by) == ("The new tip came.", "R. Halloran")
    assert ledger.notes(data, "rig", "Rig 2") == ()
    ledger.strike_out(data, note.id, COLLEAGUE)
    assert ledger.notes(data) == ()
    with pytest.raises(Problem) as refused:
        ledger.write_note(data, "rig", "Rig 4", "a note", UNPROVEN)
    assert code(refused) == "door.sign_in"
    for text, expected in (("", "note.empty"), ("x" * 501, "note.long")):
        with pytest.raises(BadInput) as caught:
            ledger.write_note(data, "rig", "Rig 4", text, ENGINEER)
        assert code(caught) == expected


# ---- gauges in use ----


def test_a_gauge_is_never_live_in_two_rigs(data: Path) -> None:
    first, second = draft(data), draft(data, "Rig 5")
    ledger.claim(data, "G-07", "Rig 2", first, TECHNICIAN)
    with pytest.raises(Problem) as refused:
        ledger.claim(data, "G-07", "Rig 5", second, COLLEAGUE)
    assert code(refused) == "gauge.in_use"
    params = refused.value.params
    assert (params["gauge"], params["rig"], params["person"]) == ("G-07", "Rig 2", "M. Okonjo")
    ledger.claim(data, "G-11", "Rig 3", second, COLLEAGUE)
    assert {(each.gauge, each.rig) for each in ledger.live_gauges(data)} == {("G-07", "Rig 2"), ("G-11", "Rig 3")}


def test_claiming_again_writes_nothing(data: Path) -> None:
    first = draft(data)
    ledger.claim(data, "G-07", "Rig 2", first, TECHNICIAN)
    before = ledger.head(data)
    ledger.claim(data, "G-07", "Rig 2", first, TECHNICIAN)
    ledger.claim(data, "", "Rig 2", first, TECHNICIAN)
    assert ledger.head(data) == before


def test_signing_frees_a_gauge_once_no_other_draft_of_the_rig_has_it(data: Path) -> None:
    first, second = draft(data), draft(data)
    ledger.claim(data, "G-07", "Rig 2", first, TECHNICIAN)
    ledger.claim(data, "G-07", "Rig 2", second, COLLEAGUE)
    certificate(data, first)
    assert [each.drafts for each in ledger.live_gauges(data)] == [(second,)]
    ledger.let_go(data, second, COLLEAGUE)
    assert ledger.live_gauges(data) == ()
    ledger.claim(data, "G-07", "Rig 5", second, COLLEAGUE)


def test_a_person_frees_a_gauge_with_a_reason(data: Path) -> None:
    first = draft(data)
    ledger.claim(data, "G-07", "Rig 2", first, TECHNICIAN)
    with pytest.raises(BadInput) as caught:
        ledger.release(data, "G-07", COLLEAGUE, " ")
    assert code(caught) == "register.no_reason"
    ledger.release(data, "G-07", COLLEAGUE, "The page was left open overnight.")
    assert ledger.live_gauges(data) == ()
    assert [each.who for each in ledger.history_of(data, "live", "G-07")] == ["M. Okonjo", "D. Abara"]


# ---- shims and their certificates ----


def test_a_shim_is_recertified_and_its_certificates_stay(data: Path) -> None:
    shim = demo_bench().shim_set("Brass set A")["A-4"]
    ledger.set_aside(data, "Brass set A", "A-4", TECHNICIAN, "dropped")
    newer = replace(shim, thickness_mm=0.9991, certificate="DC-2027-A-4", due=date(2028, 3, 14))
    assert ledger.register_shims(data, "Brass set A", [newer], ENGINEER, "recertified after a fall", PDF) == 1
    bench = ledger.load_bench(data)
    assert bench.shim_set("Brass set A")["A-4"] == newer
    assert bench.shim_out_of_use("Brass set A", "A-4") is None
    last, aside, first = ledger.shim_certificates(data, "Brass set A", "A-4")
    assert [each.shim.certificate for each in (last, aside, first)] == ["DC-2027-A-4", "DC-2026-A-4", "DC-2026-A-4"]
    assert [each.state for each in (last, aside, first)] == ["in use", "set aside", "in use"]
    assert (last.why, last.who) == ("", "R. Halloran")
    assert ledger.kept_pdf(data, last.pdf_sha256) == PDF
    assert first.pdf_sha256 == ""
    assert check(data).whole


def test_a_new_value_needs_a_new_certificate_and_a_reason(data: Path) -> None:
    shim = demo_bench().shim_set("Brass set A")["A-4"]
    with pytest.raises(BadInput) as caught:
        ledger.register_shims(data, "Brass set A", [replace(shim, thickness_mm=0.9)], ENGINEER, "typed wrong")
    assert code(caught) == "shim.certificate_twice"
    with pytest.raises(BadInput) as caught:
        ledger.register_shims(data, "Brass set A", [replace(shim, thickness_mm=0.9, certificate="DC-2")], ENGINEER)
    assert code(caught) == "register.no_reason"
    assert ledger.load_bench(data).shim_set("Brass set A") == demo_bench().shim_set("Brass set A")


def test_a_set_is_registered_whole_or_not_at_all(data: Path) -> None:
    shims = [replace(each, set_name="Steel set D") for each in demo_bench().shim_set("Check set C")]
    assert ledger.register_shims(data, "Steel set D", shims, ENGINEER) == 3
    assert tuple(ledger.load_bench(data).shim_set("Steel set D")) == tuple(shims)
    assert ledger.register_shims(data, "Steel set D", shims, ENGINEER) == 0
    broken = [replace(shims[0], certificate="new"), replace(shims[1], thickness_mm=9.0)]
    with pytest.raises(BadInput):
        ledger.register_shims(data, "Steel set D", broken, ENGINEER, "recertified")
    assert tuple(ledger.load_bench(data).shim_set("Steel set D")) == tuple(shims)
    for who, expected in ((UNPROVEN, "door.sign_in"), (COLLEAGUE, "door.not_allowed")):
        with pytest.raises(Problem) as refused:
            ledger.register_shims(data, "Steel set E", shims, who)
        assert code(refused) == expected


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"<html>not found</html>", "shim.not_a_pdf"),
        (PDF[: len(PDF) // 4], "shim.not_a_pdf"),
        (a_pdf(encryption=pikepdf.Encryption(owner="a", user="b")), "shim.not_a_pdf"),
        (b"%PDF-1.7" + bytes(10_000_000), "shim.pdf_too_large"),
    ],
)
def test_what_is_no_pdf_is_not_kept(data: Path, content: bytes, expected: str) -> None:
    with pytest.raises(BadInput) as caught:
        ledger.register_shims(data, "Brass set D", [], ENGINEER, "", content)
    assert code(caught) == expected


# ---- due, and who may register ----


def test_the_calibration_in_force_of_each_rig(data: Path) -> None:
    assert ledger.last_calibrations(data) == {}
    certificate(data, draft(data))
    number = certificate(data, draft(data))
    (found,) = ledger.last_calibrations(data).values()
    assert (found.rig, found.number, found.signer) == ("Rig 2", number, "M. Okonjo")


def test_somebody_who_may_register_is_left(data: Path) -> None:
    ledger.withdraw(data, "person", "E. Marsh", Actor("E. Marsh", "manager", proven=True), "left the laboratory")
    with pytest.raises(BadInput) as caught:
        ledger.withdraw(data, "person", "R. Halloran", ENGINEER, "left the laboratory")
    assert code(caught) == "register.last_one"
    demoted = {"name": "R. Halloran", "role": "technician", "identity": "", "account": ""}
    with pytest.raises(BadInput) as caught:
        ledger.register(data, "person", "R. Halloran", demoted, ENGINEER, "another post")
    assert code(caught) == "register.last_one"
    ledger.register(data, "person", "K. Doyle", {**demoted, "name": "K. Doyle", "role": "manager"}, ENGINEER)
    manager = Actor("K. Doyle", "manager", proven=True)
    with pytest.raises(Problem) as refused:
        ledger.withdraw(data, "person", "R. Halloran", ENGINEER, "left the laboratory")
    assert code(refused) == "door.not_allowed", "there is a manager now"
    ledger.withdraw(data, "person", "R. Halloran", manager, "left the laboratory")
    with pytest.raises(Problem) as refused:
        ledger.put_back(data, "person", "R. Halloran", ENGINEER, "came back")
    assert code(refused) == "door.not_allowed"


def test_until_there_is_an_engineer_anybody_registers(ledger_folder: Path) -> None:
    nobody = Actor("")
    ledger.register(ledger_folder, "laboratory", "laboratory", {"party": {"name": "Example"}}, nobody)
    ledger.register(
        ledger_folder, "person", "A", {"name": "A", "role": "technician", "identity": "", "account": ""}, nobody
    )
    ledger.register(
        ledger_folder, "person", "B", {"name": "B", "role": "engineer", "identity": "", "account": ""}, nobody
    )
    assert ledger.load_bench(ledger_folder).laboratory == Party("Example")
    with pytest.raises(Problem) as refused:
        ledger.register(ledger_folder, "procedure", "LP-1", {"name": "LP-1", "revision": "1"}, nobody)
    assert code(refused) == "door.sign_in"


# ---- drafts that are put away ----


def test_a_draft_is_put_away_with_a_reason_and_taken_out_again(data: Path) -> None:
    about = draft(data, person=COLLEAGUE)
    ledger.claim(data, "G-07", "Rig 2", about, COLLEAGUE)
    for who, expected in ((Actor("D. Abara"), "door.sign_in"), (replace(TECHNICIAN, proven=True), "draft.of_another")):
        with pytest.raises(Problem) as refused:
            ledger.put_away(data, about, who, "begun twice")
        assert code(refused) == expected
    with pytest.raises(BadInput) as caught:
        ledger.put_away(data, about, COLLEAGUE, " ")
    assert code(caught) == "register.no_reason"
    assert ledger.away_drafts(data) == {} and len(ledger.live_gauges(data)) == 1
    ledger.put_away(data, about, COLLEAGUE, "begun twice")
    found = ledger.away_drafts(data)[about]
    assert (found.why, found.by) == ("begun twice", "D. Abara")
    assert ledger.live_gauges(data) == ()
    ledger.take_out(data, about, ENGINEER)
    assert ledger.away_drafts(data) == {}
    number = certificate(data, about, COLLEAGUE)
    with pytest.raises(BadInput, match=number):
        ledger.put_away(data, about, COLLEAGUE, "too late")
    assert check(data).whole
