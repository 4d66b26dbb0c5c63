"""What several folders of tests share."""

from __future__ import annotations

import pytest

from tests.sheets import Laboratory


@pytest.fixture(scope="session")
def laboratory() -> Laboratory:
    return Laboratory.found()


@pytest.fixture(scope="session")
def stranger() -> Laboratory:
    """Somebody who gave his authority and his signer the very same names."""
    return Laboratory.found()
