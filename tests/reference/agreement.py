"""Compare what was computed with what was published, and say every difference at once."""

from __future__ import annotations

from collections.abc import Mapping

from labkit.validation import Case


def disagreements(case: Case, computed: Mapping[str, float]) -> list[str]:
    """
    A line for each value that does not agree, or that was not published; empty where all agree.
    """
    unknown = [f"{name} is not published in {case.name}" for name in computed if name not in case.published]
    return unknown + [
        f"{name}: published {case.published[name].text}, computed {value!r} (LRE {case.published[name].lre(value):.1f})"
        for name, value in computed.items()
        if name in case.published and not case.published[name].agrees(value)
    ]


def left_unchecked(case: Case, computed: Mapping[str, float]) -> set[str]:
    """Published quantities that a test has not computed."""
    return set(case.published) - set(computed)
