"""The quantities of a published case, as its file lists them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from labkit.metrology import Quantity


def quantities_of(listed: Iterable[Mapping[str, Any]]) -> tuple[Quantity, ...]:
    """
    Quantities from ``{"name", "value", "u" or "half_width", "dist", "dof"}``.

    Parameters
    ----------
    listed : iterable of mapping
        Where nothing else is said, what has a ``half_width`` is rectangular and the degrees of freedom are infinite.

    Returns
    -------
    tuple of Quantity
    """
    return tuple(_quantity(**each) for each in listed)


def _quantity(
    name: str,
    value: float,
    u: float | None = None,
    half_width: float | None = None,
    dist: Any = None,
    dof: float | None = None,
) -> Quantity:
    known = math.inf if dof is None else dof
    if half_width is not None:
        return Quantity.within(name, value, half_width, dist or "rectangular", known)
    assert u is not None
    return Quantity(name, value, u, known, dist or "normal")
