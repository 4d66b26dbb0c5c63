"""
Every published case of the package, each as `labkit validate` runs it; the source is in its file.

What is checked beyond the published values stands in the other files of this folder.
"""

from __future__ import annotations

import pytest

from labkit.validation import cases, check


@pytest.mark.parametrize("one", cases(), ids=lambda one: f"{one.topic}-{one.name}")
def test_all_that_is_published_is_computed_and_agrees(one):
    assert check(one).disagreements() == (), one.source
