"""Control of a gauge by check shims: the level, the spread within a check, and a gauge with a calibration line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtri, stdtrit

from labkit.metrology.drift import ControlChart, baseline_of, make_chart
from labkit.metrology.statistics import Pooled, as_numbers, check_level, describe, pool
from labkit.problems import BadInput, Reason


@dataclass(frozen=True)
class CheckStandard:
    """
    What the history of a check shim says of the gauge.

    Attributes
    ----------
    mean : float
        The accepted value, in the unit of the readings.
    level_1 : Pooled
        Spread of repeats within one check.
    level_2 : Pooled
        Spread of the values from check to check.
    chart : ControlChart
        Of the values, limits mean ± t·s of level 2.
    precision_limit : float or None
        What the spread within the newest check stays below; None where it has no repeats.
    noisy : tuple of int
        Checks whose own spread exceeds that, from 0.
    level : float
        Of the limits.
    """

    mean: float
    level_1: Pooled
    level_2: Pooled
    chart: ControlChart
    precision_limit: float | None
    noisy: tuple[int, ...]
    level: float

    def __str__(self) -> str:
        return f"check shim: mean {self.mean:.6g}, within {self.level_1}, from check to check {self.level_2}"

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {
            "level_1": self.level_1.to_dict(),
            "level_2": self.level_2.to_dict(),
            "chart": self.chart.to_dict(),
            "noisy": list(self.noisy),
        }


def check_standard(
    values: ArrayLike,
    short_term_sds: ArrayLike,
    short_term_dof: ArrayLike,
    *,
    baseline: int | None = None,
    level: float = 0.95,
) -> CheckStandard:
    """
    Control of a check shim: its values for the level, its repeats for the spread.

    Parameters
    ----------
    values : array_like, shape (n,)
        Mean reading of each check, in the order of time, in any one unit.
    short_term_sds, short_term_dof : array_like, shape (n,)
        Standard deviation of the repeats of each check, and its degrees of freedom (or one number for all).
    baseline : int, optional
        The first so many checks set the limits; default all.
    level : float
        Of the limits.

    Returns
    -------
    CheckStandard

    Raises
    ------
    BadInput
        Columns of unlike length, fewer than two checks, no repeats, a value that is not a number, or a level that is
        none.

    References
    ----------
    NIST/SEMATECH e-Handbook 2.2.2, 2.2.3 and 2.6.2 (from memory).
    """
    check_level(level)
    x, s = as_numbers(values, at_least=2), as_numbers(short_term_sds)
    if len(x) != len(s):
        raise BadInput("study.columns", lengths=(len(x), len(s)))
    nu = np.broadcast_to(as_numbers(short_term_dof), s.shape)
    n = baseline_of(baseline, len(x))
    found = describe(x[:n])
    assert found.sd is not None
    level_1, level_2 = pool(s[:n], nu[:n]), Pooled(found.sd, found.dof)
    half = float(stdtrit(found.dof, (1 + level) / 2)) * found.sd
    method = Reason("chart.check_standard", {"level": level, "baseline": n})
    chart = make_chart("check standard", x, found.mean, found.mean - half, found.mean + half, found.sd, n, method)
    limits = np.where(nu > 0, level_1.sd * np.sqrt(fdtri(np.maximum(nu, 1), level_1.dof, level)), np.inf)
    noisy = tuple(int(i) for i in np.flatnonzero(s > limits))
    newest = float(limits[-1]) if nu[-1] > 0 else None
    return CheckStandard(found.mean, level_1, level_2, chart, newest, noisy, level)


def linear_check_chart(
    readings: ArrayLike,
    references: ArrayLike,
    *,
    intercept: float,
    slope: float,
    residual_sd: float,
    dof: float,
    together: int,
    level: float = 0.95,
) -> ControlChart:
    """
    Control of a gauge with a calibration line: check shims read at several places of its range at once.

    Parameters
    ----------
    readings, references : array_like, shape (n,)
        Indication and reference value of each check reading, in the order of time.
    intercept, slope, residual_sd, dof : float
        Of the calibration line reading = intercept + slope·reference, and of its residuals.
    together : int
        Check shims read each time; `level` holds for all of them together.
    level : float
        Of the limits.

    Returns
    -------
    ControlChart
        Of (reading − intercept)/slope − reference, in the unit of the references.

    Raises
    ------
    BadInput
        Columns of unlike length, a value that is not a number, a slope of 0, a spread or dof not above 0, or a level
        that is none.

    References
    ----------
    NIST/SEMATECH e-Handbook 2.3.7 and 2.3.7.1 (from memory).
    """
    check_level(level)
    y, x = as_numbers(readings), as_numbers(references)
    if len(y) != len(x):
        raise BadInput("study.columns", lengths=(len(y), len(x)))
    finite = all(math.isfinite(each) for each in (intercept, slope, residual_sd, dof))
    if not finite or slope == 0 or residual_sd <= 0 or dof <= 0 or together < 1:
        raise BadInput("chart.line")
    sigma = residual_sd / abs(slope)
    half = float(stdtrit(dof, (1 + level ** (1 / together)) / 2)) * sigma
    method = Reason("chart.linear_check", {"level": level, "together": together})
    return make_chart("check standard", (y - intercept) / slope - x, 0.0, -half, half, sigma, None, method)
