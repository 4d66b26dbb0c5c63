"""What several folders of tests share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from tests.postgres import Server
from tests.sheets import Laboratory

# a machine that tests is a busy machine: how long an example takes there says nothing
settings.register_profile("patient", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("patient")


@pytest.fixture(scope="session")
def laboratory() -> Laboratory:
    return Laboratory.found()


@pytest.fixture(scope="session")
def stranger() -> Laboratory:
    """Somebody who gave his authority and his signer the very same names."""
    return Laboratory.found()


@pytest.fixture(scope="session")
def _running_server() -> Iterator[Server]:
    server = Server()
    yield server
    server.remove()


@pytest.fixture
def postgres(_running_server: Server) -> Iterator[Server]:
    """One server for all tests; it takes a hundred connections, so each test gives its own back."""
    yield _running_server
    _running_server.let_go()


@pytest.fixture(params=["sqlite", "postgresql"])
def ledger_folder(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """An empty data folder, once with a database of its own and once on a server."""
    if request.param == "sqlite":
        return tmp_path
    server: Server = request.getfixturevalue("postgres")
    return server.settings(tmp_path)
