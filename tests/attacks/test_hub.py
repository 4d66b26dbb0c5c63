"""
Dashboards that a JupyterHub has started: one person comes in, in their own name.

The hub's answers are imitated, in the form of JupyterHub's REST API; that a real one starts the dashboards is tried by
hand (DEVELOPERS.md).
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass, replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import psutil
import pytest

from labkit.commands.demo import prepare_demo
from labkit.ledger import load_bench, save_bench
from labkit.problems import Problem
from tests.attacks.visitor import Visitor

ACCOUNT = "mo"
SERVER = f"access:servers!server={ACCOUNT}/"
USERS = {
    "token-of-mo": {"name": ACCOUNT, "kind": "user", "admin": False, "groups": [], "scopes": [SERVER]},
    "token-of-boss": {"name": "boss", "kind": "user", "admin": True, "groups": [], "scopes": ["access:servers"]},
    "token-of-other": {"name": "other", "kind": "user", "admin": False, "groups": [], "scopes": []},
}
SECRET = "the-secret-between-hub-and-server"


class Hub(BaseHTTPRequestHandler):
    """Says whose a token is."""

    def do_GET(self) -> None:
        token = self.headers.get("Authorization", "").rpartition(" ")[2]
        found = USERS.get(token) if self.path.startswith("/hub/api/user") else {"version": "6.0"}
        self.send_response(200 if found else 403)
        self.send_header("Content-Type", "application/json")
        self.end_headers()
        self.wfile.write(json.dumps(found or {}).encode())

    def log_message(self, *_: Any) -> None:
        pass


@dataclass(frozen=True)
class Behind:
    """The dashboards behind that hub."""

    root: str
    prefix: str
    data: Path
    process: subprocess.Popen[str]

    def ask(self, path: str, token: str = "", **headers: str):
        if token:
            headers["Authorization"] = f"token {token}"
        return Visitor(self.root).ask(self.prefix + path, **headers)


@pytest.fixture(scope="module")
def behind(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Behind]:
    folder = tmp_path_factory.mktemp("hub")
    data = folder / "laboratory"
    data.mkdir(mode=0o700)
    prepare_demo(data)
    bench = load_bench(data)
    people = [replace(each, account=ACCOUNT if each.name == "M. Okonjo" else "") for each in bench.people]
    save_bench(data, replace(bench, people=tuple(people)))
    hub = ThreadingHTTPServer(("127.0.0.1", 0), Hub)
    threading.Thread(target=hub.serve_forever, daemon=True).start()
    with contextlib.closing(ThreadingHTTPServer(("127.0.0.1", 0), Hub).socket) as free:
        port = free.getsockname()[1]
    prefix = f"/user/{ACCOUNT}/"
    environment = os.environ | {
        "JUPYTERHUB_API_TOKEN": SECRET,
        "JUPYTERHUB_API_URL": f"http://127.0.0.1:{hub.server_port}/hub/api",
        "JUPYTERHUB_USER": ACCOUNT,
        "JUPYTERHUB_CLIENT_ID": f"jupyterhub-user-{ACCOUNT}",
        "JUPYTERHUB_OAUTH_CALLBACK_URL": f"{prefix}oauth_callback",
        "JUPYTERHUB_OAUTH_ACCESS_SCOPES": json.dumps([SERVER]),
        "JUPYTERHUB_SERVICE_PREFIX": prefix,
        "JUPYTERHUB_SERVICE_URL": f"http://127.0.0.1:{port}{prefix}",
        "JUPYTERHUB_BASE_URL": "/",
        "JUPYTERHUB_PUBLIC_URL": "https://dashboards.laboratory.example/user/mo/",
    }
    command = [sys.executable, "-m", "labkit", "serve", "--hub", "--data", str(data)]
    process = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True)
    assert process.stdout
    assert process.stdout.readline() == f"labkit is ready: http://127.0.0.1:{port}{prefix}\n"
    yield Behind(f"http://127.0.0.1:{port}", prefix, data, process)
    process.terminate()
    process.wait(60)
    hub.shutdown()


def test_somebody_whom_the_hub_does_not_know_is_sent_to_it(behind: Behind) -> None:
    reply = behind.ask("voila/render/calibrate.ipynb")
    assert reply.status == 302 and reply.headers["Location"].startswith("/hub/api/oauth2/authorize")
    assert behind.ask("voila/render/calibrate.ipynb", "no-token").status == 302


@pytest.mark.parametrize("who", ["boss", "other"])
def test_nobody_else_comes_in_whatever_the_hub_allows_them(behind: Behind, who: str) -> None:
    log = behind.data / "logs" / f"serve-{ACCOUNT}.log"
    before = len(log.read_text())
    assert behind.ask("voila/render/bench.ipynb", f"token-of-{who}").status == 403
    assert behind.ask("", f"token-of-{who}").status == 403
    said = log.read_text()[before:]
    assert who != "boss" or f"refused: the account 'boss' at the dashboards of '{ACCOUNT}'" in said
    assert "token-of" not in said


def test_a_token_in_an_address_is_for_nothing(behind: Behind) -> None:
    for token in (SECRET, "token-of-mo"):
        reply = behind.ask(f"voila/render/bench.ipynb?token={token}")
        assert (reply.status, reply.headers["Location"]) == (302, f"{behind.prefix}voila/render/bench.ipynb")
        assert "Set-Cookie" not in reply.headers


def test_browsers_ask_under_the_hubs_name_and_no_other(behind: Behind) -> None:
    public = "dashboards.laboratory.example"
    assert behind.ask("labkit/js/theme.js", Host=public).status == 200
    assert behind.ask("labkit/js/theme.js", Host=public, Origin=f"https://{public}").status == 200
    assert behind.ask("labkit/js/theme.js", Host="laboratory.example").status == 403
    assert behind.ask("labkit/js/theme.js", Host=public, Origin="https://laboratory.example").status == 403


def test_the_hubs_user_is_at_the_page_in_their_own_name(behind: Behind) -> None:
    visitor = PrefixedVisitor(behind.root, prefix=behind.prefix)
    visitor.token = "token-of-mo"
    opened = visitor.open("bench")
    opened.wait(lambda: "M. Okonjo" in opened.shown())
    opened.close()


def test_the_hubs_secret_stays_with_the_server(behind: Behind) -> None:
    kernels = psutil.Process(behind.process.pid).children(recursive=True)
    found = [each.environ() for each in kernels if "ipykernel_launcher" in " ".join(each.cmdline())]
    assert found
    for environment in found:
        assert environment["JUPYTERHUB_USER"] == ACCOUNT
        assert SECRET not in environment.values()
    for file in behind.data.rglob("*"):
        assert not file.is_file() or SECRET.encode() not in file.read_bytes(), file


def test_without_a_hub_there_is_no_way_through_it(monkeypatch: pytest.MonkeyPatch) -> None:
    from labkit.panels.hub import way_through_hub

    for name in ("JUPYTERHUB_API_TOKEN", "JUPYTERHUB_USER", "JUPYTERHUB_SERVICE_URL", "JUPYTERHUB_PUBLIC_URL"):
        monkeypatch.delenv(name, raising=False)
    with pytest.raises(Problem) as refused:
        way_through_hub()
    assert refused.value.code == "serve.no_hub"
    monkeypatch.setenv("JUPYTERHUB_API_TOKEN", SECRET)
    monkeypatch.setenv("JUPYTERHUB_USER", ACCOUNT)
    monkeypatch.setenv("JUPYTERHUB_SERVICE_URL", "http://127.0.0.1:1234/user/mo/")
    with pytest.raises(Problem) as refused:
        way_through_hub()
    assert refused.value.code == "serve.hub_public"


@dataclass
class PrefixedVisitor(Visitor):
    """A visitor whose token goes with every request, below the hub's prefix."""

    prefix: str = "/"
    token: str = ""

    def ask(self, path: str, method: str = "GET", body: str | None = None, **headers: str):
        return super().ask(self.prefix + path.lstrip("/"), method, body, Authorization=f"token {self.token}", **headers)

    def connect(self, kernel: str, **options: Any):
        return super().connect(kernel, prefix=self.prefix, Authorization=f"token {self.token}", **options)
