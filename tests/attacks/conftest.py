"""The dashboards as `labkit serve --demo` starts them, and somebody who came in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.attacks.visitor import Visitor
from tests.browser.conftest import Served, serving


@pytest.fixture(scope="package")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with serving(tmp_path_factory.mktemp("attacked")) as (running, _):
        yield running


@pytest.fixture
def stranger(served: Served) -> Visitor:
    return Visitor(served.root)


@pytest.fixture
def visitor(served: Served) -> Visitor:
    return Visitor(served.root).come_in(served.token)


@pytest.fixture
def logged(served: Served) -> Callable[[str], str]:
    """What a log (`serve` or `pages`) has been given since the test began."""
    files = {name: served.data / "logs" / f"{name}.log" for name in ("serve", "pages")}
    began = {name: _size(file) for name, file in files.items()}
    return lambda name: files[name].read_bytes()[began[name] :].decode() if files[name].exists() else ""


def _size(file: Path) -> int:
    return file.stat().st_size if file.exists() else 0
