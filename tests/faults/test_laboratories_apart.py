"""Two laboratories on one server: neither sees, finds, changes or hands out anything of the other's."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from labkit import ledger
from labkit.ledger import Actor, InstrumentCertificate, new_id, save_bench, save_draft
from labkit.ledger.behind import behind
from labkit.ledger.checks import checks_of
from labkit.ledger.demo import demo_bench
from labkit.ledger.leaning import leaning_on
from labkit.ledger.search import known_pdf
from labkit.ledger.standing import standings
from labkit.ledger.store import open_store
from labkit.problems import Problem
from tests.ledgers import RIG, WHO, rows, sign
from tests.postgres import Server
from tests.sheets import small_sheet

ENGINEER = Actor("R. Halloran", "engineer", proven=True)


@pytest.fixture
def two(tmp_path: Path, postgres: Server) -> tuple[Path, Path, dict[str, str]]:
    """One with something of everything, one with its bench alone; and the names of what the first one has."""
    theirs, mine = postgres.settings(tmp_path / "theirs"), postgres.settings(tmp_path / "mine")
    for data in (theirs, mine):
        save_bench(data, demo_bench())
    names = {"number": sign(theirs, 1), "draft": new_id()}
    names["result"] = ledger.find(theirs, names["number"]).id
    save_draft(theirs, {"id": names["draft"], "page": "calibrate", "rig": "Rig 2", "owner": WHO.name}, WHO)
    names["request"] = ledger.ask(theirs, names["draft"], WHO).id
    ledger.claim(theirs, RIG["gauge"]["name"], "Rig 2", names["draft"], WHO)  # type: ignore[index]
    names["note"] = ledger.write_note(theirs, "rig", "Rig 2", "The cable is short.", ENGINEER).id
    found = InstrumentCertificate("T-3", "TC-1", "2027-02-06")
    ledger.certify(theirs, found, ENGINEER, "handed in", small_sheet())
    names["pdf"] = ledger.instrument_certificates(theirs)[0].sha256
    ledger.set_aside(theirs, "Brass set A", "A-4", WHO, "dropped")
    away = new_id()
    save_draft(theirs, {"id": away, "page": "calibrate", "rig": "Rig 5", "owner": WHO.name}, WHO)
    ledger.put_away(theirs, away, WHO, "begun by mistake")
    return theirs, mine, names


def test_nothing_of_the_other_is_listed(two: tuple[Path, Path, dict[str, str]]) -> None:
    _, mine, names = two
    assert ledger.search(mine).total == 0 and ledger.list_drafts(mine) == ()
    assert ledger.requests(mine) == () and ledger.notes(mine) == () and ledger.live_gauges(mine) == ()
    assert ledger.away_drafts(mine) == {} and ledger.instrument_certificates(mine) == ()
    assert ledger.in_force(mine, "Rig 2") is None and ledger.last_calibrations(mine) == {}
    assert checks_of(mine, "Rig 2") == () and leaning_on(mine, "shim", "Brass set A/A-3") == ([], 0)
    assert ledger.load_bench(mine).not_in_use == () and ledger.draft_bodies(mine, [names["draft"]]) == {}
    assert (
        not standings(mine, [names["result"]]) or standings(mine, [names["result"]])[names["result"]].approved is None
    )
    assert ledger.approval_of(mine, names["result"]) is None and ledger.request_about(mine, names["draft"]) is None


def test_a_file_of_the_other_is_not_known_here(two: tuple[Path, Path, dict[str, str]]) -> None:
    theirs, mine, names = two
    pdf = ledger.find(theirs, names["number"]).pdf
    assert known_pdf(theirs, pdf) is not None and known_pdf(mine, pdf) is None


ASKED: dict[str, Callable[[Path, dict[str, str]], Any]] = {
    "a draft is opened": lambda mine, names: ledger.load_draft(mine, names["draft"]),
    "a draft is taken over": lambda mine, names: ledger.take_over(mine, names["draft"], WHO),
    "a draft is put away": lambda mine, names: ledger.put_away(mine, names["draft"], ENGINEER, "not ours"),
    "a draft is asked about": lambda mine, names: ledger.ask(mine, names["draft"], WHO),
    "a certificate is found by number": lambda mine, names: ledger.find(mine, names["number"]),
    "a certificate is found by id": lambda mine, names: ledger.find(mine, names["result"]),
    "everything behind it is asked for": lambda mine, names: behind(mine, names["result"]),
    "a certificate is approved": lambda mine, names: ledger.approve(mine, names["result"], ENGINEER),
    "a request is answered": lambda mine, names: ledger.send_back(mine, names["request"], ENGINEER, "no"),
    "a PDF is taken": lambda mine, names: ledger.kept_pdf(mine, names["pdf"]),
}


def test_what_is_the_other_s_is_not_there(two: tuple[Path, Path, dict[str, str]]) -> None:
    theirs, mine, names = two
    before = rows(theirs)
    for what, verb in ASKED.items():
        with pytest.raises(Problem) as refused:
            verb(mine, names)
        assert not refused.value.code.startswith("door."), f"{what}: the person may, but nothing is there"
    ledger.strike_out(mine, names["note"], ENGINEER)  # what is not there need not be struck out
    assert rows(theirs) == before


def test_a_draft_of_the_same_id_is_one_s_own(two: tuple[Path, Path, dict[str, str]]) -> None:
    theirs, mine, names = two
    save_draft(mine, {"id": names["draft"], "page": "check", "rig": "Rig 3", "owner": "D. Abara"}, Actor("D. Abara"))
    assert ledger.load_draft(theirs, names["draft"])["rig"] == "Rig 2"
    assert ledger.load_draft(mine, names["draft"])["rig"] == "Rig 3"
    assert open_store(theirs).laboratory != open_store(mine).laboratory
    assert ledger.check(theirs).whole and ledger.check(mine).whole
