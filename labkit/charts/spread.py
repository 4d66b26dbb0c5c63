"""U over the working range: now, and after the shims that are worth reading."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import plotly.graph_objects as go

from labkit import format as text_of
from labkit.calibration.result import Calibration
from labkit.charts import look
from labkit.charts.look import COLOURS, Name, Theme
from labkit.curves.family import Array
from labkit.messages import sentence

GRID: Final = 121

_MARGIN: Final = {"l": 40, "r": 128, "t": 28, "b": 50}
_HEIGHT: Final = 328


def u_figure(result: Calibration, *, theme: Theme = "light", unit: str = "mm", reading: str = "") -> go.Figure:
    """
    U of one corrected reading over the working range, and what the next two shims would make of it.

    Parameters
    ----------
    result : Calibration
    theme : "light" or "dark"
    unit : str
        One of `labkit.units.LENGTH_UNITS`.
    reading : str
        The shim that is being read: an open mark.

    Returns
    -------
    Figure
        Five traces, in the same order whatever the result.
    """
    if not result.usable:
        return look.sentence_figure(theme, sentence("result.turns"), 72)
    wide, small, fine = look.scales(unit)
    grid = np.linspace(*result.options.working_range_mm, GRID)
    lines = _lines(result, grid, fine)
    target = result.options.target_u_mm
    top = 1.15 * max(*(float(np.max(each)) for _, each in lines), 0.0 if target is None else target * fine)
    x, up = grid * wide, look.ticks(0.0, top, 5)
    colours = COLOURS[theme]
    styles = (("s1", 2.4, "solid"), ("s2", 2.0, look.DASHED), ("s3", 2.0, look.DOTTED))
    padded = [*lines, *[("", np.empty(0))] * (len(styles) - len(lines))]
    traces = [
        go.Scatter(
            x=x[: len(y)], y=y, name=f"U {i}", mode="lines", hoverinfo="skip",
            line={"color": colours[colour], "width": width, "dash": dash},
        )
        for i, ((_, y), (colour, width, dash)) in enumerate(zip(padded, styles, strict=True))
    ]  # fmt: skip
    traces += _ticks_at_shims(result, reading, wide, 0.035 * top, colours)

    height = _HEIGHT - _MARGIN["t"] - _MARGIN["b"]
    names = [Name(float(y[-1]) / top, words) for words, y in lines]
    shapes: list[dict[str, Any]] = []
    if target is not None:
        reach = target * fine
        names.append(Name(reach / top, f"<b>target {text_of.expanded_length(target, small, with_unit=False)}</b>"))
        dashes = {"color": colours["ink"], "width": 1.6, "dash": "6px,4px"}
        shapes.append({"type": "line", "xref": "x domain", "x0": 0, "x1": 1, "y0": reach, "y1": reach, "line": dashes})
    key = "▲ read" + ("   △ being read" if look.thickness_of(result, reading) is not None else "")
    made = look.figure(
        theme,
        _HEIGHT,
        _MARGIN,
        xaxis=look.axis(theme, anchor="y", **look.ticks(float(x[0]), float(x[-1]), 5)),
        yaxis=look.axis(theme, grid=True, anchor="x", **up),
        shapes=shapes,
        annotations=[
            look.heading(theme, f"U over the working range{_whose(result)}, {small}", "y", _MARGIN["l"]),
            look.below(key, 0, _MARGIN["b"] - 4),
            look.below(f"Thickness, {unit}", 1, _MARGIN["b"] - 4),
            *look.end_names(theme, names, "y", height),
        ],
    )
    made.add_traces(traces)
    return made


def _whose(result: Calibration) -> str:
    """By which curve U is drawn, where that is not the one in use."""
    foretold = result.next_points is not None and bool(result.next_points.ranking)
    return ", by the flexible curve" if foretold and result.curve is not result.uncertainty.flexible else ""


def _lines(result: Calibration, grid: Array, fine: float) -> list[tuple[str, Array]]:
    """Names and heights of up to three lines; the largest U is taken where `next_points` takes it."""
    small = "mil" if fine < 100 else "µm"

    def most(U: Array) -> str:
        return text_of.expanded_length(float(np.max(U[::2])), small, with_unit=False)

    ranking = result.next_points.ranking if result.next_points else ()
    now = result.expanded_with((), grid) if ranking else None
    if now is None:
        U, _ = result.expanded(grid)
        return [(f"<b>now</b><br>at most {most(U)}", U * fine)]
    found = [(f"<b>now</b><br>at most {most(now)}", now * fine)]
    ahead: list[str] = []
    for candidate, words in zip(ranking[:2], ("dashed: after {}", "dotted: {} too"), strict=False):
        ahead.append(candidate.name)
        then = result.expanded_with(ahead, grid)
        if then is not None:
            found.append((f"{words.format(look.shim_name(candidate.name))}<br>at most {most(then)}", then * fine))
    return found


def _ticks_at_shims(
    result: Calibration, reading: str, wide: float, height: float, colours: Any
) -> tuple[go.Scatter, go.Scatter]:
    low, high = result.options.working_range_mm
    read = [point for point in result.table.points if low <= point.x_mm <= high]
    x_now = look.thickness_of(result, reading)
    now = [] if x_now is None else [x_now]

    def marks(name: str, x: list[float], names: list[str], symbol: str) -> go.Scatter:
        said = [look.shown(each) for each in names]
        return go.Scatter(
            name=name, x=np.array(x) * wide, y=np.full(len(x), height), mode="markers", cliponaxis=False,
            marker={"symbol": symbol, "size": 10, "color": colours["ink"], "line": {"width": 1.6}},
            customdata=names, hovertext=said, hoverinfo="text",
        )  # fmt: skip

    return (
        marks("read", [point.x_mm for point in read], [point.name for point in read], "triangle-up"),
        marks("being read", now, [reading] * len(now), "triangle-up-open"),
    )
