"""How probably a rig passes, against what it is truly off by."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import plotly.graph_objects as go

from labkit import format as text_of
from labkit.calibration.checks import Check
from labkit.calibration.in_print import printed_limit
from labkit.calibration.operating import least_known, operating
from labkit.calibration.result import Calibration
from labkit.charts import look
from labkit.charts.look import COLOURS, Theme
from labkit.messages import sentence
from labkit.metrology.conformity import Outcome

GRID: Final = 241

_MARGIN: Final = {"l": 40, "r": 16, "t": 46, "b": 68}
_HEIGHT: Final = 344

_LINES: Final[tuple[tuple[Outcome, str, float, str], ...]] = (
    ("pass", "s1", 2.4, "solid"),
    ("conditional pass", "s2", 2.0, look.DASHED),
    ("conditional fail", "s3", 2.0, look.DOTTED),
)
"""Each line is the probability of this outcome or a better one."""

_ROW: Final = 0.075
"""Of the axis: from the name of a check shim to that above it."""

_NEAR: Final = 0.14
"""Of the axis: check shims that lie no further apart have their names above one another."""


def operating_figure(result: Calibration, *, theme: Theme = "light", unit: str = "mm", reading: str = "") -> go.Figure:
    """
    The operating curve of the decision rule, its limits and guard band, and what the check shims were measured off by.

    Parameters
    ----------
    result : Calibration
    theme : "light" or "dark"
    unit : str
        One of `labkit.units.LENGTH_UNITS`.
    reading : str
        Not used: nothing that is being read is in it.

    Returns
    -------
    Figure
        Four traces, in the same order whatever the rule.
    """
    check = least_known(result.checks)
    if check is None or check.decision is None:
        return look.sentence_figure(theme, sentence("result.no_tolerance"), 72)
    _, small, fine = look.scales(unit)
    colours = COLOURS[theme]
    low, high = _span(check, result.checks)
    true = np.linspace(low, high, GRID)
    curve = operating(check, true)
    traces, so_far = [], np.zeros_like(true)
    for outcome, colour, width, dash in _LINES:
        x, y = np.empty(0), np.empty(0)
        if outcome in curve.probability:
            so_far = so_far + curve.probability[outcome]
            x, y = true * fine, 100 * so_far
        line = {"color": colours[colour], "width": width, "dash": dash}
        traces.append(go.Scatter(x=x, y=y, name=outcome, mode="lines", hoverinfo="skip", line=line))
    traces.append(_marks(result.checks, fine, unit, colours))
    w = curve.guard_band_mm
    four = len(curve.probability) > 2
    made = look.figure(
        theme,
        _HEIGHT,
        _MARGIN,
        xaxis=look.axis(theme, anchor="y", **look.ticks(low * fine, high * fine, 7, signed=True)),
        yaxis=look.axis(theme, grid=True, anchor="x", range=[0, 102], tickmode="array", tickvals=[0, 25, 50, 75, 100],
                        ticktext=["0", "25", "50", "75", "100"]),
        shapes=_limits(check, fine, four, colours),
        annotations=[
            look.heading(theme, "Passes, times in 100", "y", _MARGIN["l"]) | {"yshift": 24},
            *_limit_names(check, w, unit, colours),
            *_names(result.checks, low, high, fine, colours),
            look.below(f"{_key(four)}<br>▲ check shims, as measured   shaded: guard band", 0, _MARGIN["b"] - 6)
            | {"align": "left"},
            look.below(f"Truly off by, {small}<br> ", 1, _MARGIN["b"] - 6),
        ],
    )  # fmt: skip
    made.add_traces(traces)
    return made


def _key(four: bool) -> str:
    return "line: passes   dashed: or conditionally   dotted: does not fail" if four else "line: passes"


def _span(check: Check, checks: Sequence[Check]) -> tuple[float, float]:
    """Beyond the limits as far as a rig has a chance, and every check shim within."""
    assert check.decision is not None
    reach = check.decision.guard_band_mm + 3 * check.u_mm
    limits = [limit for limit in check.limits_mm if limit is not None]
    low, high = min(limits), max(limits)
    if low == high:
        low, high = low - reach, high + reach
    off = [each.deviation_mm for each in checks]
    low, high = min(low - reach, *off), max(high + reach, *off)
    pad = 0.02 * (high - low) or abs(low)
    return low - pad, high + pad


def _limits(check: Check, fine: float, four: bool, colours: Any) -> list[dict[str, Any]]:
    assert check.decision is not None
    w = check.decision.guard_band_mm
    found: list[dict[str, Any]] = []
    lower, upper = check.limits_mm
    middle = (lower + upper) / 2 if lower is not None and upper is not None else None
    for limit, inwards in ((lower, 1), (upper, -1)):
        if limit is None:
            continue
        inner = limit + inwards * w
        if middle is not None and (inner - middle) * inwards > 0:
            inner = middle  # the bands of both sides meet
        outer = limit - inwards * w if four else limit
        if w > 0:
            found.append({
                "type": "rect", "layer": "below", "x0": inner * fine, "x1": outer * fine, "yref": "y domain", "y0": 0,
                "y1": 1, "fillcolor": colours["band"], "line": {"width": 0},
            })  # fmt: skip
        found.append({
            "type": "line", "x0": limit * fine, "x1": limit * fine, "yref": "y domain", "y0": 0, "y1": 1,
            "line": {"color": colours["ink"], "width": 1.6, "dash": "6px,4px"},
        })  # fmt: skip
    return found


def _limit_names(check: Check, w: float, unit: str, colours: Any) -> list[dict[str, Any]]:
    _, _, fine = look.scales(unit)
    return [
        {
            "text": f"limit {printed_limit(limit, unit, with_unit=False)}",
            "font": {"color": colours["ink"]}, "x": limit * fine, "yref": "y domain", "y": 1, "yanchor": "bottom",
            "yshift": 4, "showarrow": False,
        }
        for limit in check.limits_mm
        if limit is not None
    ]  # fmt: skip


def _marks(checks: Sequence[Check], fine: float, unit: str, colours: Any) -> go.Scatter:
    said = [
        f"<b>{look.shown(each.point)}</b>, {text_of.small_length(each.deviation_mm, unit, signed=True)}"
        for each in checks
    ]
    return go.Scatter(
        name="check shims", x=[each.deviation_mm * fine for each in checks], y=[3.5] * len(checks), mode="markers",
        marker={"symbol": "triangle-up", "size": 10, "color": colours["ink"]}, cliponaxis=False,
        customdata=[each.point for each in checks], hovertext=said, hoverinfo="text",
    )  # fmt: skip


def _names(checks: Sequence[Check], low: float, high: float, fine: float, colours: Any) -> list[dict[str, Any]]:
    """The names of the check shims above their marks, in rows where they would lie on one another."""
    found: list[dict[str, Any]] = []
    last: list[float] = []
    for each in sorted(checks, key=lambda check: check.deviation_mm):
        at = (each.deviation_mm - low) / (high - low)
        row = next((i for i, end in enumerate(last) if at - end > _NEAR), len(last))
        last[row : row + 1] = [at]
        found.append({
            "text": look.shim_name(each.point), "font": {"color": colours["ink"]}, "x": each.deviation_mm * fine,
            "yref": "y domain", "y": 0.06 + row * _ROW, "yanchor": "bottom", "showarrow": False,
        })  # fmt: skip
    return found
