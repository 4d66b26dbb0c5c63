"""The stability of a gauge over repeats, days and runs: the three levels of the e-Handbook's nested gauge study."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from labkit.metrology.statistics import Pooled, as_numbers, describe, pool
from labkit.problems import BadInput


@dataclass(frozen=True)
class StabilityStudy:
    """
    The spread of one gauge at each level, pooled over the artefacts.

    Attributes
    ----------
    level_1 : mapping of run to Pooled
        Repeats within a day.
    level_2 : mapping of run to Pooled
        Means of a day within a run.
    level_3 : Pooled or None
        Means of a run; None for one run.
    """

    level_1: Mapping[Hashable, Pooled]
    level_2: Mapping[Hashable, Pooled]
    level_3: Pooled | None

    def __str__(self) -> str:
        runs = [f"run {run}: repeats {self.level_1[run]}, days {self.level_2[run]}" for run in self.level_1]
        return "\n".join(runs if self.level_3 is None else [*runs, f"runs: {self.level_3}"])

    def to_dict(self) -> dict[str, Any]:
        return {
            "level_1": {str(run): each.to_dict() for run, each in self.level_1.items()},
            "level_2": {str(run): each.to_dict() for run, each in self.level_2.items()},
            "level_3": None if self.level_3 is None else self.level_3.to_dict(),
        }


def stability_study(
    day_means: ArrayLike,
    day_sds: ArrayLike,
    day_dof: ArrayLike,
    artefacts: Sequence[Hashable],
    runs: Sequence[Hashable],
) -> StabilityStudy:
    """
    The spread of one gauge within days, between days and between runs.

    Parameters
    ----------
    day_means, day_sds, day_dof : array_like, shape (n,)
        Mean and standard deviation of the repeats of one day on one artefact, in any one unit, and the degrees of
        freedom (or one number for all).
    artefacts, runs : sequence, length n
        What was read, and in which run of days.

    Returns
    -------
    StabilityStudy

    Raises
    ------
    BadInput
        Columns of unlike length, a value that is not a number, an artefact that was read on one day of a run only, or
        not in every run.

    References
    ----------
    NIST/SEMATECH e-Handbook 2.4.4 and 2.6.1 (from memory).
    """
    y, s = as_numbers(day_means), as_numbers(day_sds)
    if not len(y) == len(s) == len(artefacts) == len(runs):
        raise BadInput("study.columns", lengths=(len(y), len(s), len(artefacts), len(runs)))
    nu = np.broadcast_to(as_numbers(day_dof), s.shape)
    what, when = list(dict.fromkeys(artefacts)), list(dict.fromkeys(runs))
    rows: dict[Hashable, dict[Hashable, list[int]]] = {run: {each: [] for each in what} for run in when}
    for i, (artefact, run) in enumerate(zip(artefacts, runs, strict=True)):
        rows[run][artefact].append(i)
    level_1, level_2 = {}, {}
    means = np.empty((len(when), len(what)))
    for r, run in enumerate(when):
        sds, dof = [], []
        for a, artefact in enumerate(what):
            days = rows[run][artefact]
            if len(days) < 2:
                raise BadInput("stability.one_day", artefact=str(artefact), run=str(run), got=len(days))
            found = describe(y[days])
            means[r, a] = found.mean
            sds.append(found.sd or 0.0)
            dof.append(found.dof)
        mine = [i for days in rows[run].values() for i in days]
        level_1[run] = pool(s[mine], nu[mine])
        level_2[run] = pool(sds, dof)
    level_3 = None
    if len(when) > 1:
        variance = means.var(axis=0, ddof=1)
        level_3 = Pooled(math.sqrt(math.fsum(variance) / len(what)), len(what) * (len(when) - 1))
    return StabilityStudy(MappingProxyType(level_1), MappingProxyType(level_2), level_3)
