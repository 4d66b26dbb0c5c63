"""How one check shim, contact zero or the background has moved from check to check."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any, Final

import plotly.graph_objects as go

from labkit import format as text_of
from labkit.charts import look
from labkit.charts.look import COLOURS, Name, Theme
from labkit.check import Series
from labkit.check.history import BACKGROUND, ZERO
from labkit.messages import sentence
from labkit.metrology import ControlChart

_HEIGHT: Final = 376
_MARGIN: Final = {"l": 60, "r": 132, "t": 36, "b": 54}
_INNER: Final = _HEIGHT - _MARGIN["t"] - _MARGIN["b"]
_DAY_S: Final = 86_400.0
_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def moved_figure(
    series: Series, *, theme: Theme = "light", unit: str = "mm", reading_unit: str = "mm", since: str = ""
) -> go.Figure:
    """
    The values of each check with their limits, and the weighted mean.

    Parameters
    ----------
    series : Series
    theme : "light" or "dark"
    unit : str
        One of `labkit.units.LENGTH_UNITS`.
    reading_unit : str
        Of the background.
    since : str
        The first day to be shown, ISO; the limits are those of the whole series.

    Returns
    -------
    Figure
    """
    if not series.values:
        return look.sentence_figure(theme, sentence("moved.none"), 72)
    _, small, factor = look.scales(unit)
    factor, small = (1.0, reading_unit) if series.what == BACKGROUND else (factor, small)
    shown = [i for i, past in enumerate(series.pasts) if past.at[:10] >= since] or [len(series.values) - 1]
    x = [_days(series.pasts[i].at) for i in shown]
    y = [series.values[i] * factor for i in shown]
    lines = _lines(series, factor, theme)
    reach = [*y, *(at for at, _, _, _ in lines)]
    if series.average is not None:
        reach += [series.average.points[i] * factor for i in shown]
    low, high = min(reach), max(reach)
    pad = 0.08 * (high - low) or max(abs(high), 1.0) * 0.02
    up = look.ticks(low - pad, high + pad, 6, signed=series.what != BACKGROUND)
    first, last = min(x), max(x)
    room = max(0.03 * (last - first), 0.6)
    names = [
        Name((at - low + pad) / (high - low + 2 * pad), f"{words} {_number(at, series)}")
        for at, words, _, _ in lines
        if words
    ]
    made = look.figure(
        theme,
        _HEIGHT,
        _MARGIN,
        xaxis=look.axis(theme, **_dates(first - room, last + room)),
        yaxis=look.axis(theme, grid=True, **up),
        shapes=[
            *({"type": "line", "xref": "x domain", "x0": 0, "x1": 1, "yref": "y", "y0": at, "y1": at,
               "line": {"color": colour, "width": 1, "dash": dash}} for at, _, dash, colour in lines),
            *_calibrations(series, shown, theme),
        ],
        annotations=[
            look.heading(theme, _heading(series, small), "y", _MARGIN["l"]),
            *look.end_names(theme, names, "y", _INNER),
            *_sheets(series, shown),
            look.below(_legend(series), 0, _MARGIN["b"] - 4),
        ],
    )  # fmt: skip
    if series.average is not None:
        made.add_scatter(
            x=x, y=[series.average.points[i] * factor for i in shown], mode="lines", name="weighted mean",
            line={"color": COLOURS[theme]["s2"], "width": 2, "dash": look.DASHED}, hoverinfo="skip",
        )  # fmt: skip
    said = [
        f"<b>{look.shown(series.pasts[i].number or 'today')}</b>, {_number(value, series)} {look.shown(small)}"
        for i, value in zip(shown, y, strict=True)
    ]
    made.add_scatter(
        x=x, y=y, mode="lines+markers", name="each check", line={"color": COLOURS[theme]["s1"], "width": 2},
        marker={"color": COLOURS[theme]["s1"], "size": [9 if i < len(series.values) - 1 else 13 for i in shown]},
        hovertext=said, hoverinfo="text", cliponaxis=False,
    )  # fmt: skip
    return made


def _lines(series: Series, factor: float, theme: Theme) -> list[tuple[float, str, str, str]]:
    """The lines across: where, what they are called, their dash and colour."""
    colours = COLOURS[theme]
    found: list[tuple[float, str, str, str]] = []
    if series.what not in (ZERO, BACKGROUND):
        newest = series.pasts[-1].limits_mm
        found += [(each * factor, "<b>limit</b>", look.DASHED, colours["ink"]) for each in newest if each is not None]
    if series.chart is not None:
        found.append((series.chart.centre * factor, "centre", "solid", colours["ink-2"]))
        found += [(at * factor, "control", look.DOTTED, colours["ink"]) for at in _limits_of(series.chart)]
    if series.average is not None:
        found += [(at * factor, "drift limit", look.DOTTED, colours["s2"]) for at in _limits_of(series.average)]
    return found


def _limits_of(chart: ControlChart) -> list[float]:
    return [side[-1] for side in (chart.lower, chart.upper) if side is not None]


def _heading(series: Series, small: str) -> str:
    if series.what == ZERO:
        return f"Contact zero against the calibration, {small}"
    if series.what == BACKGROUND:
        return f"Background, {look.shown(small)}"
    return f"Deviation of shim {look.shown(series.what)}, {small}"


def _legend(series: Series) -> str:
    if series.chart is None or series.average is None:
        return "Line with points: each check"
    baseline = series.chart.baseline
    return f"Line with points: each check. Dashes: weighted mean, λ = 0.3. Limits from the first {baseline} checks."


def _number(value: float, series: Series) -> str:
    signed = series.what != BACKGROUND
    return text_of.number(value, 1 if signed else 3, signed=signed)


def _changes(series: Series, shown: Sequence[int]) -> list[tuple[float, str]]:
    """Where the rig was calibrated: the middle between the last check of one certificate and the first of the next."""
    found = []
    for before, after in pairwise(shown):
        one, other = series.pasts[before], series.pasts[after]
        if one.certificate != other.certificate:
            found.append(((_days(one.at) + _days(other.at)) / 2, other.certificate))
    return found


def _calibrations(series: Series, shown: Sequence[int], theme: Theme) -> list[dict[str, Any]]:
    line = {"color": COLOURS[theme]["ink-2"], "width": 1, "dash": look.DOTTED}
    return [
        {"type": "line", "xref": "x", "x0": at, "x1": at, "yref": "y domain", "y0": 0, "y1": 1, "line": line}
        for at, _ in _changes(series, shown)
    ]


def _sheets(series: Series, shown: Sequence[int]) -> list[dict[str, Any]]:
    return [
        {
            "text": f"calibrated, sheet {look.shown(number)}", "xref": "x", "x": at, "xanchor": "left", "xshift": 4,
            "yref": "y domain", "y": 1, "yanchor": "top", "showarrow": False,
        }
        for at, number in _changes(series, shown)
    ]  # fmt: skip


def _days(at: str) -> float:
    """Days since 1970, UTC."""
    return datetime.fromisoformat(at).astimezone(UTC).timestamp() / _DAY_S


def _dates(low: float, high: float) -> dict[str, Any]:
    """An axis of days with about six of them named; the year with the first of each."""
    step = max(round((high - low) / 6), 1)
    first = int(low) + 1
    values = list(range(first, int(high) + 1, step))
    texts, year = [], 0
    for value in values:
        day = date(1970, 1, 1) + timedelta(days=value)
        texts.append(f"{day.day} {_MONTHS[day.month - 1]}" + (f" {day.year}" if day.year != year else ""))
        year = day.year
    return {"type": "linear", "range": [low, high], "tickmode": "array", "tickvals": values, "ticktext": texts}
