"""Rights and passphrases, whatever a page shows: refused in Python, slowed, and written to the pages' log."""

from __future__ import annotations

import contextlib
import io
import json
import logging
import stat
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pikepdf
import pytest

from labkit.commands.demo import DEMO_PASSPHRASE, prepare_demo
from labkit.ledger import Actor, find, load_bench, load_draft, save_bench
from labkit.ledger.people import MAY, ROLES
from labkit.panels import logs
from labkit.panels.inward import INWARD, refusal
from labkit.problems import BadInput, Problem
from labkit.sheet.identity import make_authority, make_signer
from labkit.workflow.door import HUB_USER, check_closed, hub_person, sign_in
from labkit.workflow.signing import signed_sheet
from tests.calibrate_pages import Asleep, demo_folder, finished_state, new_page
from tests.check_pages import begun_check, calibrated_folder, read


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("rights")
    prepare_demo(folder)
    return folder


@pytest.fixture
def log(data: Path) -> Iterator[Path]:
    """The pages' log, as a kernel writes it."""
    with logging_to(data) as file:
        yield file


@contextlib.contextmanager
def logging_to(data: Path) -> Iterator[Path]:
    ours = logging.getLogger("labkit")
    before = list(ours.handlers)
    file = data / "logs" / "pages.log"
    file.unlink(missing_ok=True)
    logs.log_pages.cache_clear()
    logs.log_pages(data)
    yield file
    for handler in set(ours.handlers) - set(before):
        ours.removeHandler(handler)
        handler.close()
    logs.log_pages.cache_clear()


@pytest.mark.parametrize("action", sorted(MAY))
def test_a_right_needs_both_the_role_and_the_proof(log: Path, action: str) -> None:
    for role in ("", *ROLES):
        for proven in (False, True):
            who = Actor("M. Okonjo\n2026-01-01 all is well", role, proven)  # type: ignore[arg-type]
            if proven and role in MAY[action]:
                who.must(action)
                continue
            with pytest.raises(Problem) as refused:
                who.must(action)
            assert refused.value.code == ("door.not_allowed" if proven else "door.sign_in")
    said = log.read_text().splitlines()
    assert all("WARNING labkit.ledger.people: refused: 'M. Okonjo\\n2026" in line for line in said)
    assert all(f"wanted to {action}" in line for line in said)
    assert len(said) == 2 * (len(ROLES) + 1) - len(MAY[action])


def test_ten_wrong_passphrases_are_slowed_and_written_down(data: Path, log: Path) -> None:
    bench = load_bench(data)
    name = bench.people[0].name
    codes = []
    for i in range(10):
        with pytest.raises(BadInput) as refused:
            sign_in(data, bench, name, f"guess number {i}")
        codes.append(refused.value.code)
    assert codes == ["sign.wrong_passphrase"] * 3 + ["door.rests"] * 7
    with pytest.raises(BadInput, match="rests"):
        sign_in(data, bench, name, DEMO_PASSPHRASE)  # the right one has to wait too
    said = log.read_text()
    assert said.count("refused: wrong passphrase of ") == 3
    assert said.count(" while the signing file rests") == 8
    assert said.count(name) == 11
    assert "guess" not in said


@pytest.mark.parametrize("wanted", ["../../etc/passwd", "..\\..\\x", "/etc/passwd", "", "\0", "a" * 10_000, "x\ny"])
def test_a_draft_is_no_path(data: Path, wanted: str) -> None:
    with pytest.raises(BadInput) as refused:
        load_draft(data, wanted)
    assert refused.value.code == "ledger.bad_id"


def test_a_hubs_user_is_somebody_of_the_register(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = load_bench(data)
    monkeypatch.setenv(HUB_USER, "nobody")
    assert hub_person(bench) is None
    monkeypatch.setenv(HUB_USER, "")
    assert hub_person(bench) is None


def test_behind_a_hub_a_page_is_in_that_persons_name_and_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = load_bench(demo_folder(tmp_path))
    people = [replace(each, account=each.identity.removesuffix(".p12")) for each in bench.people]
    save_bench(tmp_path, replace(bench, people=tuple(people)))
    monkeypatch.setenv(HUB_USER, "m-okonjo")
    page = new_page(tmp_path, worker=Asleep())
    assert page.person == "M. Okonjo" and page.who == Actor("M. Okonjo", "technician", proven=True)
    with pytest.raises(Problem) as refused:
        page.choose_person("R. Halloran")
    assert refused.value.code == "door.by_hub" and page.person == "M. Okonjo"
    # a colleague's draft stays a colleague's
    state = finished_state() | {"person": "R. Halloran", "owner": "R. Halloran"}
    theirs = new_page(tmp_path, state, Asleep())
    assert theirs.person == "R. Halloran" and theirs.who.name == "M. Okonjo"
    theirs.set_field("order", "mine now")
    assert theirs.read_only and theirs.problem is not None and theirs.problem.code == "draft.of_another"


# ---- files that others can read ----


def test_a_signing_file_that_others_can_read_is_not_served(tmp_path: Path) -> None:
    tmp_path.chmod(0o700)
    keys = tmp_path / "identities"
    keys.mkdir(mode=0o700)
    (keys / "authority.pem").write_text("to hand out")
    (keys / "authority.pem").chmod(0o644)
    key = keys / "m-okonjo.p12"
    key.write_bytes(b"secret")
    key.chmod(0o600)
    assert check_closed(tmp_path) == ()
    for mode in (0o640, 0o604, 0o660):
        key.chmod(mode)
        with pytest.raises(Problem) as refused:
            check_closed(tmp_path)
        assert refused.value.code == "serve.open_keys"
        assert "m-okonjo.p12" in str(refused.value) and f"chmod -R go-rwx {keys}" in str(refused.value.hint)


def test_a_folder_that_others_can_look_into_is_doubted(tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    (caution,) = check_closed(tmp_path)
    assert caution.code == "serve.open_folder" and f"chmod 700 {tmp_path}" in str(caution.hint)


def test_what_the_server_and_the_pages_write_is_closed(data: Path, log: Path) -> None:
    assert stat.S_IMODE(log.parent.stat().st_mode) & 0o077 == 0
    for file in (data / "identities").iterdir():
        assert stat.S_IMODE(file.stat().st_mode) & 0o077 == 0


def test_a_passphrase_is_in_no_file_no_draft_and_no_sentence(tmp_path: Path) -> None:
    """Signing in, a wrong one, taking a draft over and signing: afterwards every byte of the data folder is read."""
    right, wrong = "a hinge of 0.81 mm is thin", "a hinge of 0.18 mm is thick"
    data = calibrated_folder(tmp_path)
    bench = load_bench(data)
    file = make_signer("M. Okonjo", make_authority("Larkfield Closures"), right)
    (data / "identities" / bench.person("M. Okonjo").identity).write_bytes(file)
    said = []
    with logging_to(data):
        page = begun_check(data)
        page.choose_person("")
        page.choose_person("D. Abara")
        read(page)
        for passphrase in (wrong, right):
            try:
                page.take_over("M. Okonjo", passphrase)
            except BadInput as problem:
                said += [str(problem), repr(problem), str(problem.hint)]
        for passphrase in (wrong, right):
            try:
                page.sign(passphrase, signed_sheet)
            except BadInput as problem:
                said += [str(problem), repr(problem), str(problem.hint)]
        sign_in(data, bench, "M. Okonjo", right)
    assert page.number == "0001-01" and len(said) == 6
    kept = find(data, page.number)
    said += [json.dumps(page.get_state()), json.dumps(kept.record)]
    assert not [text for text in said if right in text or wrong in text]
    files = [each for each in data.rglob("*") if each.is_file()]
    assert {"ledger.sqlite", "pages.log"} <= {each.name for each in files}
    found = [each.name for each in files for text in (right, wrong) if text.encode() in each.read_bytes()]
    assert found == []
    with pikepdf.open(io.BytesIO(kept.pdf)) as pdf:
        streams = [each.read_bytes() for each in pdf.objects if isinstance(each, pikepdf.Stream)]
    assert streams and not [each for each in streams if right.encode() in each]


# ---- logs ----


@pytest.mark.parametrize("account", ["../../x", "/etc/passwd", "a\nb", "..", "x" * 300])
def test_an_account_stays_within_the_folder_of_logs(tmp_path: Path, account: str) -> None:
    file = logs.server_log(tmp_path, account)
    assert file.parent == tmp_path / "logs" and file.resolve().parent == tmp_path / "logs"
    assert file.name.startswith("serve-") and "\n" not in file.name and len(file.name) < 80


def test_an_event_is_one_line_and_holds_no_secret() -> None:
    form = logs.OneLine(["hush-hush"])
    try:
        raise ValueError("typed\n2026-01-01 00:00:00,000 INFO labkit: forged, hush-hush")
    except ValueError as error:
        info = (ValueError, error, error.__traceback__)
    record = logging.LogRecord("x", 30, "", 0, "%s by\r\n%s \u2028\u202e\x1b[2J hush-hush", ("a\nb", "c"), info)
    lines = form.format(record).split("\n")
    assert "WARNING x: a\\nb by\\r\\nc \\u2028\\u202e\\x1b[2J …" in lines[0]
    assert all(line.startswith("    ") for line in lines[1:]) and len(lines) > 3
    assert "hush" not in form.format(record)


def test_a_message_of_no_form_is_refused() -> None:
    import ipywidgets as W

    text = W.Text()
    for content in (
        None,
        {},
        {"data": None},
        {"data": {}},
        {"data": {"method": "update"}},
        {"data": {"method": "eval"}},
    ):
        assert refusal(text, {"content": content, "buffers": []}) == "a message of no form"
    assert refusal(text, {}) == "a message of no form"
    put = {"method": "update", "state": {"value": "x"}, "buffer_paths": [["value"]]}
    assert refusal(text, {"content": {"data": put}, "buffers": [b"x"]}) == "bytes in a value"
    fine = {"content": {"data": {"method": "update", "state": {"value": "x"}}}, "buffers": []}
    assert refusal(text, fine) == ""
    INWARD.pass_on(text, fine)
    assert text.value == "x"
    text.disabled = True
    assert refusal(text, fine) == "a change of a disabled field"
