"""
Somebody who speaks to the dashboards without a browser: plain requests as typed, and the kernels' connection.

The forms are those of `jupyter_server` (``v1.kernel.websocket.jupyter.org``) and of ipywidgets' comms.
"""

from __future__ import annotations

import http.client
import json
import re
import time
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any
from urllib.parse import urlsplit

from websockets.sync.client import ClientConnection, connect

PROTOCOL = "v1.kernel.websocket.jupyter.org"
WAIT_S = 60
_CONTROL = {"version": "1.0.0"}  # of ipywidgets' protocol


@dataclass
class Reply:
    status: int
    headers: Mapping[str, str]
    body: str


@dataclass
class Visitor:
    """
    Somebody at an address; `come_in` uses the token.

    Attributes
    ----------
    root : str
        ``http://127.0.0.1:PORT``.
    cookies : dict
    """

    root: str
    cookies: dict[str, str] = field(default_factory=dict)

    @property
    def host(self) -> str:
        return urlsplit(self.root).netloc

    def ask(self, path: str, method: str = "GET", body: str | None = None, **headers: str) -> Reply:
        """One request, its path as it stands; redirects are not followed. An underscore in a header is a hyphen."""
        connection = http.client.HTTPConnection(self.host, timeout=WAIT_S)
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if self.cookies:
            sent.setdefault("Cookie", self.cookie_header())
        connection.putrequest(method, path, skip_host="Host" in sent)
        if body is not None:
            sent.setdefault("Content-Type", "application/x-www-form-urlencoded")
            sent["Content-Length"] = str(len(body.encode()))
        for name, value in sent.items():
            connection.putheader(name, value)
        connection.endheaders(body.encode() if body is not None else None)
        answer = connection.getresponse()
        for cookie in answer.headers.get_all("Set-Cookie") or []:
            name, _, value = cookie.partition(";")[0].partition("=")
            self.cookies[name] = value
        reply = Reply(answer.status, answer.headers, answer.read().decode("utf-8", "replace"))
        connection.close()
        return reply

    def cookie_header(self) -> str:
        return "; ".join(f"{name}={value}" for name, value in self.cookies.items())

    def come_in(self, token: str) -> Visitor:
        reply = self.ask(f"/?token={token}")
        assert reply.status == 302, reply
        return self

    def open(self, workbook: str = "calibrate", query: str = "") -> Workbook:
        """Open a workbook and the connection to its kernel, as a page does."""
        reply = self.ask(f"/voila/render/{workbook}.ipynb{query}")
        assert reply.status == 200, reply.body[:2000]
        config = re.search(r'<script id="jupyter-config-data"[^>]*>(.*?)</script>', reply.body, re.S)
        assert config, reply.body[-2000:]
        return Workbook(self, str(json.loads(config[1])["kernelId"]))

    def connect(
        self, kernel: str, *, protocol: str | None = PROTOCOL, prefix: str = "/", **headers: str
    ) -> ClientConnection:
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        origin = sent.pop("Origin", self.root)
        if self.cookies:
            sent.setdefault("Cookie", self.cookie_header())
        opened = connect(
            f"ws://{self.host}{prefix}api/kernels/{kernel}/channels?session_id={uuid.uuid4().hex}",
            origin=origin or None,
            additional_headers=sent,
            subprotocols=[protocol] if protocol else None,
            max_size=None,
            open_timeout=WAIT_S,
            proxy=None,
        )
        return opened.__enter__()


class Workbook:
    """A workbook that is open: its kernel's connection, and the widgets that it holds."""

    def __init__(self, visitor: Visitor, kernel: str) -> None:
        self.visitor, self.kernel = visitor, kernel
        self.session = uuid.uuid4().hex
        self.line = visitor.connect(kernel)
        self.states: dict[str, dict[str, Any]] = {}
        self.heard: list[dict[str, Any]] = []
        self.look()

    # ---- the connection ----

    def send(
        self, kind: str, content: Mapping[str, Any], *, channel: str = "shell", buffers: tuple[bytes, ...] = ()
    ) -> None:
        self.line.send(packed(self.session, kind, content, channel, buffers))

    def hear(self, wait_s: float = 0.3) -> None:
        """Take in what the kernel says until it is silent for so long."""
        while True:
            try:
                message = unpacked(self.line.recv(timeout=wait_s))
            except TimeoutError:
                return
            self.heard.append(message)
            if message["header"]["msg_type"] == "comm_msg":
                self._update(message["content"])

    def _update(self, content: Mapping[str, Any]) -> None:
        data = content.get("data", {})
        if data.get("method") in ("update", "echo_update"):
            self.states.setdefault(content["comm_id"], {}).update(data["state"])
        elif data.get("method") == "update_states":
            for name, found in data["states"].items():
                self.states[name] = {"_model_name": found["model_name"], **found["state"]}

    def look(self) -> None:
        """Ask for the state of all widgets."""
        control = uuid.uuid4().hex
        opened = {"comm_id": control, "target_name": "jupyter.widget.control", "data": {}}
        self.send("comm_open", opened)
        self.send("comm_msg", {"comm_id": control, "data": {"method": "request_states"}})
        # a kernel that is still filling its page answers later
        deadline = time.monotonic() + WAIT_S
        found = len(self.states)
        while time.monotonic() < deadline:
            self.hear(1.0)
            if self.states and len(self.states) == found:
                return
            found = len(self.states)
        raise AssertionError("the kernel does not say which widgets there are")

    # ---- widgets ----

    def find(self, **traits: object) -> str:
        """The id of the one widget with these traits."""
        found = [name for name, state in self.states.items() if traits.items() <= state.items()]
        assert len(found) == 1, (traits, len(found))
        return found[0]

    def set(self, widget: str, **state: object) -> None:
        """Set traits of a widget, whatever they are."""
        self.send("comm_msg", {"comm_id": widget, "data": {"method": "update", "state": state}})

    def tell(self, widget: str, content: object, *buffers: bytes) -> None:
        """Send a widget a message of its own."""
        self.send("comm_msg", {"comm_id": widget, "data": {"method": "custom", "content": content}}, buffers=buffers)

    def press(self, button: str) -> None:
        self.tell(button, {"event": "click"})

    def wait(self, seen: Callable[[], bool], what: str = "") -> None:
        deadline = time.monotonic() + WAIT_S
        while not seen():
            assert time.monotonic() < deadline, what or "it did not happen"
            self.hear(0.3)

    def shown(self) -> str:
        """All that the page's HTML widgets say."""
        return "\n".join(
            str(state.get("value")) for state in self.states.values() if state.get("_model_name") == "HTMLModel"
        )

    def close(self) -> None:
        self.line.close()


def packed(session: str, kind: str, content: object, channel: str, buffers: tuple[bytes, ...] = ()) -> bytes:
    """A message in the form of the connection."""
    header = {
        "msg_id": uuid.uuid4().hex,
        "msg_type": kind,
        "session": session,
        "username": "",
        "version": "5.3",
        "date": "2026-01-01T00:00:00Z",
    }
    parts = [channel.encode(), *(json.dumps(each).encode() for each in (header, {}, _CONTROL, content)), *buffers]
    count = len(parts) + 1
    offsets = [8 * (count + 1)]
    for part in parts:
        offsets.append(offsets[-1] + len(part))
    return b"".join(number.to_bytes(8, "little") for number in (count, *offsets)) + b"".join(parts)


def unpacked(message: str | bytes) -> dict[str, Any]:
    assert isinstance(message, bytes)
    count = int.from_bytes(message[:8], "little")
    offsets = [int.from_bytes(message[8 * i : 8 * i + 8], "little") for i in range(1, count + 1)]
    parts = [message[i:j] for i, j in pairwise(offsets)]
    return {"channel": parts[0].decode(), "header": json.loads(parts[1]), "content": json.loads(parts[4])}
