"""
The workbooks' kernels, as far as a browser reaches them: it may open a workbook, talk to its widgets, and leave.

No code comes from a browser, no kernel is started but by opening a workbook, and only so many at a time.
"""

from __future__ import annotations

import json
import logging
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any, Final

from jupyter_core.utils import ensure_async
from jupyter_server.base.handlers import APIHandler
from tornado.ioloop import IOLoop
from tornado.web import HTTPError, authenticated
from voila.request_info_handler import RequestInfoSocketHandler
from voila.tornado.handler import TornadoVoilaHandler
from voila.tornado.kernel_websocket_handler import VoilaKernelWebsocketHandler

from labkit.panels.gate import shown
from labkit.panels.pages import pages

PROTOCOL: Final = "v1.kernel.websocket.jupyter.org"

LARGEST_MESSAGE: Final = 12_000_000
"""Bytes: a file of 10 MB (`labkit.panels.server.UPLOAD_LIMIT`) and what goes with it."""

TALK: Final = frozenset({"comm_msg", "comm_open", "comm_close", "comm_info_request", "kernel_info_request"})
"""What a page's scripts send to a kernel: questions about it, and messages to its widgets."""

OPENS: Final = "jupyter.widget.control"
"""The one channel that a page opens itself: it asks for the widgets that are there. It makes none."""

_MOST_REFUSED: Final = 20
"""Refused messages after which a connection is closed."""

_MOST_PARTS: Final = 32
_GRACE_S: Final = 10
"""How long a page may have said farewell and still stay: a download, or a person who thought better of it [s]."""

_LOG: Final = logging.getLogger(__name__)


class Channel(VoilaKernelWebsocketHandler):  # type: ignore[misc]
    """A page's connection to its kernel; what a page of ours would not send is refused and written down."""

    refused = 0

    async def get(self, kernel_id: str) -> None:
        if kernel_id not in self.kernel_manager:
            raise HTTPError(404)
        await super().get(kernel_id=kernel_id)

    def select_subprotocol(self, subprotocols: list[str]) -> str | None:
        return PROTOCOL if PROTOCOL in subprotocols else None

    def on_message(self, ws_message: str | bytes) -> None:
        why = self._speaks_otherwise() or fault_of(ws_message)
        if not why:
            super().on_message(ws_message)
            return
        self.refused += 1
        _LOG.warning("refused: %s, to kernel %s, from %s", why, self.kernel_id, self.request.remote_ip)
        if self.refused >= _MOST_REFUSED:
            self.close(1008, "refused")

    def _speaks_otherwise(self) -> str:
        return "" if self.selected_subprotocol == PROTOCOL else "a message in another form"


def fault_of(message: str | bytes) -> str:
    """
    What speaks against a message to a kernel, for the log; empty where nothing does.

    Notes
    -----
    The form is that of `jupyter_server`: how many offsets, the offsets, then channel, header, parent, metadata,
    content and buffers; 8 bytes an offset, the lowest first.
    """
    if not isinstance(message, bytes):
        return "a message in another form"
    if len(message) > LARGEST_MESSAGE:
        return f"a message of {len(message)} bytes"
    count = int.from_bytes(message[:8], "little")
    if not 6 <= count <= _MOST_PARTS:
        return "a message of no form"
    offsets = [int.from_bytes(message[8 * i : 8 * (i + 1)], "little") for i in range(1, count + 1)]
    if offsets[0] != 8 * (count + 1) or offsets != sorted(offsets) or offsets[-1] != len(message):
        return "a message of no form"
    channel, header, _, _, content = (message[i:j] for i, j in pairwise(offsets[:6]))
    try:
        kind = json.loads(header)["msg_type"]
        opened = json.loads(content)["target_name"] if kind == "comm_open" else OPENS
    except (ValueError, KeyError, TypeError, RecursionError):
        return "a message of no form"
    if kind not in TALK or channel != b"shell":
        return f"a message {shown(kind)} on the channel {shown(channel.decode('utf-8', 'replace'))}"
    if opened != OPENS:
        return f"a message that opens {shown(opened)}"
    return ""


class Workbook(TornadoVoilaHandler):  # type: ignore[misc]
    """A workbook, shown; with a kernel of its own while there are not too many."""

    def initialize(self, most: int, **kwargs: Any) -> None:
        super().initialize(**kwargs)
        self._most = most

    @authenticated
    async def get(self, path: str) -> None:
        if path not in {page.file for page in pages()}:
            raise HTTPError(404)
        kernels = Kernels(self.kernel_manager)
        if kernels.visited() >= self._most:
            await kernels.end_left_ones()
        if kernels.visited() >= self._most:
            _LOG.warning("refused: %s, as %d pages are open", shown(path), kernels.visited())
            raise HTTPError(503, reason="Too many pages are open")
        async for html in self.get_generator(path=path):
            # Voila passes the time with a script in the page, which the page's policy forbids
            self.write("\n" if html.startswith("<script>window.voila_heartbeat") else html)
            self.flush()

    def write_error(self, status_code: int, **kwargs: Any) -> None:
        if status_code == 503:
            self.set_header("Retry-After", "60")
        super().write_error(status_code, **kwargs)


class Kernels:
    """
    The kernels that visitors have, apart from those that wait for one.

    Parameters
    ----------
    manager : MultiKernelManager
        As Voila makes it.
    """

    YOUNG: Final = timedelta(seconds=90)
    """How long a page may take to open before its kernel counts as left."""

    def __init__(self, manager: Any) -> None:
        self._manager = manager

    def visited(self) -> int:
        """How many kernels have, or had, a visitor."""
        return len(self._manager.list_kernel_ids()) - sum(len(pool) for pool in self._manager._pools.values())

    async def end_left_ones(self) -> None:
        """End the kernels whose page is gone."""
        for kernel_id in self._ids():
            if self.left(kernel_id):
                await self.end(kernel_id)

    def left(self, kernel_id: str) -> bool:
        """Whether no page is connected to a kernel, and none is just opening."""
        last = getattr(self._manager.get_kernel(kernel_id), "last_activity", None)
        young = last is not None and datetime.now(UTC) - last < self.YOUNG
        return not self.connections(kernel_id) and not young

    def connections(self, kernel_id: str) -> int:
        """How many pages are connected to a kernel."""
        return int(self._manager._kernel_connections.get(kernel_id, 0))

    async def end(self, kernel_id: str) -> None:
        """End a kernel, unless it has ended."""
        if kernel_id in self._manager:
            await ensure_async(self._manager.shutdown_kernel(kernel_id, now=True))

    def _ids(self) -> list[str]:
        waiting = set()
        for pool in self._manager._pools.values():
            for task in pool:
                if task.done() and not task.cancelled() and task.exception() is None:
                    waiting.add(task.result()["kernel_id"])
        return [kernel for kernel in self._manager.list_kernel_ids() if kernel not in waiting]


class Farewell(APIHandler):
    """A page that is being left: its kernel ends soon after, unless the page stays."""

    def check_xsrf_cookie(self) -> None:
        """A farewell carries no proof of its own, but the origin of its page, which the gate has compared."""
        if "Origin" not in self.request.headers:
            super().check_xsrf_cookie()

    @authenticated
    async def post(self, kernel_id: str) -> None:
        if kernel_id in self.kernel_manager:
            IOLoop.current().call_later(_GRACE_S, self._end_if_left, kernel_id)
        self.set_status(204)
        self.finish()

    async def _end_if_left(self, kernel_id: str) -> None:
        kernels = Kernels(self.kernel_manager)
        if not kernels.connections(kernel_id):
            await kernels.end(kernel_id)


class KernelFacts(APIHandler):
    """Whether a page's kernel is there. It can be asked for, not started, interrupted or ended."""

    @authenticated
    async def get(self, kernel_id: str) -> None:
        if kernel_id not in self.kernel_manager:
            raise HTTPError(404)
        model = await ensure_async(self.kernel_manager.kernel_model(kernel_id))  # type: ignore[no-untyped-call]
        self.finish({"id": model["id"], "name": model["name"]})


class Visitor(RequestInfoSocketHandler):  # type: ignore[misc]
    """Tells a kernel which address its visitor asked for. Only kernels ask: no browser, nobody through a proxy."""

    def prepare(self) -> None:
        sent = [name for name in ("Origin", "Cookie", "X-Forwarded-For") if name in self.request.headers]
        if sent or self.request.remote_ip not in ("127.0.0.1", "::1"):
            _LOG.warning("refused: %s from %s, which is no kernel", shown(self.request.path), self.request.remote_ip)
            raise HTTPError(403)
