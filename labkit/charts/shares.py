"""What U is made of: a bar a line of the budget, named at its end."""

from __future__ import annotations

from typing import Any, Final

import plotly.graph_objects as go

from labkit import format as text_of
from labkit.calibration.result import Calibration
from labkit.calibration.shares import bars
from labkit.charts import look
from labkit.charts.look import COLOURS, Theme
from labkit.messages import sentence

_ROW: Final = 28
_MARGIN: Final = {"l": 8, "r": 8, "t": 28, "b": 6}
_BAR_SHARE: Final = 0.5
"""Of the width, for the longest bar: what is left is for its name."""


def shares_figure(result: Calibration, *, theme: Theme = "light", unit: str = "mm", reading: str = "") -> go.Figure:
    """
    The shares of u² where U is largest.

    Parameters
    ----------
    result : Calibration
    theme : "light" or "dark"
    unit, reading : str
        As for every figure of a result; shares have no unit, and no reading is shown.

    Returns
    -------
    Figure
        One trace.
    """
    budget = result.budget
    if budget is None:
        return look.sentence_figure(theme, sentence("result.turns"), 72)
    shown = bars((line.name, share) for line, share in zip(budget.lines, budget.shares(), strict=True))
    colours = COLOURS[theme]
    height = _ROW * len(shown) + _MARGIN["t"] + _MARGIN["b"]
    low = min(0.0, *(share for _, share in shown))
    top = max(share for _, share in shown)
    labels = [f"<b>{look.shown(text_of.percent(share))}</b>  {look.shown(name)}" for name, share in shown]
    places = list(range(len(shown)))
    made = look.figure(
        theme,
        height,
        _MARGIN,
        xaxis=look.axis(theme, anchor="y", range=[low, low + (top - low) / _BAR_SHARE], visible=False),
        yaxis=look.axis(
            theme, anchor="x", range=[len(shown) - 0.5, -0.5], showticklabels=False, ticks="", showline=False
        ),
        bargap=0.3,
        shapes=[_zero(colours["ink"])],
        annotations=[
            look.heading(theme, sentence("result.shares"), "y", 0),
            *(
                _name(label, max(share, 0.0), place, colours["ink"])
                for place, (label, (_, share)) in enumerate(zip(labels, shown, strict=True))
            ),
        ],
    )
    made.add_trace(
        go.Bar(
            name="shares",
            x=[share for _, share in shown],
            y=places,
            orientation="h",
            marker={"color": colours["s1"], "line": {"width": 0}},
            hoverinfo="skip",
        )
    )
    return made


def _zero(colour: str) -> dict[str, Any]:
    return {
        "type": "line", "x0": 0, "x1": 0, "yref": "y domain", "y0": 0, "y1": 1,
        "line": {"color": colour, "width": 1},
    }  # fmt: skip


def _name(text: str, end: float, place: int, colour: str) -> dict[str, Any]:
    return {
        "text": text, "x": end, "xanchor": "left", "xshift": 6, "y": place, "yanchor": "middle", "showarrow": False,
        "align": "left", "font": {"color": colour},
    }  # fmt: skip
