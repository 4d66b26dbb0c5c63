"""What a gauge study comes to: the table, the components and their shares."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final, Literal

from labkit.metrology.study_layout import Design
from labkit.problems import Caution, Reason

Source = Literal["part", "operator", "interaction", "equipment"]

FEW_OPERATORS: Final = 3
FEW_PARTS: Final = 5
"""Fewer say little about how operators or parts differ (common practice, no source)."""


@dataclass(frozen=True)
class AnovaRow:
    """
    One row of the table of the analysis of variance.

    Attributes
    ----------
    source : str
        "part", "operator", "interaction" or "equipment".
    ss, ms : float
        Sum of squares and mean square, in the square of the unit of the readings.
    dof : int
    F, p : float or None
        Against the row that the design says; None where there is none.
    """

    source: Source
    ss: float
    dof: int
    ms: float
    F: float | None = None
    p: float | None = None

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self))


@dataclass(frozen=True)
class Component:
    """
    What one source adds to the spread of the readings.

    Attributes
    ----------
    sd : float
        Standard deviation, in the unit of the readings; 0 where `raw_variance` is below 0.
    raw_variance : float
        As the mean squares give it, which may be below 0.
    interval : (float, float) or None
        Of the standard deviation, for the level of the study; None where the method gives none.
    dof : float or None
        Effective degrees of freedom; None where they cannot be told.
    of_total : float or None
        Share of the total standard deviation; None where nothing scatters.
    of_tolerance : float or None
        Multiplier times `sd` over the width of the tolerance; None where there is none.
    """

    sd: float
    raw_variance: float
    interval: tuple[float, float] | None
    dof: float | None
    of_total: float | None
    of_tolerance: float | None

    @property
    def variance(self) -> float:
        return self.sd**2

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"interval": None if self.interval is None else list(self.interval)}


@dataclass(frozen=True)
class GaugeStudy:
    """
    The result of a gauge study.

    Attributes
    ----------
    design : str
        "crossed": every operator read every part. "nested": each operator read parts of their own.
    parts, operators, repeats : int
        How many; for a nested study, parts of each operator.
    table : tuple of AnovaRow
        Interaction and equipment each with a row, pooled or not; empty for the method of average and range.
    components : mapping of str to Component
        "repeatability" (equipment variation), "operator", "interaction" (crossed, not pooled), "reproducibility",
        "gauge" (repeatability and reproducibility together), "part" and "total".
    pooled : bool or None
        Whether the interaction was pooled with repeatability; None where there is none to pool.
    alpha : float or None
        It is pooled where its p is above.
    multiplier : float
        Standard deviations that are compared with the width of the tolerance.
    tolerance_width : float or None
        Upper less lower limit, in the unit of the readings.
    level : float or None
        Of the intervals.
    methods : tuple of Reason
        Formulas and their sources, as sentences.
    cautions : tuple of Caution
    """

    design: Design
    parts: int
    operators: int
    repeats: int
    table: tuple[AnovaRow, ...]
    components: Mapping[str, Component]
    pooled: bool | None
    alpha: float | None
    multiplier: float
    tolerance_width: float | None
    level: float | None
    methods: tuple[Reason, ...]
    cautions: tuple[Caution, ...]

    @property
    def distinct_categories(self) -> int | None:
        """Groups of parts that the gauge can tell apart, √2·s(part)/s(gauge) cut down; None where nothing scatters."""
        gauge = self.components["gauge"].sd
        return math.floor(math.sqrt(2) * self.components["part"].sd / gauge) if gauge > 0 else None

    def row(self, source: Source) -> AnovaRow:
        """The row of that source in `table`."""
        return next(row for row in self.table if row.source == source)

    def __str__(self) -> str:
        gauge = self.components["gauge"]
        text = f"gauge s = {gauge.sd:.4g}"
        if gauge.of_total is not None:
            text += f", {100 * gauge.of_total:.1f} % of the total spread"
        if gauge.of_tolerance is not None:
            text += f", {100 * gauge.of_tolerance:.1f} % of the tolerance"
        return f"{text} ({self.operators} operators, {self.parts} parts, {self.repeats} readings each)"

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {
            "table": [row.to_dict() for row in self.table],
            "components": {name: each.to_dict() for name, each in self.components.items()},
            "distinct_categories": self.distinct_categories,
            "methods": [each.to_dict() for each in self.methods],
            "cautions": [each.to_dict() for each in self.cautions],
        }


def shared_out(
    raw: Mapping[str, float],
    limits: Mapping[str, tuple[float, float]],
    dof: Mapping[str, float | None],
    width: float | None,
    multiplier: float,
) -> tuple[Mapping[str, Component], list[Caution]]:
    """Components from raw variances: those below 0 are set to 0, and sums are of what is left."""
    simple = ("repeatability", "operator", "interaction", "part")
    kept = {name: max(raw[name], 0.0) for name in simple if name in raw}
    kept["reproducibility"] = kept["operator"] + kept.get("interaction", 0.0)
    kept["gauge"] = kept["repeatability"] + kept["reproducibility"]
    kept["total"] = kept["gauge"] + kept["part"]
    gauge_raw = raw["repeatability"] + raw["reproducibility"]
    as_they_came = {"gauge": gauge_raw, "total": gauge_raw + raw["part"]} | dict(raw)
    total = math.sqrt(kept["total"])
    order = ("repeatability", "operator", "interaction", "reproducibility", "gauge", "part", "total")
    components = {}
    for name in order:
        if name in kept:
            sd = math.sqrt(kept[name])
            components[name] = Component(
                sd,
                as_they_came[name],
                limits.get(name),
                dof.get(name),
                sd / total if total > 0 else None,
                multiplier * sd / width if width is not None else None,
            )
    cautions = [
        Caution(f"gauge_study.negative_{name}", {"raw_variance": raw[name]})
        for name in simple
        if raw.get(name, 0.0) < 0
    ]
    return MappingProxyType(components), cautions


def shares(width: float | None, multiplier: float) -> list[Reason]:
    found = [Reason("gauge_study.of_total"), Reason("gauge_study.categories")]
    if width is not None:
        found.insert(1, Reason("gauge_study.of_tolerance", {"multiplier": multiplier, "width": width}))
    return found


def few(operators: int, parts: int) -> list[Caution]:
    found = []
    if operators < FEW_OPERATORS:
        found.append(Caution("gauge_study.few_operators", {"operators": operators}))
    if parts < FEW_PARTS:
        found.append(Caution("gauge_study.few_parts", {"parts": parts}))
    return found
