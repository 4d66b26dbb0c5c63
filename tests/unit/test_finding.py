"""Finding signed results, what leans on what, and everything behind a result."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa

from labkit.bench.shims import Shim
from labkit.ledger import (
    Actor,
    approve,
    ask,
    chain,
    find,
    in_force,
    last_calibrations,
    new_id,
    register_shims,
    save_bench,
    save_draft,
    sign_and_keep,
)
from labkit.ledger.behind import behind
from labkit.ledger.demo import demo_bench
from labkit.ledger.leaning import leaning_on
from labkit.ledger.search import Wanted, known_pdf, search
from labkit.ledger.store import open_store
from labkit.problems import BadInput
from tests.postgres import Server
from tests.sheets import small_sheet

OKONJO = Actor("M. Okonjo", "technician", proven=True)
ENGINEER = Actor("R. Halloran", "engineer", proven=True)


def record(rig: str = "Rig 2", gauge: str = "G-07", shim: str = "A-4", verdict: str = "pass") -> dict[str, object]:
    about = {
        "rig": {"name": rig, "gauge": {"name": gauge}, "target": {"name": "Ball 1.5", "kind": "ball 1.5 mm"}},
        "operator": "M. Okonjo",
        "instruments": [{"name": "T-3", "kind": "thermometer"}],
        "procedure": "LP-12",
        "revision": "4",
    }
    shims = [{"name": shim, "set_name": "Brass set A", "certificate": f"DC-2026-{shim}"}]
    readings = {"rows": [{"shims": [shim], "operator": "M. Okonjo"}], "shims": {"shims": shims}}
    return {
        "schema": "labkit.calibration/1",
        "id": new_id(),
        "inputs": {"about": about, "readings": readings},
        "results": {"verdict": verdict},
        "printed": {"largest_U": "1.4 µm"},
    }


def sign(data: Path, found: dict[str, object], who: Actor = OKONJO, **more: str) -> str:
    return sign_and_keep(data, found, lambda place: f"%PDF {place.number}".encode(), who, **more).number


def numbers(data: Path, limit: int = 50, offset: int = 0, **wanted: str) -> list[str]:
    found = search(data, Wanted(**wanted), limit=limit, offset=offset)
    assert found.total == len(search(data, Wanted(**wanted), limit=10_000).lines)
    return [line.number for line in found.lines]


@pytest.fixture
def three(ledger_folder: Path) -> Path:
    save_bench(ledger_folder, demo_bench())
    sign(ledger_folder, record())
    sign(ledger_folder, record("Rig 3", "G-11", "A-6", "fail"), ENGINEER)
    sign(ledger_folder, record(shim="A-6", verdict="conditional pass"))
    return ledger_folder


def test_every_word_must_occur_wherever_it_stands(three: Path) -> None:
    assert numbers(three) == ["0003", "0002", "0001"]
    assert numbers(three, words="okonjo g-07") == ["0003", "0001"]
    assert numbers(three, words="HALLORAN") == ["0002"]
    assert numbers(three, words="set a/a-6") == ["0003", "0002"]
    assert numbers(three, words="lp-12 0001") == ["0001"]
    assert numbers(three, words="100%") == numbers(three, words="A_4") == []


def test_the_other_questions_are_exact_and_add_up(three: Path) -> None:
    assert numbers(three, rig="Rig 2", decision="pass") == ["0001"]
    assert numbers(three, signer="R. Halloran") == numbers(three, gauge="G-11") == ["0002"]
    assert numbers(three, target="ball 1.5 mm", kind="calibration") == ["0003", "0002", "0001"]
    assert numbers(three, kind="study") == numbers(three, rig="Rig") == []


@pytest.mark.parametrize("limit", [1, 2, 3])
def test_pages_of_the_list_join_and_say_how_many_there_are(three: Path, limit: int) -> None:
    pages = (numbers(three, limit=limit, offset=offset) for offset in range(0, 3, limit))
    assert [number for page in pages for number in page] == ["0003", "0002", "0001"]
    assert numbers(three, offset=3) == []


def test_days_begin_and_end_on_the_laboratorys_clock(ledger_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Late(datetime):
        """25 November, 23:30 in London summer or winter; 26 November, 00:30 in Berlin."""

        @classmethod
        def now(cls, tz: object = None) -> datetime:
            return datetime(2026, 11, 25, 23, 30, tzinfo=UTC)

    monkeypatch.setattr(chain, "datetime", Late)
    sign(ledger_folder, record())
    day, next_day = "2026-11-25", "2026-11-26"
    assert numbers(ledger_folder, since=day, until=day, zone="Europe/London") == ["0001"]
    assert numbers(ledger_folder, since=next_day, zone="Europe/London") == []
    assert numbers(ledger_folder, since=next_day, until=next_day, zone="Europe/Berlin") == ["0001"]
    assert numbers(ledger_folder, until=day, zone="Europe/Berlin") == []


def test_what_was_replaced_names_its_successor(three: Path) -> None:
    sign(three, record(), ENGINEER, replaces="0001", reason="wrong shim typed")
    states = {line.number: line.replaced_by for line in search(three).lines}
    assert states == {"0004": "", "0003": "", "0002": "", "0001": "0004"}


def test_a_file_is_known_by_its_bytes_alone(three: Path) -> None:
    found = known_pdf(three, b"%PDF 0002")
    assert found is not None and found.number == "0002" and found.replaced_by == ""
    assert known_pdf(three, b"%PDF 0002 ") is None
    sign(three, record(), ENGINEER, replaces="0002", reason="wrong gauge")
    assert known_pdf(three, b"%PDF 0002").replaced_by == "0004"  # type: ignore[union-attr]


def test_what_leaned_on_a_shim_is_listed_newest_first(three: Path) -> None:
    found, total = leaning_on(three, "shim", "Brass set A/A-6")
    assert ([each.number for each in found], total) == (["0003", "0002"], 2)
    assert found[0].said["certificate"] == "DC-2026-A-6" and found[0].revision == 1
    found, total = leaning_on(three, "gauge", "G-07", limit=1, offset=1)
    assert ([each.number for each in found], total) == (["0001"], 2)
    assert leaning_on(three, "shim", "Brass set B/A-6") == ([], 0)


def test_behind_a_result_stands_what_was_registered_on_that_day(ledger_folder: Path) -> None:
    data = ledger_folder
    save_bench(data, demo_bench())
    old = demo_bench().shim_set("Brass set A")["A-4"]
    pdf, later_pdf = small_sheet("2026"), small_sheet("2027")
    register_shims(data, "Brass set A", [old], ENGINEER, "handed in", pdf)
    found = record()
    save_draft(data, {"id": found["id"], "page": "calibrate", "person": OKONJO.name, "owner": OKONJO.name}, OKONJO)
    ask(data, str(found["id"]), OKONJO)
    sign(data, found)
    approve(data, str(found["id"]), ENGINEER)
    new = Shim.from_dict(old.to_dict() | {"thickness_mm": 0.9990, "certificate": "DC-2027-A-4"})
    register_shims(data, "Brass set A", [new], ENGINEER, "recertified", later_pdf)

    everything = behind(data, "1")
    leans = {(each.kind, each.subject): each for each in everything.leans}
    shim = leans["shim", "Brass set A/A-4"]
    assert shim.registered is not None
    assert (shim.registered.body["thickness_mm"], shim.certificate) == (0.9995, pdf)
    assert leans["procedure", "LP-12"].registered.body["revision"] == "4"  # type: ignore[union-attr]
    assert {each.subject: each.body["role"] for each in everything.people}["R. Halloran"] == "engineer"
    assert everything.approval is not None and everything.approval.by == "R. Halloran"
    said = [(each["what"], each["kind"]) for each in everything.entries]
    for entry in (("saved", "draft"), ("finished", "draft"), ("signed", "result"), ("asked", "request")):
        assert entry in said
    assert ("approved", "approval") in said and ("recertified", "shim") not in said
    assert [each["seq"] for each in everything.entries] == sorted({each["seq"] for each in everything.entries})


def test_a_certificate_put_right_later_does_not_overtake_the_calibrations_since(ledger_folder: Path) -> None:
    data = ledger_folder
    for _ in range(3):
        sign(data, record())

    def now(before: str = "") -> str:
        found = in_force(data, "Rig 2", before)
        if not before:
            listed = last_calibrations(data).get("Rig 2")
            assert (listed.number if listed else "") == (found.number if found else "")
        return found.number if found is not None else ""

    assert now() == "0003"
    sign(data, record(), ENGINEER, replaces="0001", reason="wrong customer")
    assert now() == "0003", "0004 stands where 0001 stood"
    sign(data, record(), ENGINEER, replaces="0003", reason="wrong customer")
    assert now() == "0005"
    assert last_calibrations(data)["Rig 2"].signed == find(data, "0003").kept, "the calibration was on that day"
    sign(data, record(), ENGINEER, replaces="0004", reason="wrong order")
    assert now() == "0005"
    sign(data, record("Rig 3"), ENGINEER, replaces="0005", reason="it was Rig 3")
    assert now() == "0002", "what took its place is of another rig"
    assert in_force(data, "Rig 3").number == "0007"  # type: ignore[union-attr]
    assert [now(f"{n:04d}") for n in range(1, 7)] == ["", "0001", "0002", "0003", "0003", "0005"]
    sign(data, record())
    assert now() == "0008"


def test_what_was_not_registered_is_none_and_a_damaged_certificate_is_not_handed_out(ledger_folder: Path) -> None:
    sign(ledger_folder, record(shim="Z-9"))
    (shim,) = [each for each in behind(ledger_folder, "0001").leans if each.kind == "shim"]
    assert (shim.registered, shim.certificate) == (None, None)
    assert shim.said["certificate"] == "DC-2026-Z-9"
    assert behind(ledger_folder, "0001").people == ()
    with pytest.raises(BadInput, match="0002"):
        behind(ledger_folder, "0002")
    assert find(ledger_folder, "0001").number == "0001"


def test_a_server_finds_words_by_an_index_and_without_its_extension_all_the_same(
    postgres: Server, tmp_path: Path
) -> None:
    with sa.create_engine(postgres.url, isolation_level="AUTOCOMMIT").connect() as connection:
        for statement in ("CREATE ROLE plain LOGIN", "CREATE DATABASE plain"):
            connection.execute(sa.text(statement))
    plain = postgres.url.replace("labkit@", "plain@").replace("/postgres", "/plain")
    owner = postgres.url.replace("/postgres", "/plain")
    with sa.create_engine(owner, isolation_level="AUTOCOMMIT").connect() as connection:
        # may make tables, and no extensions
        connection.execute(sa.text("GRANT CREATE, USAGE ON SCHEMA public TO plain"))
    found = {}
    for name, url in (("with", postgres.url), ("without", plain)):
        data = tmp_path / name
        data.mkdir()
        (data / "ledger.toml").touch(mode=0o600)
        (data / "ledger.toml").write_text(f'url = "{url}"\nlaboratory = "{new_id()}"\n')
        sign(data, record())
        sign(data, record("Rig 3", "G-11", "A-6"), ENGINEER)
        assert numbers(data, words="halloran set a/a-6") == ["0002"]
        with open_store(data).reading() as connection:
            asked = sa.text("SELECT count(*) FROM pg_indexes WHERE indexname = 'result_words'")
            found[name] = connection.execute(asked).scalar_one()
    assert found == {"with": 1, "without": 0}
