"""What the residuals look like beside the normal distribution, and which points hold the curve."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import plotly.graph_objects as go
from scipy.special import ndtri

from labkit import format as text_of
from labkit.calibration.result import Calibration
from labkit.charts import look
from labkit.charts.look import COLOURS, Theme
from labkit.curves.family import Array
from labkit.messages import sentence

_MARGIN: Final = {"l": 40, "r": 16, "t": 28, "b": 50}
_HEIGHT: Final = 264
_GAP: Final = 0.09


def leverage(result: Calibration) -> Array | None:
    """
    How much of the curve at each point comes from that point's own reading.

    Returns
    -------
    ndarray, shape (m,), or None
        ∂F(xᵢ)/∂yᵢ, from 0 to 1; None for a curve through the points, where it is 1 for all.
    """
    weights = result.curve.weights(result.curve.points.x)
    return None if weights is None else np.clip(np.diag(weights), 0.0, 1.0)


def standardised(result: Calibration) -> Array | None:
    """
    Residuals over their own standard deviation.

    Returns
    -------
    ndarray, shape (m,), or None
        None for a curve through the points, which leaves none.

    Notes
    -----
    √(Vᵢᵢ·(1 − hᵢ)), with Vᵢᵢ the variance of the point, its thickness included, and hᵢ its leverage.
    """
    held = leverage(result)
    curve = result.curve
    if held is None:
        return None
    if curve.scale == "estimated" or curve.points.V_y is None:
        if curve.residual_sd is None:
            return None
        variance = np.full(len(held), curve.residual_sd**2)
    else:
        variance = curve.variance_of_points
    spread = np.sqrt(variance * np.maximum(1.0 - held, 1e-6))
    if not np.all(spread > 0):
        return None
    return np.asarray(curve.residuals / spread)


def quantile_figure(result: Calibration, *, theme: Theme = "light", unit: str = "mm") -> go.Figure:
    """
    Standardised residuals against thickness and against normal quantiles, and the leverage of each point.

    Parameters
    ----------
    result : Calibration
    theme : "light" or "dark"
    unit : str
        One of `labkit.units.LENGTH_UNITS`.

    Returns
    -------
    Figure
    """
    off, held = standardised(result), leverage(result)
    if off is None or held is None:
        return look.sentence_figure(theme, sentence("result.no_residuals"), 72)
    wide, _, _ = look.scales(unit)
    m = len(off)
    x, order = result.curve.points.x * wide, np.argsort(off)
    quantiles = np.empty(m)
    quantiles[order] = ndtri((np.arange(1, m + 1) - 0.375) / (m + 0.25))
    pad = 0.06 * float(np.ptp(x))
    across = look.ticks(float(x.min()) - pad, float(x.max()) + pad, 4)
    reach = max(2.5, 1.2 * float(np.max(np.abs(off))))
    beside = 1.25 * float(np.max(np.abs(quantiles)))
    up = look.ticks(-reach, reach, 5, signed=True)
    width = (1 - 2 * _GAP) / 3
    places = [[i * (width + _GAP), min(i * (width + _GAP) + width, 1.0)] for i in range(3)]
    axes: dict[str, Any] = {
        "xaxis": look.axis(theme, anchor="y", domain=places[0], **across),
        "xaxis2": look.axis(theme, anchor="y2", domain=places[1], **look.ticks(-beside, beside, 4, signed=True)),
        "xaxis3": look.axis(theme, anchor="y3", domain=places[2], **across),
        "yaxis": look.axis(theme, grid=True, anchor="x", **up),
        "yaxis2": look.axis(theme, grid=True, anchor="x2", **up),
        "yaxis3": look.axis(theme, grid=True, anchor="x3", **look.ticks(0.0, 1.05, 4)),
    }
    line = {"color": COLOURS[theme]["ink"], "width": 1}
    along = min(reach, beside)
    made = look.figure(
        theme,
        _HEIGHT,
        _MARGIN,
        **axes,
        shapes=[
            {"type": "line", "xref": "x domain", "x0": 0, "x1": 1, "yref": "y", "y0": 0, "y1": 0, "line": line},
            {"type": "line", "xref": "x2", "x0": -along, "x1": along, "yref": "y2", "y0": -along, "y1": along,
             "line": line | {"dash": look.DASHED}},
        ],
        annotations=[
            look.heading(theme, "Residual over its standard deviation", "y", 0),
            look.heading(theme, "The same by normal quantile", "y2", 0),
            look.heading(theme, "Leverage", "y3", 0),
            *(_under(text, place) for text, place in zip(
                (f"Thickness, {unit}", "Normal quantile", f"Thickness, {unit}"), ("x", "x2", "x3"), strict=True)),
        ],
    )  # fmt: skip
    names = [point.name for point in result.table.points]
    marker = {"color": COLOURS[theme]["ink"], "size": 9}
    for i, (across_x, y) in enumerate(((x, off), (quantiles, off), (x, held))):
        said = [f"<b>{look.shown(name)}</b>, {text_of.number(value, 2)}" for name, value in zip(names, y, strict=True)]
        axis = "" if i == 0 else str(i + 1)
        made.add_scatter(
            x=across_x, y=y, mode="markers", marker=marker, customdata=names, hovertext=said, hoverinfo="text",
            cliponaxis=False, xaxis=f"x{axis}", yaxis=f"y{axis}",
        )  # fmt: skip
    return made


def _under(text: str, place: str) -> dict[str, Any]:
    return {
        "text": text, "xref": f"{place} domain", "x": 1, "xanchor": "right", "yref": "paper", "y": 0,
        "yanchor": "bottom", "yshift": -(_MARGIN["b"] - 4), "showarrow": False,
    }  # fmt: skip
