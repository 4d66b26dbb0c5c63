"""The password in place of the token, and how many pages may be open for how long."""

from __future__ import annotations

import stat
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from labkit.commands.password import VARIABLE, password_hash
from labkit.problems import BadInput
from tests.attacks.visitor import Visitor
from tests.browser.conftest import Served, serving

PASSWORD = "nine shims & a ball"
SHORT_TIMES = """
from datetime import timedelta
from labkit.panels import channel, server
server._CULL_AFTER_S, server._CULL_EVERY_S = 30, 1
channel.Kernels.YOUNG, channel._GRACE_S = timedelta(seconds=2), 1
"""


@pytest.fixture(scope="module")
def password_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("password") / "password"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(VARIABLE, PASSWORD)
        password_hash(file)
    return file


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, password_file: Path) -> Iterator[Served]:
    options = ("--password-file", str(password_file), "--most-pages", "1")
    with serving(tmp_path_factory.mktemp("limited"), *options, before=SHORT_TIMES) as (running, _):
        yield running


def try_password(visitor: Visitor, password: str):
    visitor.ask("/login")
    form = f"password={quote(password)}&_xsrf={quote(visitor.cookies['_xsrf'])}"
    return visitor.ask("/login", "POST", body=form)


@pytest.fixture
def visitor(served: Served) -> Visitor:
    found = Visitor(served.root.rstrip("/"))
    assert try_password(found, PASSWORD).status == 302
    return found


def test_the_file_holds_a_hash_that_its_owner_alone_can_read(password_file: Path) -> None:
    assert stat.S_IMODE(password_file.stat().st_mode) == 0o600
    assert password_file.read_text().startswith("argon2:$argon2id$")
    assert PASSWORD not in password_file.read_text()
    assert password_hash(password_file) == password_file.read_text().strip()


@pytest.mark.parametrize(
    ("content", "mode", "code"),
    [
        (PASSWORD, 0o600, "serve.password_file"),
        ("sha1:0e112c3ddfce:a68df677475c2b47b6e86d0467eec97ac5f4b85a", 0o600, "serve.password_file"),
        ("", 0o600, "serve.password_file"),
        ("argon2:$argon2id$v=19$m=10240,t=10,p=8$aaaaaaaaaaaaaaaaaaaaaa$bbbb", 0o644, "serve.password_open"),
    ],
)
def test_a_file_that_holds_something_else_opens_nothing(tmp_path: Path, content: str, mode: int, code: str) -> None:
    file = tmp_path / "password"
    file.write_text(content)
    file.chmod(mode)
    with pytest.raises(BadInput) as refused:
        password_hash(file)
    assert refused.value.code == code and (PASSWORD not in str(refused.value))


def test_no_password_and_a_short_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    with pytest.raises(BadInput, match="There is no password"):
        password_hash(tmp_path / "password")
    monkeypatch.setenv(VARIABLE, "short")
    with pytest.raises(BadInput, match="10 characters"):
        password_hash(tmp_path / "password")
    assert not (tmp_path / "password").exists()


def test_with_a_password_no_token_opens_anything(served: Served) -> None:
    assert "token" not in served.address
    stranger = Visitor(served.root.rstrip("/"))
    for path in ("/?token=", "/?token=x", "/voila/render/calibrate.ipynb?token="):
        assert stranger.ask(path).headers["Location"].startswith("/login")
    assert stranger.ask("/", Authorization="token ").headers["Location"].startswith("/login")


def test_wrong_passwords_are_slowed_and_written_down(served: Served, logged) -> None:
    stranger = Visitor(served.root.rstrip("/"))
    assert "Password" in stranger.ask("/login").body
    answers = [try_password(stranger, f"guess {i} of ten") for i in range(10)]
    assert [reply.status for reply in answers] == [401] * 3 + [429] * 7
    assert "That is not the password." in answers[0].body
    assert "Too many wrong answers. It was not looked at." in answers[5].body
    assert try_password(stranger, PASSWORD).status == 429  # the right one neither, while it rests
    said = logged("serve")
    assert said.count("refused: wrong password from 127.0.0.1") == 11
    assert "guess" not in said and PASSWORD not in said
    deadline = time.monotonic() + 30
    while try_password(stranger, PASSWORD).status != 302:
        assert time.monotonic() < deadline
        time.sleep(1)


def test_one_page_too_many_is_said_and_a_page_that_is_left_makes_room(visitor: Visitor, served: Served, logged) -> None:
    workbook = visitor.open()
    full = visitor.ask("/voila/render/calibrate.ipynb")
    assert full.status == 503 and full.headers["Retry-After"] == "60"
    assert "Too many pages are open" in full.body and "Close a page that nobody needs" in full.body
    assert "refused: 'calibrate.ipynb', as 1 pages are open" in logged("serve")
    workbook.look()  # it was left alone

    # a farewell of a page that stays is none
    assert visitor.ask(f"/voila/api/shutdown/{workbook.kernel}", "POST", body="", Origin=visitor.root).status == 204
    time.sleep(3)
    workbook.look()
    workbook.close()
    assert visitor.ask(f"/voila/api/shutdown/{workbook.kernel}", "POST", body="", Origin=visitor.root).status == 204
    gone(visitor, workbook.kernel)
    visitor.open().close()


def test_a_page_that_was_left_without_a_word_ends_after_a_while(visitor: Visitor, logged) -> None:
    deadline = time.monotonic() + 120
    while (reply := visitor.ask("/voila/render/calibrate.ipynb")).status == 503:
        assert time.monotonic() < deadline
        time.sleep(1)
    kernel = reply.body.split('"kernelId": "')[1].split('"')[0]
    gone(visitor, kernel)
    assert f"({kernel}) with 0 connections" in logged("serve")


def gone(visitor: Visitor, kernel: str) -> None:
    deadline = time.monotonic() + 120
    while visitor.ask(f"/api/kernels/{kernel}").status != 404:
        assert time.monotonic() < deadline, "the kernel is still there"
        time.sleep(0.5)


def test_no_file_holds_the_password(served: Served) -> None:
    for file in served.data.rglob("*"):
        assert not file.is_file() or PASSWORD.encode() not in file.read_bytes(), file
