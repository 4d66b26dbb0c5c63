"""A PostgreSQL server of the distribution, started for the tests on this machine and stopped after them."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from pathlib import Path

from labkit.ledger import new_id
from labkit.ledger.store import close_store
from tests.__main__ import find_program

ACCOUNT = "postgres"
"""The account that the distribution's package makes: a server does not run as root."""


class Server:
    """A server with a cluster of its own on a free port, open to everybody on this machine."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="labkit-postgres-"))
        self.account = ACCOUNT if os.geteuid() == 0 else None
        if self.account:
            shutil.chown(self.folder, self.account, self.account)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self._folders: list[Path] = []
        self._run("initdb", "-D", self._cluster, "-A", "trust", "-U", "labkit", "-E", "UTF8", "--locale=C.UTF-8")
        self.start()

    @property
    def url(self) -> str:
        return f"postgresql+psycopg://labkit@127.0.0.1:{self.port}/postgres"

    @property
    def _cluster(self) -> str:
        return str(self.folder / "cluster")

    def start(self) -> None:
        options = f"-p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={self.folder}"
        self._run("pg_ctl", "-D", self._cluster, "-o", options, "-l", str(self.folder / "log"), "-w", "start")

    def stop(self, how: str = "fast") -> None:
        """`how` is pg_ctl's mode: "immediate" is a crash."""
        self._run("pg_ctl", "-D", self._cluster, "-m", how, "-w", "stop")

    def remove(self) -> None:
        self.stop("immediate")
        shutil.rmtree(self.folder, ignore_errors=True)

    def settings(self, data: Path, laboratory: str = "") -> Path:
        """A data folder whose ledger is on this server: a laboratory of its own there."""
        data.mkdir(parents=True, exist_ok=True)
        file = data / "ledger.toml"
        file.touch(mode=0o600)
        self._folders.append(data)
        file.write_text(f'url = "{self.url}"\nlaboratory = "{laboratory or new_id()}"\n')
        return data

    def let_go(self) -> None:
        """Close the connections of this process to the ledgers that were set up since."""
        while self._folders:
            close_store(self._folders.pop())

    def _run(self, program: str, *arguments: str) -> None:
        path = find_program(program)
        assert path, f"{program} is not on this machine: python -m tests installs it"
        done = subprocess.run(
            [path, *arguments], user=self.account, cwd=self.folder, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr
