"""Who comes without being let in, from another site, under another name, or for what is nobody's."""

from __future__ import annotations

import http.client
import socket

import pytest
from websockets.exceptions import InvalidStatus

from labkit.ledger import new_id
from tests.attacks.visitor import Reply, Visitor

EVERYWHERE = [
    "/",
    "/login",
    "/voila/render/calibrate.ipynb",
    "/labkit/js/theme.js",
    "/voila/static/voila.js",
    "/nothing",
]


def sent_to_the_form(reply: Reply) -> bool:
    return reply.status == 302 and reply.headers["Location"].startswith("/login?")


@pytest.mark.parametrize("path", EVERYWHERE)
def test_every_answer_says_what_a_browser_may_do_with_it(visitor: Visitor, path: str) -> None:
    headers = visitor.ask(path).headers
    policy = dict(each.split(" ", 1) for each in headers["Content-Security-Policy"].split("; "))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == "'self' blob:"
    assert policy["object-src"] == policy["base-uri"] == policy["frame-ancestors"] == "'none'"
    assert not any("http" in value or "unsafe-eval" in value for value in policy.values())
    assert "unsafe-inline" not in policy["script-src"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == ("same-origin" if path == "/login" else "no-referrer")
    assert "Server" not in headers
    if not path.startswith(("/labkit/", "/voila/static/")):
        assert headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize("path", EVERYWHERE)
@pytest.mark.parametrize(
    "sent",
    [
        {"Host": "laboratory.example"},
        {"Host": "127.0.0.1.laboratory.example"},
        {"Origin": "http://laboratory.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "file://"},
    ],
    ids=str,
)
def test_another_name_and_another_site_are_refused(visitor: Visitor, logged, path: str, sent: dict[str, str]) -> None:
    assert visitor.ask(path, **sent).status == 403
    (said,) = sent.values()
    assert f"refused: GET '{path}'" in logged("serve")
    assert f"'{said}'" in logged("serve")


def test_a_request_without_a_name_is_refused(served) -> None:
    host, port = served.root.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=20) as line:
        line.sendall(b"GET / HTTP/1.0\r\n\r\n")
        assert line.recv(100).split()[1] in (b"400", b"403")


@pytest.mark.parametrize(
    "path", ["/", "/voila/render/calibrate.ipynb", "/api/kernels/0197a000-0000-7000-8000-000000000000"]
)
def test_without_the_cookie_nothing_is_shown(stranger: Visitor, path: str) -> None:
    reply = stranger.ask(path)
    assert reply.status == 403 or sent_to_the_form(reply)
    assert "Calibrate" not in reply.body


@pytest.mark.parametrize(
    "path",
    [
        "/voila/files/calibrate.ipynb",
        "/voila/files/../labkit-demo/ledger.sqlite",
        "/voila/render/../pyproject.toml",
        "/voila/render/%2e%2e/README.md",
        "/voila/render/..%2f..%2fetc%2fpasswd",
        "/voila/render/pictures/readings.png",
        "/voila/render/nothing.ipynb",
        "/voila/static/../../../../../../etc/passwd",
        "/voila/static/%2e%2e/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
        "/voila/static/%2fetc%2fpasswd",
        "/voila/templates/labkit/static/../../../../../../pyproject.toml",
        "/voila/templates/lab/static/%2e%2e/%2e%2e/index.html.j2",
        "/voila/templates/nothing",
        "/voila/labextensions/../../../etc/passwd",
        "/voila/labextensions/%2e%2e/%2e%2e/config",
        "/voila/tree/",
        "/voila/api/contents/",
        "/voila/api/themes/@jupyterlab/theme-dark-extension/index.css",
        "/labkit/../server.py",
        "/labkit/%2e%2e/server.py",
        "/labkit/..%5cserver.py",
        "/labkit//etc/passwd",
        "/files/calibrate.ipynb",
        "/static/../labkit-demo/ledger.sqlite",
        "/api/contents/",
        "/api/kernels",
        "/api/kernelspecs",
        "/api/sessions",
        "/api/terminals",
        "/api/config/notebook",
        "/api/nbconvert",
        "/nbconvert/html/calibrate.ipynb",
        "/terminals/1",
        "/terminals/websocket/1",
        "/lab",
        "/metrics",
        "/view/calibrate.ipynb",
    ],
)
def test_no_file_and_nothing_of_a_jupyter_server_is_handed_out(visitor: Visitor, path: str) -> None:
    reply = visitor.ask(path)
    assert reply.status in (403, 404)
    assert "root:" not in reply.body and "SQLite" not in reply.body and "def serve" not in reply.body


def test_kernels_are_neither_made_nor_ended_by_request(visitor: Visitor, served) -> None:
    visitor.ask("/login?next=/x")
    workbook = visitor.open()
    visitor.cookies.setdefault("_xsrf", "2|aaaaaaaa|bbbbbbbb|1")
    proof = {"X_XSRFToken": visitor.cookies["_xsrf"], "Origin": served.root}
    for path in ("/api/kernels", *(f"/api/kernels/{workbook.kernel}{each}" for each in ("", "/interrupt", "/restart"))):
        for method in ("POST", "DELETE", "PUT", "PATCH"):
            assert visitor.ask(path, method, body="{}", **proof).status in (403, 404, 405)
    workbook.look()  # it is still there
    workbook.close()


def test_a_farewell_needs_the_origin_or_the_proof(visitor: Visitor, served) -> None:
    path = f"/voila/api/shutdown/{new_id()}"
    assert visitor.ask(path, "POST", body="").status == 403
    assert visitor.ask(path, "POST", body="", Origin="http://laboratory.example").status == 403
    assert visitor.ask(path, "POST", body="", Origin=served.root).status == 204
    assert Visitor(served.root).ask(path, "POST", body="", Origin=served.root).status == 403


def test_the_token_is_exchanged_for_a_cookie_at_once(stranger: Visitor, served) -> None:
    reply = stranger.ask(f"/voila/render/calibrate.ipynb?draft=x&token={served.token}&a=b%20c")
    assert (reply.status, reply.headers["Location"]) == (302, "/voila/render/calibrate.ipynb?draft=x&a=b+c")
    cookie = reply.headers["Set-Cookie"]
    assert "HttpOnly" in cookie and "SameSite=Lax" in cookie and "expires" not in cookie.lower()
    assert not sent_to_the_form(stranger.ask("/"))


@pytest.mark.parametrize("path", ["//laboratory.example/", "/\\laboratory.example/", "///laboratory.example"])
def test_an_address_with_a_token_leads_nowhere_else(stranger: Visitor, served, path: str) -> None:
    reply = stranger.ask(f"{path}?token={served.token}")
    assert reply.status in (302, 404)
    target = reply.headers.get("Location", "/")
    assert target.startswith("/") and not target.startswith(("//", "/\\"))


@pytest.mark.parametrize("target", ["http://laboratory.example/", "//laboratory.example", "/\\laboratory.example"])
def test_the_form_leads_nowhere_else(stranger: Visitor, served, target: str) -> None:
    stranger.ask("/login")
    form = f"password={served.token}&_xsrf={stranger.cookies['_xsrf']}"
    reply = stranger.ask(f"/login?next={target}", "POST", body=form)
    assert reply.status == 302
    assert not reply.headers["Location"].startswith(("http", "//", "/\\"))


def test_a_wrong_token_is_refused_and_written_down_without_what_was_given(stranger: Visitor, logged) -> None:
    reply = stranger.ask("/?token=surely-not-the-one")
    assert sent_to_the_form(reply)
    assert "refused: a wrong token for '/' from 127.0.0.1" in logged("serve")
    assert "surely-not" not in logged("serve")


def test_the_token_in_a_header_is_for_scripts_and_in_a_posted_address_for_nobody(stranger: Visitor, served) -> None:
    assert sent_to_the_form(stranger.ask("/"))
    assert not sent_to_the_form(stranger.ask("/", Authorization=f"token {served.token}"))
    other = Visitor(served.root)
    assert other.ask(f"/login?token={served.token}", "POST", body="").status in (403, 405)


def test_a_connection_from_another_site_or_without_the_cookie_is_refused(visitor: Visitor, served, logged) -> None:
    workbook = visitor.open()
    for who, sent in (
        (visitor, {"Origin": "http://laboratory.example"}),
        (visitor, {"Origin": "null"}),
        (Visitor(served.root), {}),
    ):
        with pytest.raises(InvalidStatus) as refused:
            who.connect(workbook.kernel, **sent)
        assert refused.value.response.status_code == 403
    with pytest.raises(InvalidStatus) as refused:
        visitor.connect(new_id())
    assert refused.value.response.status_code == 404
    assert "from a page of 'http://laboratory.example'" in logged("serve")
    workbook.close()


def test_what_a_kernel_asks_for_itself_is_no_browsers(visitor: Visitor, served, logged) -> None:
    workbook = visitor.open()
    path = f"/voila/query/{workbook.kernel}"
    upgrade = {
        "Upgrade": "websocket",
        "Connection": "Upgrade",
        "Sec_WebSocket_Key": "dGhlIHNhbXBsZSBub25jZQ==",
        "Sec_WebSocket_Version": "13",
    }
    assert visitor.ask(path, **upgrade).status == 403
    assert Visitor(served.root).ask(path, Origin=served.root, **upgrade).status == 403
    assert Visitor(served.root).ask(path, X_Forwarded_For="192.0.2.1", **upgrade).status == 403
    assert "which is no kernel" in logged("serve")
    workbook.close()


def test_names_and_paths_cannot_begin_a_line_of_the_log(visitor: Visitor, logged) -> None:
    visitor.ask("/nothing%0a2026-01-01%2000:00:00,000%20INFO%20all%20is%20well?x=%0d%0aforged")
    visitor.ask("/", Host="x\t2026-01-01 forged")
    said = logged("serve")
    assert all(line[:4] in ("2026", "    ") or line[:2] == "20" for line in said.splitlines())
    assert "\nforged" not in said and "x=" not in said.replace("%0d", "")


def test_a_request_brings_no_more_than_a_form(visitor: Visitor) -> None:
    try:
        status = visitor.ask("/login", "POST", body="password=" + "x" * 1_000_000).status
    except (ConnectionError, http.client.HTTPException):
        return  # it hung up before all had come
    assert status in (400, 413)


def test_no_log_and_no_file_of_the_laboratory_holds_the_token(visitor: Visitor, served) -> None:
    visitor.open().close()
    secret = served.token.encode()
    for file in served.data.rglob("*"):
        assert not file.is_file() or secret not in file.read_bytes(), file
