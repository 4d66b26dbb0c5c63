"""The page Bench without its looks: what waits, what is due, what is unfinished, and who has signed in."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest

from labkit import ledger
from labkit.bench.dates import months_after
from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.ledger import Actor, Bench, LastCalibration, LastCheck, new_id, save_bench, save_draft, sign_and_keep
from labkit.ledger.demo import demo_bench
from labkit.ledger.store import open_store
from labkit.panels.bench.page import marks
from labkit.panels.bench.section_due import _row
from labkit.panels.bench.section_waiting import lead
from labkit.panels.bench.tables import rows_of
from labkit.panels.bench.timeline import timeline
from labkit.problems import BadInput, Problem, Reason
from labkit.sheet.identity import make_authority, make_signer
from labkit.workflow import bench_due
from labkit.workflow.bench import BenchPage, approvers
from labkit.workflow.bench_drafts import standing_of
from labkit.workflow.bench_due import Due, due
from labkit.workflow.ledger_page import SIGNED_OUT_AFTER_S
from labkit.workflow.worker import Worker
from tests.calibrate_pages import Later, begun_page, demo_folder, finished_page, read_curve

START = "2026-11-25T10:40:00Z"
TECHNICIAN = Actor("M. Okonjo", "technician")


class Watch:
    """A clock that goes on when the test says so."""

    def __init__(self) -> None:
        self.now = datetime.fromisoformat(START)

    def __call__(self) -> str:
        return self.now.strftime("%Y-%m-%dT%H:%M:%SZ")

    def goes_on(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)


@pytest.fixture(scope="module")
def signing_files() -> dict[str, bytes]:
    authority = make_authority("Larkfield Closures")
    return {name: make_signer(name, authority, DEMO_PASSPHRASE) for name in ("R. Halloran", "M. Okonjo")}


@pytest.fixture
def data(tmp_path: Path, signing_files: dict[str, bytes]) -> Path:
    demo_folder(tmp_path)
    for name, content in signing_files.items():
        (tmp_path / "identities" / demo_bench().person(name).identity).write_bytes(content)
    return tmp_path


@pytest.fixture
def watch() -> Watch:
    return Watch()


def opened(data: Path, watch: Watch, worker: Worker | None = None) -> BenchPage:
    page = BenchPage(data, worker=worker or Worker(inline=True), now=watch)
    page.begin()
    return page


def draft(data: Path, **more: object) -> str:
    made = {"id": new_id(), "page": "calibrate", "rig": "Rig 2", "person": "M. Okonjo", "owner": "M. Okonjo"} | more
    save_draft(data, made, Actor(str(made["owner"])))
    return str(made["id"])


def certificate(data: Path, about: str, who: Actor = TECHNICIAN) -> str:
    record = {"schema": "labkit.calibration/1", "id": about, "inputs": {"about": {"rig": {"name": "Rig 2"}}}}
    return sign_and_keep(data, record, lambda place: b"%PDF", who).number


# ---- who ----


def test_whoever_signs_in_is_shown_by_their_passphrase(data: Path, watch: Watch) -> None:
    page = opened(data, watch)
    assert not page.who.proven and not page.may("approve")
    with pytest.raises(BadInput) as caught:
        page.sign_in("R. Halloran", "wrong")
    assert caught.value.code == "sign.wrong_passphrase"
    assert not page.who.proven
    page.sign_in("R. Halloran", DEMO_PASSPHRASE)
    assert page.who == Actor("R. Halloran", "engineer", proven=True)
    page.sign_out()
    assert not page.who.proven


def test_ten_minutes_without_use_sign_out(data: Path, watch: Watch) -> None:
    page = opened(data, watch)
    page.sign_in("R. Halloran", DEMO_PASSPHRASE)
    watch.goes_on(SIGNED_OUT_AFTER_S - 1)
    page.use()
    watch.goes_on(SIGNED_OUT_AFTER_S - 1)
    assert page.who.proven
    watch.goes_on(2)
    before = page.version
    page.tick()
    assert not page.who.proven and page.version > before
    with pytest.raises(Problem) as refused:
        page.write_note("rig", "Rig 4", "a note")
    assert refused.value.code == "door.sign_in"


def test_a_clock_that_is_set_back_signs_out(data: Path, watch: Watch) -> None:
    page = opened(data, watch)
    page.sign_in("R. Halloran", DEMO_PASSPHRASE)
    watch.goes_on(-5)
    assert not page.who.proven


def test_somebody_who_was_withdrawn_meanwhile_is_nobody(data: Path, watch: Watch) -> None:
    page = opened(data, watch)
    page.sign_in("M. Okonjo", DEMO_PASSPHRASE)
    ledger.withdraw(data, "person", "M. Okonjo", Actor("E. Marsh", "manager", proven=True), "left")
    page.tick()
    assert page.who == Actor("")


def test_whom_the_hub_has_let_in_is_signed_in_and_stays(
    data: Path, watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("JUPYTERHUB_USER", "halloran")
    bench = demo_bench()
    people = tuple(replace(each, account="halloran") if each.role == "engineer" else each for each in bench.people)
    ledger.save_bench(data, replace(bench, people=people))
    page = opened(data, watch)
    watch.goes_on(10 * SIGNED_OUT_AFTER_S)
    page.sign_out()
    assert page.who == Actor("R. Halloran", "engineer", proven=True)


# ---- waiting ----


def test_what_waits_is_seen_by_who_may_approve_it(data: Path, watch: Watch) -> None:
    about = draft(data)
    ledger.ask(data, about, TECHNICIAN, says="conditional pass")
    other = draft(data)
    ledger.ask(data, other, TECHNICIAN, to="R. Halloran")
    page = opened(data, watch)
    assert (page.to_approve, page.waiting_for_others) == ((), 2)
    page.sign_in("M. Okonjo", DEMO_PASSPHRASE)
    assert page.to_approve == ()
    page.sign_in("R. Halloran", DEMO_PASSPHRASE)
    assert {each.about.id for each in page.to_approve} == {about, other}


def test_an_answer_reaches_who_asked_at_once(data: Path, watch: Watch) -> None:
    about = draft(data)
    ledger.ask(data, about, TECHNICIAN)
    number = certificate(data, about)
    engineer, technician = opened(data, watch), opened(data, watch)
    engineer.sign_in("R. Halloran", DEMO_PASSPHRASE)
    technician.sign_in("M. Okonjo", DEMO_PASSPHRASE)
    assert technician.answers == ()
    (waiting,) = engineer.to_approve
    assert (waiting.about.number, waiting.about.signer) == (number, "M. Okonjo")
    engineer.approve(waiting, "read")
    assert engineer.to_approve == ()
    technician.tick()
    (answer,) = technician.answers
    assert (answer.request.state, answer.request.note) == ("approved", "read")
    technician.seen(answer)
    assert technician.answers == ()


def test_who_may_be_asked() -> None:
    assert approvers(demo_bench()) == ["R. Halloran", "E. Marsh"]
    assert approvers(demo_bench(), but="R. Halloran") == ["E. Marsh"]


# ---- what is unfinished ----


def test_a_draft_stands_where_something_is_left(data: Path) -> None:
    page = begun_page(data)
    assert standing_of(page.get_state()).left == ("as found", "no readings yet", "check shims")
    read_curve(page)
    standing = standing_of(page.get_state())
    assert (standing.section, standing.title, standing.left) == (2, "As found", ("as found", "check shims"))
    page.set_field("as_found_reason", "new probe")
    page.read_shim("A-5")
    standing = standing_of(page.get_state())
    assert (standing.section, standing.left) == (3, ("A-5", "check shims"))
    page.set_field("temperature", "")
    assert standing_of(page.get_state()).section == 1


def test_a_finished_draft_waits_for_its_signature(tmp_path: Path) -> None:
    standing = standing_of(finished_page(tmp_path).get_state())
    assert (standing.section, standing.title) == (7, "Sheet")


@pytest.mark.parametrize("draft", [{}, {"page": "other"}, {"page": "calibrate", "work": 3}, {"page": "calibrate"}])
def test_a_draft_of_any_form_is_listed(draft: dict[str, object]) -> None:
    assert isinstance(standing_of(draft).left, tuple)


def test_only_what_was_saved_since_is_read_again(data: Path, watch: Watch, monkeypatch: pytest.MonkeyPatch) -> None:
    first = draft(data)
    read: list[list[str]] = []

    def counting(data: Path, ids: list[str]) -> dict[str, dict[str, object]]:
        read.append(list(ids))
        return load(data, ids)

    load = ledger.draft_bodies
    monkeypatch.setattr(ledger, "draft_bodies", counting)
    page = opened(data, watch)
    second = draft(data)
    page.tick()
    assert read == [[first], [second]]
    assert [each.line.id for each in page.unfinished] == [second, first]
    page.tick()
    assert len(read) == 2, "nothing was written since"


def test_a_colleagues_draft_is_taken_over_by_who_has_signed_in(data: Path, watch: Watch) -> None:
    about = draft(data, person="D. Abara", owner="D. Abara")
    page = opened(data, watch)
    with pytest.raises(Problem) as refused:
        page.take_over(about)
    assert refused.value.code == "door.sign_in"
    page.sign_in("M. Okonjo", DEMO_PASSPHRASE)
    page.take_over(about)
    assert [each.line.owner for each in page.unfinished] == ["M. Okonjo"]


def test_clocks_run_for_rigs_that_were_switched_on_today(data: Path, watch: Watch) -> None:
    def with_clock(on: str, begun: str, rig: str) -> None:
        draft(data, begun=begun, rig=rig, work={"fields": {"rig": rig, "switched_on": on, "needs_min": "30"}})

    with_clock("09:17", "2026-11-25T09:20:00Z", "Rig 2")
    with_clock("10:28", "2026-11-25T10:30:00Z", "Rig 3")
    with_clock("10:28", "2026-11-24T10:30:00Z", "Rig 4")
    with_clock("half past", "2026-11-25T10:30:00Z", "Rig 5")
    page = opened(data, watch)
    assert [(each.rig, each.warm) for each in page.warm_ups] == [
        ("Rig 3", "2026-11-25T10:58:00Z"),
        ("Rig 2", "2026-11-25T09:47:00Z"),
    ]
    assert [each.minutes_on(page.now) for each in page.warm_ups] == [12, 83]


# ---- what is due ----


def last(rig: str, signed: str) -> dict[str, LastCalibration]:
    return {rig: LastCalibration(rig, "0097", new_id(), "M. Okonjo", "pass", "2.1", signed)}


def of_rigs(found: tuple[Due, ...]) -> list[Due]:
    return [each for each in found if each.kind == "rig"]


def test_a_calibration_is_due_after_the_interval_of_its_rig() -> None:
    bench = demo_bench()
    (found,) = of_rigs(due(bench, last("Rig 2", "2026-05-31T23:30:00Z"), (), date(2026, 11, 30)))
    assert found.on == date(2026, 12, 1), "it was June already where the laboratory is"
    assert (found.state, found.what) == ("in date", "G-07, probe P2, narrow tip, ball 1.5 mm")
    for day, state in ((date(2026, 12, 1), "today"), (date(2026, 12, 2), "overdue")):
        assert of_rigs(due(bench, last("Rig 2", "2026-05-31T23:30:00Z"), (), day))[0].state == state
    without = replace(bench, rigs=tuple(replace(rig, interval_months=None) for rig in bench.rigs))
    assert of_rigs(due(without, last("Rig 2", "2026-05-31T23:30:00Z"), (), date(2026, 11, 30))) == []
    assert bench_due.without_interval(without) == ["Rig 2", "Rig 3", "Rig 4", "Rig 5"]
    assert bench_due.never_calibrated(bench, last("Rig 2", START)) == ["Rig 3", "Rig 4", "Rig 5"]


def test_a_rig_whose_calibration_was_begun_says_so_unless_it_is_late() -> None:
    begun = ledger.DraftLine("id", "calibrate", "Rig 2", "M. Okonjo", "M. Okonjo", START)
    found = of_rigs(due(demo_bench(), last("Rig 2", "2026-06-02T09:00:00Z"), (begun,), date(2026, 11, 25)))
    assert [(each.state, each.draft) for each in found] == [("begun", "id")]
    found = of_rigs(due(demo_bench(), last("Rig 2", "2026-05-02T09:00:00Z"), (begun,), date(2026, 11, 25)))
    assert [(each.state, each.draft) for each in found] == [("overdue", "id")]


@pytest.mark.parametrize(
    ("outcome", "state", "button"),
    [
        ("fit to measure", "in date", "Check"),
        ("today only", "today only", "Calibrate"),
        ("check again", "check again", "Check"),
        ("calibrate fully", "calibrate fully", "Calibrate"),
    ],
)
def test_what_the_last_check_says_is_due(outcome: str, state: str, button: str) -> None:
    day, zone = date(2026, 11, 25), "Europe/London"
    checks = {"Rig 2": LastCheck("Rig 2", "0097-03", outcome, "2026-11-24T07:12:00Z")}
    calibrated = last("Rig 2", "2026-06-02T09:00:00Z")
    (found,) = of_rigs(due(demo_bench(), calibrated, (), day, checks))
    assert found.state == state and (outcome == "fit to measure" or outcome in str(found.why))
    assert found.on == (day if outcome in ("check again", "calibrate fully") else date(2026, 12, 2))
    assert [each.label for each in _row(found, day, zone).buttons] == [button]
    another = {"Rig 2": replace(checks["Rig 2"], number="0090-01")}
    (found,) = of_rigs(due(demo_bench(), calibrated, (), day, another))
    assert (found.state, found.checked) == ("in date", ""), "that was another calibration"
    assert [each.label for each in _row(found, day, zone).buttons] == ["Check"]
    begun = ledger.DraftLine("id", "calibrate", "Rig 2", "M. Okonjo", "M. Okonjo", START)
    (found,) = of_rigs(due(demo_bench(), calibrated, (begun,), day, checks))
    assert found.state == ("check again" if outcome == "check again" else "begun")


def test_a_rig_that_was_checked_today_asks_nothing() -> None:
    day, zone = date(2026, 11, 25), "Europe/London"
    checks = {"Rig 2": LastCheck("Rig 2", "0097-03", "fit to measure", "2026-11-25T07:12:00Z")}
    (found,) = of_rigs(due(demo_bench(), last("Rig 2", "2026-06-02T09:00:00Z"), (), day, checks))
    row = _row(found, day, zone)
    assert (row.cells[-1].small, [each.label for each in row.buttons]) == ("checked 07:12", ["Open"])


def test_the_last_check_of_each_rig_is_found(ledger_folder: Path) -> None:
    save_bench(ledger_folder, demo_bench())
    for rig, outcomes in (("Rig 2", ("check again", "calibrate fully")), ("Rig 3", ("fit to measure",))):
        about = {"about": {"rig": {"name": rig}}}
        record = {"schema": "labkit.calibration/1", "id": new_id(), "inputs": about}
        number = sign_and_keep(ledger_folder, record, lambda _: b"%PDF", TECHNICIAN).number
        for outcome in outcomes:
            inputs = about | {"calibration": {"number": number, "record": record}}
            check = {"schema": "labkit.check/1", "id": new_id(), "inputs": inputs, "results": {"verdict": outcome}}
            sign_and_keep(ledger_folder, check, lambda place: place.number.encode(), TECHNICIAN)
    found = ledger.last_checks(ledger_folder)
    assert {rig: (each.number, each.outcome, each.certificate) for rig, each in found.items()} == {
        "Rig 2": ("0001-02", "calibrate fully", "0001"), "Rig 3": ("0002-01", "fit to measure", "0002"),
    }  # fmt: skip
    page = BenchPage(ledger_folder, worker=Worker(inline=True))
    page.begin()
    assert marks(page)[2][0] == "stop"
    states = {row.id: row.cells[-1].text for row in rows_of("rig", page)}
    assert (states["Rig 2"], states["Rig 3"]) == ("Calibrate fully", "In date")


def test_shims_are_due_by_their_certificates_except_those_out_of_use() -> None:
    bench = demo_bench()
    out = ledger.NotInUse("shim", "Brass set B/B-3", "set aside")
    found = {each.name: each for each in due(replace(bench, not_in_use=(out,)), {}, (), date(2026, 11, 25))}
    assert (found["Brass set B"].what, found["Brass set B"].state) == ("4 shims", "overdue")
    assert (found["Brass set A"].what, found["Brass set A"].on) == ("10 shims", date(2027, 3, 14))
    assert (found["Check set C"].what, found["T-3"].on) == ("C-1, C-2, C-3", date(2027, 2, 6))


@pytest.mark.parametrize(
    ("start", "months", "expected"),
    [
        (date(2026, 8, 31), 6, date(2027, 2, 28)),
        (date(2027, 8, 31), 6, date(2028, 2, 29)),
        (date(2026, 11, 25), 12, date(2027, 11, 25)),
        (date(2026, 12, 31), 2, date(2027, 2, 28)),
    ],
)
def test_months_end_where_the_month_does(start: date, months: int, expected: date) -> None:
    assert months_after(start, months) == expected


def test_the_line_of_twelve_months_draws_what_lies_in_it() -> None:
    day = date(2026, 11, 25)

    def at(on: date, name: str = "Rig 1", state: bench_due.State = "in date") -> Due:
        return Due("rig", name, "", on, Reason("due.shims"), state)

    assert timeline([], day) == timeline([at(date(2027, 11, 1))], day) == ""
    drawn = timeline([at(date(2026, 3, 1), "<b>", "overdue"), at(date(2027, 10, 31), "Rig 2")], day)
    assert "&lt;b&gt;" in drawn and "<b>" not in drawn
    assert len(re.findall(r'class="ax" d=', drawn)) == 12
    assert "Nov 2026" in drawn and "Jan 2027" in drawn
    crowd = timeline([at(date(2027, 1, day), f"Rig number {day}") for day in range(1, 28)], day)
    places = [(float(x), float(y)) for x, y in re.findall(r'class="halo" x="([\d.]+)" y="([\d.]+)"', crowd)]
    for x, y in places:
        assert [other for other in places if other != (x, y) and other[1] == y and abs(other[0] - x) < 90] == []


# ---- the ledger ----


def test_the_chain_is_walked_in_the_worker_and_said_when_it_is_known(data: Path, watch: Watch) -> None:
    worker = Later()
    page = opened(data, watch, worker)
    assert page.checking and page.chain is None
    worker.catch_up()
    assert not page.checking
    assert page.chain is not None and page.chain.whole and page.chain.head == page.head
    draft(data)
    page.tick()
    assert page.chain.head != page.head


def test_a_broken_chain_is_said(data: Path, watch: Watch) -> None:
    with open_store(data).engine.connect().execution_options(labkit_writes=True) as connection, connection.begin():
        connection.exec_driver_sql("UPDATE entry SET who = 'somebody' WHERE seq = 3")
    page = opened(data, watch)
    assert page.chain is not None
    assert [fault.code for fault in page.chain.faults] == ["chain.altered"]


def test_a_ledger_that_cannot_be_read_leaves_an_empty_page(data: Path, watch: Watch) -> None:
    page = opened(data, watch)
    (data / "ledger.toml").write_text("nonsense")
    (data / "ledger.toml").chmod(0o600)
    page.refresh()
    assert page.problem is not None and page.problem.code == "ledger.settings"
    assert page.bench == Bench()
    (data / "ledger.toml").unlink()
    page.tick()
    assert page.problem is None and page.bench == demo_bench()


def test_two_hundred_drafts_are_listed_quickly(data: Path, watch: Watch) -> None:
    """Not a benchmark: a list that computed curves would take minutes."""
    state = begun_page(data)
    read_curve(state)
    body = json.dumps(state.get_state())
    for _ in range(200):
        save_draft(data, json.loads(body) | {"id": new_id(), "revision": 0})
    begun = datetime.now()
    page = opened(data, watch)
    assert len(page.unfinished) == 201
    assert (datetime.now() - begun).total_seconds() < 20


def test_a_draft_that_is_put_away_leaves_the_list_and_its_clock(data: Path, watch: Watch) -> None:
    fields = {"rig": "Rig 2", "switched_on": "10:28", "needs_min": "30"}
    about = draft(data, begun="2026-11-25T10:30:00Z", work={"fields": fields})
    page = opened(data, watch)
    page.sign_in("M. Okonjo", DEMO_PASSPHRASE)
    assert len(page.unfinished) == len(page.warm_ups) == 1
    page.put_away(about, "begun twice")
    assert (page.unfinished, page.warm_ups) == ((), ())
    assert [each.away.why for each in page.away if each.away is not None] == ["begun twice"]
    page.take_out(about)
    assert len(page.unfinished) == 1 and page.away == ()


def test_a_request_is_said_to_whoever_has_not_signed_in(data: Path, watch: Watch) -> None:
    first, second = draft(data), draft(data, rig="Rig 3")
    page = opened(data, watch)
    assert marks(page)[1] == ("ok", "Nothing waits")
    ledger.ask(data, first, TECHNICIAN, to="R. Halloran")
    page.refresh()
    assert (marks(page)[1], lead(page)) == (
        ("part", "1 waiting"),
        "One sheet waits for an approval. Sign in to see whether it waits for you.",
    )
    ledger.ask(data, second, TECHNICIAN)
    page.refresh()
    assert marks(page)[1] == ("part", "2 waiting") and lead(page).startswith("2 sheets wait")
    page.sign_in("M. Okonjo", DEMO_PASSPHRASE)
    assert (marks(page)[1], lead(page)) == (("ok", "Nothing waits"), "Nothing waits for you.")


def test_a_calibration_that_was_begun_another_day_says_the_day() -> None:
    on, zone = date(2026, 11, 28), "Europe/London"
    begun = Due("rig", "Rig 2", "", date(2027, 5, 1), Reason("due.shims"), "begun", "id", "2026-11-25T09:48:00Z")
    assert _row(begun, on, zone).cells[-1].text == "Begun 25 Nov"
    assert _row(replace(begun, since="2026-11-28T07:05:00Z"), on, zone).cells[-1].text == "Begun 07:05"
