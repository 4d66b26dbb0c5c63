"""The readings of a gauge study, laid out by operator, part and repeat."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from labkit.metrology.statistics import Array, as_numbers, check_level
from labkit.problems import BadInput, Where

Design = Literal["crossed", "nested"]

DESIGNS: Final[tuple[Design, ...]] = ("crossed", "nested")


def check_options(design: str, width: float | None, multiplier: float, alpha: float, level: float) -> None:
    """Refuse options out of their range, with words."""
    if design not in DESIGNS:
        raise BadInput("gauge_study.design", design=design, known=DESIGNS)
    if width is not None and not (math.isfinite(width) and width > 0):
        raise BadInput("study.tolerance_width", width=width)
    if not (math.isfinite(multiplier) and multiplier > 0):
        raise BadInput("study.multiplier", multiplier=multiplier)
    if not 0 <= alpha <= 1:
        raise BadInput("gauge_study.alpha", alpha=alpha)
    check_level(level)


def cells(values: ArrayLike, parts: Sequence[Hashable], operators: Sequence[Hashable], design: Design) -> Array:
    """
    Readings by operator, part and repeat: every operator has as many parts, all read as often.

    Parameters
    ----------
    values : array_like, shape (n,)
    parts, operators : sequence, length n
    design : str

    Returns
    -------
    ndarray, shape (o, p, r)

    Raises
    ------
    BadInput
        As `labkit.metrology.gauge_study`.
    """
    y = as_numbers(values)
    if not len(y) == len(parts) == len(operators):
        raise BadInput("study.columns", lengths=(len(y), len(parts), len(operators)))
    for i, names in enumerate(zip(parts, operators, strict=True)):
        # NaN is what an empty cell of a table becomes, and is unlike itself
        if any(name is None or name == "" or name != name for name in names):
            raise BadInput("gauge_study.no_name", Where(row=i + 1))
    people = list(dict.fromkeys(operators))
    if len(people) < 2:
        raise BadInput("gauge_study.one_operator", operators=len(people))
    counts = Counter(zip(operators, parts, strict=True))
    own = {who: [part for by, part in counts if by == who] for who in people}
    _check_parts(own, design)
    if design == "crossed":
        every = list(dict.fromkeys(parts))
        own = dict.fromkeys(people, every)
    usual = max(Counter(counts.values()).items(), key=lambda each: (each[1], each[0]))[0]
    unlike = [(who, part) for who in people for part in own[who] if counts[who, part] != usual]
    if unlike:
        who, part = unlike[0]
        raise BadInput(
            "gauge_study.unbalanced",
            operator=str(who),
            part=str(part),
            got=counts[who, part],
            usual=usual,
            others=len(unlike) - 1,
        )
    if usual < 2:
        raise BadInput("gauge_study.read_once")
    gathered: dict[tuple[Hashable, Hashable], list[float]] = {}
    for value, part, who in zip(y, parts, operators, strict=True):
        gathered.setdefault((who, part), []).append(float(value))
    return np.array([[gathered[who, part] for part in own[who]] for who in people])


def _check_parts(own: Mapping[Hashable, Sequence[Hashable]], design: Design) -> None:
    if design == "nested":
        seen: dict[Hashable, Hashable] = {}
        for who, theirs in own.items():
            for part in theirs:
                if part in seen:
                    raise BadInput("gauge_study.not_nested", part=str(part), one=str(seen[part]), other=str(who))
                seen[part] = who
        fewest = min(own, key=lambda who: len(own[who]))
        most = max(own, key=lambda who: len(own[who]))
        if len(own[fewest]) != len(own[most]):
            raise BadInput(
                "gauge_study.unlike_parts",
                operator=str(fewest),
                got=len(own[fewest]),
                other=str(most),
                most=len(own[most]),
            )
    if max(len(set(theirs)) for theirs in own.values()) < 2:
        raise BadInput("gauge_study.one_part")
