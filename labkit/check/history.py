"""How a rig has moved from check to check: one series a check shim, one for contact zero, one for the background."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import stdev
from typing import Any, Final

from labkit.calibration.options import limits
from labkit.metrology import CheckStandard, ControlChart, check_standard, ewma, individuals_chart
from labkit.metrology.conformity import Limits

BASELINE: Final = 15
"""Checks from which the limits are taken (common practice, no source)."""

LEVEL: Final = 0.99
"""Of the limit for the spread within one check (no source)."""

ZERO: Final = "zero"
BACKGROUND: Final = "background"


@dataclass(frozen=True)
class Past:
    """
    What one check says of the rig.

    Attributes
    ----------
    number : str
        Empty for a check that is not signed yet.
    at : str
        When it was read and judged: UTC, ISO 8601 with Z.
    certificate : str
        The number of the certificate that it leans on.
    deviations_mm : mapping of str to float
        By check shim [mm].
    spreads : mapping of str to (float, int)
        Standard deviation of the repeats, in the unit of the readings, and its degrees of freedom; by check shim.
    zero_mm : float or None
        By how much contact zero has moved since the calibration [mm].
    background : float or None
        In the unit of the readings.
    limits_mm : (float or None, float or None)
        Of the deviations [mm].
    """

    number: str
    at: str
    certificate: str
    deviations_mm: Mapping[str, float]
    spreads: Mapping[str, tuple[float, int]]
    zero_mm: float | None
    background: float | None
    limits_mm: Limits

    @classmethod
    def of(cls, record: Mapping[str, Any], number: str = "") -> Past:
        """From a record of schema ``labkit.check/1``; the record of the calibration in it is not needed."""
        found, inputs = record["results"], record["inputs"]
        values: dict[str, list[float]] = {}
        for row in inputs["readings"]["rows"]:
            if row["role"] == "check" and not row["left_out"]:
                values.setdefault(" + ".join(row["shims"]), []).append(row["value"])
        tolerance = inputs["options"]["tolerance_mm"]
        return cls(
            number,
            record["created"],
            inputs["calibration"]["number"],
            {each["point"]: each["deviation_mm"] for each in found["checks"]},
            {name: (stdev(each), len(each) - 1) for name, each in values.items() if len(each) > 1},
            found["zero"]["shift_mm"] if found["zero"] else None,
            found["background"]["now"],
            limits(tuple(tolerance) if isinstance(tolerance, list) else tolerance),
        )

    def value(self, what: str) -> float | None:
        """The point in the series `what`; None where it was not read."""
        if what == ZERO:
            return self.zero_mm
        return self.background if what == BACKGROUND else self.deviations_mm.get(what)


@dataclass(frozen=True)
class Series:
    """
    One thing that is watched.

    Attributes
    ----------
    what : str
        A check shim, or "zero" or "background".
    pasts : tuple of Past
        The checks in which it was read, the earliest first.
    values : tuple of float
        In mm, the background in the unit of the readings.
    chart : ControlChart or None
        Of single values, centre and limits from the first `BASELINE`; None while there are fewer, or where these show
        no spread at all.
    average : ControlChart or None
        The weighted mean, which sees a slow drift.
    standard : CheckStandard or None
        Of the spread within each check; None where a shim was not always read more than once.
    """

    what: str
    pasts: tuple[Past, ...]
    values: tuple[float, ...]
    chart: ControlChart | None
    average: ControlChart | None
    standard: CheckStandard | None

    @property
    def beyond(self) -> bool:
        """Whether the newest point lies beyond its limits."""
        return self.chart is not None and len(self.values) - 1 in self.chart.beyond

    @property
    def drifts(self) -> bool:
        """Whether the weighted mean has passed its limits with the newest point."""
        return self.average is not None and len(self.values) - 1 in self.average.beyond

    @property
    def noisy(self) -> bool:
        """Whether the newest repeats scatter more than those before."""
        return self.standard is not None and len(self.values) - 1 in self.standard.noisy


def watched(pasts: Sequence[Past]) -> tuple[str, ...]:
    """What was read in any check: the shims in their order of thickness as first read, then zero and background."""
    shims = dict.fromkeys(name for past in pasts for name in past.deviations_mm)
    found = list(shims)
    found += [each for each in (ZERO, BACKGROUND) if any(past.value(each) is not None for past in pasts)]
    return tuple(found)


def series(pasts: Sequence[Past], what: str, baseline: int = BASELINE) -> Series:
    """
    The series of one thing that is watched.

    Parameters
    ----------
    pasts : sequence of Past
        The earliest first.
    what : str
    baseline : int
        How many checks set the limits.

    Returns
    -------
    Series

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.2 (individuals), 6.3.2.4 (weighted mean, λ = 0.3), 2.2.3 (spread within a check).
    """
    read = tuple(past for past in pasts if past.value(what) is not None)
    values = tuple(value for past in read if (value := past.value(what)) is not None)
    if len(values) < baseline:
        return Series(what, read, values, None, None, None)
    spreads = [past.spreads.get(what) for past in read]
    standard = None
    if all(each is not None for each in spreads):
        sds, dof = zip(*(each for each in spreads if each is not None), strict=True)
        standard = check_standard(values, sds, dof, baseline=baseline, level=LEVEL)
    chart = individuals_chart(values, baseline=baseline).level
    if chart.sigma <= 0:
        return Series(what, read, values, None, None, standard)
    return Series(what, read, values, chart, ewma(values, start=chart.centre, sigma=chart.sigma), standard)
