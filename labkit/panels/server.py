"""
The dashboards' server: Voila in this process, closed to everybody who was not let in.

Differs from a stock Voila in what it serves (workbooks and our assets, no files, no folders), in
loading nothing from outside the machine, and in reading no configuration but this file. Who is let in stands in
`entrance`, what every request passes in `gate`, what a browser may say to a kernel in `channel`.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import signal
import socket
import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import jinja2
from jupyter_core.utils import run_sync
from jupyter_server.base.handlers import FileFindHandler, JupyterHandler
from jupyter_server.utils import url_path_join
from tornado.httpclient import AsyncHTTPClient, HTTPClientError
from tornado.httpserver import HTTPServer
from tornado.ioloop import IOLoop
from tornado.netutil import bind_sockets
from tornado.web import HTTPError, StaticFileHandler, authenticated
from traitlets.config import Config
from voila.app import Voila
from voila.static_file_handler import MultiStaticFileHandler, TemplateStaticFileHandler

from labkit.bench.about import Party
from labkit.ledger import Bench, load_bench
from labkit.panels.channel import TALK, Channel, Farewell, KernelFacts, Visitor, Workbook
from labkit.panels.entrance import WayIn
from labkit.panels.gate import Headers, NoSuchPage, Refused, Stranger, WithToken, log_request
from labkit.panels.logs import log_server, server_log
from labkit.panels.pages import address, pages
from labkit.paths import DATA_VARIABLE, workbooks
from labkit.problems import Problem

PANELS: Final = Path(__file__).resolve().parent
TEMPLATE: Final = "labkit"
UPLOAD_LIMIT: Final = 10_000_000
"""Largest file [bytes] that a page takes. Pages refuse what is larger before it is sent."""

_START_LIMIT_S: Final = 120
_CULL_AFTER_S: Final = 30 * 60
_CULL_EVERY_S: Final = 60
_LARGEST_BODY: Final = 100_000
"""Bytes that a request may bring; what is larger comes through a page's connection."""

_KERNEL: Final = r"(?P<kernel_id>\w+-\w+-\w+-\w+-\w+)"


class Assets(StaticFileHandler):
    """Style sheets, fonts and scripts. Asked for again each time, so that a new labkit is not shown in old clothes."""

    def set_extra_headers(self, path: str) -> None:
        self.set_header("Cache-Control", "no-cache")


class FirstPage(JupyterHandler):
    """The address of the server leads to the first page, which is the Bench."""

    @authenticated
    def get(self) -> None:
        found = pages()
        if not found:
            raise HTTPError(404)
        self.redirect(address(found[0], self.base_url))


class Dashboards(Voila):  # type: ignore[misc]
    """Voila as this project serves it."""

    def __init__(
        self,
        data: Path,
        port: int,
        ready: Callable[[str], None],
        way: WayIn,
        *,
        most_pages: int,
        **kwargs: Any,
    ) -> None:
        config = _configuration(data)
        config.merge(way.config)
        super().__init__(config=config, **kwargs)
        self.data = data
        self.wanted_port = port if way.port is None else way.port
        self.ready = ready
        self.way = way
        self.most_pages = most_pages
        self.base_url = way.base_url
        self.token, self.auto_token = way.token, way.token is None
        self.identity_provider_class = way.provider
        self.failed: Problem | None = None

    def start(self) -> None:
        """Serve until somebody stops it."""
        # bound before anything else is made: the kernels are told the port, and a taken one is said at once
        self.sockets = _bind(self.wanted_port, self.way.host)
        self.port = self.sockets[0].getsockname()[1]
        super().start()
        if self.failed:
            raise self.failed

    def init_settings(self) -> dict[str, Any]:
        settings: dict[str, Any] = super().init_settings()
        ours = str(PANELS / "share" / "voila" / "templates" / TEMPLATE)
        settings["jinja2_env"].loader = jinja2.ChoiceLoader(
            [jinja2.FileSystemLoader(ours), settings["jinja2_env"].loader]
        )
        settings["default_handler_class"] = NoSuchPage
        settings["log_function"] = log_request
        settings["xsrf_cookie_kwargs"] = {"samesite": "Lax", "path": self.base_url}
        self.kernel_manager.allowed_message_types = sorted(TALK)
        for environment in (settings["jinja2_env"], settings["voila_jinja2_env"]):
            environment.globals["laboratory"] = _laboratory(self.data)
        return settings

    def init_handlers(self) -> list[Any]:
        self.app.add_transform(Headers)
        static = {"paths": self.static_paths}
        extensions = {"path": self.labextensions_path, "no_cache_paths": ["/"]}
        workbook = {
            "template_paths": self.template_paths,
            "config": self.config,
            "voila_configuration": self.voila_configuration,
            "most": self.most_pages,
        }
        # all there is: what Voila would serve besides stays closed, in its next version too
        paths: list[tuple[Any, ...]] = [
            (r"/", FirstPage),
            *self.identity_provider.get_handlers(),
            (r"/labkit/(.*)", Assets, {"path": str(PANELS / "assets")}),
            (r"/voila/render/(.*)", Workbook, workbook),
            (r"/voila/static/(.*)", MultiStaticFileHandler, static),
            # Voila's handler fails on an address of another form
            (r"/voila/templates/(\w+/static/(?!.*\.\.)[\w./-]+)", TemplateStaticFileHandler),
            (r"/voila/labextensions/(.*)", FileFindHandler, extensions),
            (rf"/voila/query/{_KERNEL}", Visitor),
            (rf"/voila/api/shutdown/{_KERNEL}", Farewell),
            (rf"/api/kernels/{_KERNEL}", KernelFacts),
            (rf"/api/kernels/{_KERNEL}/channels", Channel),
        ]
        return [
            (Stranger(self.way.hosts), Refused),
            (WithToken(), self.way.with_token),
            *((url_path_join(self.server_url, path), *rest) for path, *rest in paths),
        ]

    def listen(self) -> None:
        server = HTTPServer(self.app, max_body_size=_LARGEST_BODY)
        server.add_sockets(self.sockets)
        self.ioloop = IOLoop.current()
        self.ioloop.add_callback(self._announce)
        try:
            self.ioloop.start()
        except KeyboardInterrupt:
            self.log.info("Stopped from the keyboard")
        finally:
            server.stop()
            self.stop()

    def stop(self) -> None:
        """End every kernel first; their sockets lie in the folder that goes after them."""
        run_sync(self.kernel_manager.shutdown_all)(now=True)
        shutil.rmtree(self.connection_dir, ignore_errors=True)

    async def _announce(self) -> None:
        """Say the address once a page can really be opened: the server answers and the first kernels are on."""
        root = f"http://127.0.0.1:{self.port}{self.base_url}"
        expected = {page.file for page in pages()}
        deadline = time.monotonic() + _START_LIMIT_S
        while time.monotonic() < deadline:
            if expected <= set(self.kernel_manager.notebook_data):
                try:
                    await AsyncHTTPClient().fetch(f"{root}labkit/favicon.svg")
                except (HTTPClientError, OSError):
                    self.log.warning("The first page does not answer yet", exc_info=True)
                else:
                    self.ready(f"{root}?token={self.token}" if self.token else root)
                    return
            await asyncio.sleep(0.05)
        self.failed = Problem(
            "serve.not_ready", seconds=_START_LIMIT_S, log=str(server_log(self.data, self.way.account))
        )
        self.ioloop.stop()


def serve(data: Path, port: int, ready: Callable[[str], None], way: WayIn, *, most_pages: int) -> None:
    """
    Serve the dashboards on this machine until they are stopped from the keyboard or by SIGTERM.

    Parameters
    ----------
    data : Path
        The data folder; it exists.
    port : int
        0 for any that is free.
    ready : callable
        Takes the address, with the token where there is one, once a page can be opened.
    way : WayIn
        How people come in.
    most_pages : int
        Pages that may be open at a time.

    Raises
    ------
    Problem
        ``serve.port_taken``, ``serve.not_ready``.
    """
    os.umask(0o077)  # nobody else on this machine reads what is written from here on, by the kernels neither
    os.environ[DATA_VARIABLE] = str(data)
    os.environ["JUPYTER_PATH"] = os.pathsep.join(
        [str(PANELS / "share"), *filter(None, [os.environ.get("JUPYTER_PATH")])]
    )
    # a kernel asks this server for its visitor's address: never by way of a proxy
    os.environ["NO_PROXY"] = os.environ["no_proxy"] = ",".join(
        ["127.0.0.1", "localhost", *filter(None, [os.environ.get("NO_PROXY") or os.environ.get("no_proxy")])]
    )
    # a shell that starts this in the background has it ignore Ctrl+C; it ends all the same
    signal.signal(signal.SIGINT, signal.default_int_handler)
    dashboards = Dashboards(data, port, ready, way, most_pages=most_pages)
    log_server(server_log(data, way.account), way.secrets)
    dashboards.log.handlers.clear()
    dashboards.log.propagate = True
    dashboards.initialize([])
    dashboards.start()


def _configuration(data: Path) -> Config:
    config = Config()
    config.Voila.config_file_paths = []
    config.Voila.ip = "127.0.0.1"
    config.Voila.root_dir = str(workbooks())
    config.Voila.open_browser = False
    config.Voila.tornado_settings = {"websocket_max_message_size": 2 * UPLOAD_LIMIT}
    config.VoilaConfiguration.template = TEMPLATE
    config.VoilaConfiguration.allow_template_override = "NO"
    config.VoilaConfiguration.allow_theme_override = "NO"
    config.VoilaConfiguration.file_allowlist = []
    config.VoilaConfiguration.resources = {"laboratory": asdict(_laboratory(data))}
    config.VoilaConfiguration.preheat_kernel = True
    config.VoilaConfiguration.default_pool_size = 1
    config.VoilaConfiguration.extension_allowlist = [
        "@jupyter-widgets/jupyterlab-manager",
        "@voila-dashboards/widgets-manager8",
        "anywidget",
    ]
    config.KernelManager.transport = "ipc"
    # on a busy machine what a cell shows comes late; where nobody waits for it the page stays empty
    config.VoilaExecutor.iopub_timeout = _START_LIMIT_S
    # a tab that was closed says farewell; one whose machine went to sleep does not
    config.AsyncMappingKernelManager.cull_idle_timeout = _CULL_AFTER_S
    config.AsyncMappingKernelManager.cull_interval = _CULL_EVERY_S
    config.AsyncMappingKernelManager.cull_connected = False
    # a signed PDF is one large message, and would be dropped in silence
    config.ZMQChannelsWebsocketConnection.limit_rate = False
    return config


def _bind(port: int, host: str) -> list[socket.socket]:
    try:
        return bind_sockets(port, host or None)
    except OSError as error:
        raise Problem("serve.port_taken", port=port, other=_free_port()) from error


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _laboratory(data: Path) -> Party:
    try:
        return load_bench(data).laboratory
    except Problem:
        return Bench().laboratory  # the Bench says what is wrong
