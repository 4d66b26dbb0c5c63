"""The shares of u² that a bar chart has room for: the same on the page and on the sheet."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from labkit.messages import sentence

MOST_BARS: Final = 8
"""The lines that follow are drawn together."""


def bars(shares: Iterable[tuple[str, float]]) -> list[tuple[str, float]]:
    """
    Names and shares, the largest first; what comes after `MOST_BARS` is one bar.

    Parameters
    ----------
    shares : iterable of (str, float)
        The name of each line, and its share of u².

    Returns
    -------
    list of (str, float)
    """
    named = sorted(shares, key=lambda each: -each[1])
    rest = named[MOST_BARS:]
    if len(rest) < 2:
        return named
    together = sentence("result.other_lines", {"count": len(rest)})
    return [*named[:MOST_BARS], (together, sum(share for _, share in rest))]
