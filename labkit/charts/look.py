"""How every figure looks: colours, type, axes, and lines named at their ends."""

from __future__ import annotations

import html
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import plotly.graph_objects as go

from labkit import format as text_of
from labkit.calibration.result import Calibration
from labkit.curves.family import Array
from labkit.messages import family_label
from labkit.units import from_mm, small_unit

Theme = Literal["light", "dark"]

COLOURS: Final[Mapping[Theme, Mapping[str, str]]] = {
    "light": {
        "ink": "#15202c", "ink-2": "#43515e", "feint": "#cfdcdf", "paper": "#fcfdfb", "paper-2": "#f1f5f3",
        "s1": "#0072b2", "s2": "#d55e00", "s3": "#009e73", "band": "rgba(0, 114, 178, .16)",
    },
    "dark": {
        "ink": "#e9efed", "ink-2": "#b9c5c6", "feint": "#2f3e44", "paper": "#172023", "paper-2": "#1e292d",
        "s1": "#56b4e9", "s2": "#f0843a", "s3": "#2dc39a", "band": "rgba(86, 180, 233, .20)",
    },
}  # fmt: skip
"""Plotly cannot read the variables of tokens.css; a test holds these against them."""

CONFIG: Final = {"displayModeBar": False, "displaylogo": False, "responsive": True, "doubleClick": False}
"""For whoever shows a figure: no bar of tools, as wide as its place."""

FONT: Final = '"Source Sans 3 Variable", "Source Sans 3", "Liberation Sans", Arial, sans-serif'

DASHED: Final = "7px,4px"
DOTTED: Final = "2px,3px"

_LINE: Final = 16
"""Height of a line of text [px]."""

_NAME_LIMIT: Final = 14
"""Characters of a shim's name that a figure has room for; all of them are in what the pointer shows."""


@dataclass(frozen=True)
class Name:
    """
    The name of a line, written where it ends.

    Attributes
    ----------
    at : float
        The line's height on its axis, from 0 (lower end) to 1.
    text : str
        Escaped already; ``<br>`` between its lines.
    """

    at: float
    text: str


def scales(unit: str) -> tuple[float, str, float]:
    """What a length in mm is multiplied by on an axis in `unit`, the small unit beside it, and its own factor."""
    return from_mm(1.0, unit), small_unit(unit), from_mm(1.0, small_unit(unit))


def shown(text: object, limit: int | None = None) -> str:
    """Text of a person made fit to stand in a figure, where some markup would work."""
    plain = text_of.visible(text)
    return html.escape(plain if limit is None or len(plain) <= limit else plain[: limit - 1] + "…")


def shim_name(name: str) -> str:
    """A shim's name as a figure has room for it."""
    return shown("Zero" if name == "zero" else name, _NAME_LIMIT)


def thickness_of(result: Calibration, name: str) -> float | None:
    """Where a shim that is being read lies [mm]; None for what has no thickness, and for nothing."""
    stack = tuple(name.split(" + "))
    known = {shim.name for shim in result.readings.shims}
    return result.table.reference(stack) if name and known.issuperset(stack) else None


def curve_name(family: str) -> str:
    """A curve family in the little room at the end of its line."""
    return shown(family_label(family).split(" (")[0]).replace(", ", ",<br>")


def figure(theme: Theme, height: int, margin: Mapping[str, int], **layout: Any) -> go.Figure:
    """An empty figure in the look of the worksheet."""
    colours = COLOURS[theme]
    return go.Figure(
        layout={
            "template": "none",
            "height": height,
            "margin": {"pad": 0, "autoexpand": False, **margin},
            "paper_bgcolor": "rgba(0, 0, 0, 0)",
            "plot_bgcolor": "rgba(0, 0, 0, 0)",
            "font": {"family": FONT, "size": 13, "color": colours["ink-2"]},
            "showlegend": False,
            "dragmode": False,
            "hovermode": "closest",
            "hoverlabel": {
                "bgcolor": colours["paper"],
                "bordercolor": colours["ink"],
                "font": {"family": FONT, "size": 14, "color": colours["ink"]},
            },
            **layout,
        }
    )


def axis(theme: Theme, *, grid: bool = False, **more: Any) -> dict[str, Any]:
    """An axis as a printed scale; grid lines for those that are read across."""
    colours = COLOURS[theme]
    return {
        "showgrid": grid,
        "gridcolor": colours["feint"],
        "gridwidth": 1,
        "zeroline": False,
        "showline": True,
        "linecolor": colours["ink"],
        "linewidth": 1,
        "ticks": "" if grid else "outside",
        "ticklen": 5,
        "tickcolor": colours["ink"],
        "tickfont": {"size": 13, "color": colours["ink-2"]},
        "fixedrange": True,
        **more,
    }


def ticks(low: float, high: float, about: int, *, signed: bool = False) -> dict[str, Any]:
    """The range of an axis, with ticks at round numbers, written as everywhere else."""
    step = _round_step((high - low) / about)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    values = [each * step for each in range(first, last + 1)]
    texts = [text_of.number(value, _decimals(value), signed=signed) for value in values]
    return {"type": "linear", "range": [low, high], "tickmode": "array", "tickvals": values, "ticktext": texts}


def log_ticks(low: float, high: float) -> dict[str, Any]:
    """The same for an axis of decades."""
    low, high = math.log10(low), math.log10(high)
    steps = (1,) if high - low > 3 else (1, 2, 5)
    decades = range(math.floor(low), math.ceil(high) + 1)
    values = [step * 10.0**power for power in decades for step in steps]
    values = [value for value in values if low <= math.log10(value) <= high]
    texts = [text_of.significant(value, 1) for value in values]
    return {"type": "log", "range": [low, high], "tickmode": "array", "tickvals": values, "ticktext": texts}


def _round_step(step: float) -> float:
    power = 10.0 ** math.floor(math.log10(step))
    return next(each for each in (1, 2, 2.5, 5, 10) if each * power >= step * (1 - 1e-9)) * power


def _decimals(value: float) -> int:
    """As few as a round number needs."""
    return next((places for places in range(6) if abs(round(value, places) - value) <= 1e-7 * abs(value)), 0)


def heading(theme: Theme, text: str, place: str, left: int) -> dict[str, Any]:
    """What an axis shows, above it and to the left."""
    return {
        "text": f"<b>{text}</b>",
        "font": {"color": COLOURS[theme]["ink"]},
        "xref": "x domain" if place == "y" else f"x{place[1:]} domain",
        "x": 0,
        "xanchor": "left",
        "xshift": -left,
        "yref": f"{place} domain",
        "y": 1,
        "yanchor": "bottom",
        "yshift": 6,
        "showarrow": False,
    }


def below(text: str, x: float, height: int) -> dict[str, Any]:
    """A line of text under the figure, at its left (0) or right (1) end."""
    return {
        "text": text,
        "xref": "paper",
        "x": x,
        "xanchor": "right" if x else "left",
        "yref": "paper",
        "y": 0,
        "yanchor": "bottom",
        "yshift": -height,
        "showarrow": False,
    }


def end_names(theme: Theme, names: Sequence[Name], place: str, height: int) -> list[dict[str, Any]]:
    """
    Names at the right end of their lines, moved apart where they would lie on one another.

    Parameters
    ----------
    theme : str
    names : sequence of Name
    place : str
        The y axis, such as ``"y2"``.
    height : int
        Of the axis [px].
    """
    ordered = sorted(names, key=lambda name: name.at)
    half = np.array([_LINE / 2 * (1 + name.text.count("<br>")) + 2 for name in ordered])
    wanted = np.array([np.clip(name.at, 0.0, 1.0) * height for name in ordered])
    places = apart(wanted, half, height)
    return [
        {
            "text": name.text,
            "align": "left",
            "font": {"color": COLOURS[theme]["ink"]},
            "xref": "paper",
            "x": 1,
            "xanchor": "left",
            "xshift": 8,
            "yref": f"{place} domain",
            "y": 0,
            "yanchor": "middle",
            "yshift": float(places[i]),
            "showarrow": False,
        }
        for i, name in enumerate(ordered)
    ]


def apart(wanted: Array, half: Array, height: float) -> Array:
    """
    Places in rising order, each its half height and its neighbour's away from the next, as near to the wanted ones as
    they can be between 0 and `height`.
    """
    places = np.array(wanted, dtype=np.float64)
    groups = [[i] for i in range(len(places))]
    at = 0
    while at + 1 < len(groups):
        lower, upper = groups[at], groups[at + 1]
        if places[upper[0]] - places[lower[-1]] >= half[upper[0]] + half[lower[-1]] - 1e-9:
            at += 1
            continue
        merged = lower + upper
        offsets = np.concatenate([[0.0], np.cumsum(half[merged[:-1]] + half[merged[1:]])])
        places[merged] = np.mean(np.asarray(wanted)[merged] - offsets) + offsets
        groups[at : at + 2] = [merged]
        at = max(at - 1, 0)
    for i in range(len(places)):
        places[i] = max(places[i], 0.0 if i == 0 else places[i - 1] + half[i - 1] + half[i])
    for i in reversed(range(len(places))):
        places[i] = min(places[i], height if i == len(places) - 1 else places[i + 1] - half[i + 1] - half[i])
    return places


def sentence_figure(theme: Theme, text: str, height: int) -> go.Figure:
    """A figure that has nothing to draw, and says why."""
    empty = {"visible": False, "fixedrange": True}
    said = {
        "text": shown(text), "xref": "paper", "x": 0, "xanchor": "left", "yref": "paper", "y": 1, "yanchor": "top",
        "font": {"size": 16}, "showarrow": False,
    }  # fmt: skip
    margin = {"l": 8, "r": 8, "t": 8, "b": 8}
    return figure(theme, height, margin, xaxis=empty, yaxis=empty, annotations=[said])
