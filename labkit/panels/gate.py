"""
What every request passes before anything answers it, and what every answer carries.

A request that another site makes through somebody's browser is refused here, for all addresses alike: that a handler
was forgotten cannot open the door. Every answer says what the browser may load for it: what comes from this server.
"""

from __future__ import annotations

import logging
from collections.abc import Collection
from typing import Any, Final
from urllib.parse import parse_qsl, urlencode, urlsplit

from jupyter_server.auth.decorator import allow_unauthenticated
from jupyter_server.base.handlers import JupyterHandler
from tornado.httputil import HTTPHeaders, HTTPServerRequest, split_host_and_port
from tornado.routing import Matcher
from tornado.web import HTTPError, OutputTransform, RequestHandler

LOCAL_HOSTS: Final = frozenset({"127.0.0.1", "localhost", "[::1]"})
"""What a browser on this machine calls this server."""

POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        # blob: is how anywidget and the figures load their scripts, which Python hands over; only a script that runs
        # already can make a blob
        "script-src 'self' blob:",
        # Voila, ipywidgets, anywidget and plotly write styles into the page
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "font-src 'self' data:",
        "connect-src 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
        "object-src 'none'",
    )
)

_ALWAYS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}

_LOG: Final = logging.getLogger(__name__)


class Headers(OutputTransform):
    """Puts on every answer what keeps a browser from doing more with it than showing it."""

    def __init__(self, request: HTTPServerRequest) -> None:
        super().__init__(request)
        # a form that is sent from a page without any referrer has no origin either, and would be refused
        self._referrer = "same-origin" if request.path.endswith("/login") else "no-referrer"

    def transform_first_chunk(
        self, status_code: int, headers: HTTPHeaders, chunk: bytes, finishing: bool
    ) -> tuple[int, HTTPHeaders, bytes]:
        for name, value in _ALWAYS.items():
            headers[name] = value
        headers["Referrer-Policy"] = self._referrer
        if "Cache-Control" not in headers or headers.get("Content-Type", "").startswith("text/html"):
            headers["Cache-Control"] = "no-store"
        headers.pop("Server", None)
        # this server answers its own pages alone
        headers.pop("Access-Control-Allow-Origin", None)
        return status_code, headers, chunk


class Stranger(Matcher):
    """
    Matches requests under a name that is not ours, and those that a page of another site makes.

    Parameters
    ----------
    hosts : collection of str
        The names under which this server is asked, in small letters, without a port. A name that somebody else has
        bent to this machine is none of them.
    """

    def __init__(self, hosts: Collection[str]) -> None:
        self._hosts = hosts

    def match(self, request: HTTPServerRequest) -> dict[str, Any] | None:
        why = self.why(request)
        return {"target_kwargs": {"why": why}} if why else None

    def why(self, request: HTTPServerRequest) -> str:
        """What is wrong with a request, for the log; empty for one of ours."""
        asked = request.headers.get_list("Host")
        if len(asked) != 1 or split_host_and_port(asked[0].lower())[0] not in self._hosts:
            return f"asked as {shown(', '.join(asked))}"
        origins = [*request.headers.get_list("Origin"), *request.headers.get_list("Sec-WebSocket-Origin")]
        for origin in origins:
            found = urlsplit(origin)
            if found.scheme not in ("http", "https") or found.netloc.lower() != asked[0].lower():
                return f"from a page of {shown(origin)}"
        return ""


class Refused(RequestHandler):
    """Answers a stranger, and writes it down."""

    def initialize(self, why: str) -> None:
        self._why = why

    def prepare(self) -> None:
        _LOG.warning("refused: %s %s %s", self.request.method, shown(self.request.path), self._why)
        raise HTTPError(403)

    def write_error(self, status_code: int, **kwargs: Any) -> None:
        self.set_header("Content-Type", "text/plain; charset=utf-8")
        self.finish("This address is not served to other sites.\n")

    def log_exception(self, *_: Any) -> None:
        """It is written down already."""


class WithToken(Matcher):
    """
    Matches addresses that hold the token, and takes it out of them: nothing that happens to the request later can
    write it into a log, a page or the environment of a kernel.
    """

    def match(self, request: HTTPServerRequest) -> dict[str, Any] | None:
        if "token" not in request.query_arguments:
            return None
        given = request.query_arguments.pop("token")[-1].decode("utf-8", "replace")
        request.arguments.pop("token", None)
        kept = [each for each in parse_qsl(request.query, keep_blank_values=True) if each[0] != "token"]
        request.query = urlencode(kept)
        request.uri = request.path + (f"?{request.query}" if request.query else "")
        return {"target_kwargs": {"given": given}}


class NoSuchPage(JupyterHandler):
    """Says so, in our own clothes, to everybody."""

    @allow_unauthenticated
    def get(self, *_: str) -> None:
        raise HTTPError(404)


def shown(text: object) -> str:
    """Text from outside as a log may hold it: one line, quoted, not too long."""
    return ascii(str(text)[:120])


def log_request(handler: RequestHandler) -> None:
    """Write down what failed or was refused; without its query, in which a person may have put anything."""
    status = handler.get_status()
    if status >= 400 and not isinstance(handler, Refused):
        request = handler.request
        level = logging.ERROR if status >= 500 else logging.WARNING
        _LOG.log(level, "%d %s %s from %s", status, request.method, shown(request.path), shown(request.remote_ip))
