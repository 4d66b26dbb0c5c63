"""Random draws of a measurement, in words: the same on the page and, from the record, on the sheet."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from labkit import format as text_of
from labkit.messages import sentence
from labkit.problems import Reason
from labkit.units import from_mm, small_unit

_VERDICTS = {True: "result.drawn_validated", False: "result.drawn_not_validated", None: "result.drawn_undecided"}


def drawn_in_words(found: Mapping[str, Any], unit: str = "mm") -> str:
    """
    What random draws say of the stated interval.

    Parameters
    ----------
    found : mapping
        As `labkit.calibration.simulation.Simulation.to_dict` gives it.
    unit : str
        One of `labkit.units.LENGTH_UNITS`.

    Returns
    -------
    str
        Its lengths have the decimals of the tolerance δ.
    """
    at, drawn, compared = found["at_mm"], found["drawn"], found["comparison"]
    delta = from_mm(compared["delta"], small_unit(unit))
    places = max(1, math.ceil(-math.log10(delta))) if delta > 0 else 2

    def shown(value_mm: float, *, signed: bool = False) -> str:
        return text_of.small_length(value_mm, unit, decimals=places, signed=signed)

    ends = {
        "low": drawn["symmetric"][0],
        "high": drawn["symmetric"][1],
        "short_low": drawn["shortest"][0],
        "short_high": drawn["shortest"][1],
        "gum_low": compared["low"],
        "gum_high": compared["high"],
    }
    reason = Reason.from_dict(compared["reason"])
    params = {
        "trials": f"{drawn['trials']:,}".replace(",", " "),
        **{name: shown(end - at, signed=True) for name, end in ends.items()},
        **{name: shown(compared[name]) for name in ("d_low", "d_high", "delta")},
        "percent": 200 * compared["delta"] / (compared["high"] - compared["low"]),
        "verdict": sentence(_VERDICTS[compared["validated"]]),
        "reason": sentence(reason.code, reason.params, unit),
    }
    return sentence("result.drawn", params, unit)
