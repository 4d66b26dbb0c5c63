"""The curve over what is left between it and the points."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from html import unescape
from typing import Any, Final

import numpy as np
import plotly.graph_objects as go

from labkit import format as text_of
from labkit.calibration.options import limits
from labkit.calibration.result import Calibration
from labkit.charts import look
from labkit.charts.look import COLOURS, Name, Theme
from labkit.curves import Curve
from labkit.curves.family import Array

GRID: Final = 201
"""Thicknesses along a line."""

DECADES: Final = 20.0
"""A raw signal whose largest value is so many times its smallest is drawn on a scale of decades."""

BEYOND: Final = 6.0
"""So many times as far as what must be seen goes a scale at most; bars and bands that are longer are cut off."""

_UPPER, _BETWEEN, _LOWER = 256, 64, 168
_MARGIN: Final = {"l": 64, "r": 150, "t": 28, "b": 50}
_NARROWEST: Final = 640
"""Widths and heights [px]; names of points have to go side by side on the narrowest plot."""

_NAME: Final = 20
"""Height of the name of a point, with the gap to its bar [px]."""

_CUT_OFF: Final = ". Bars or band go on beyond the scale"


def curve_figure(result: Calibration, *, theme: Theme = "light", unit: str = "mm", reading: str = "") -> go.Figure:
    """
    The curve with its band, over the residuals in thickness with the tolerance.

    Parameters
    ----------
    result : Calibration
    theme : "light" or "dark"
    unit : str
        One of `labkit.units.LENGTH_UNITS`, for thicknesses; errors are in µm or mil.
    reading : str
        The shim that is being read, which is drawn as a dotted line.

    Returns
    -------
    Figure
        Seven traces, in the same order whatever the result, so that a shown figure can be changed in place.

    Notes
    -----
    The bars are U of the point (k = 2): its shim and its repeats. The band is U of one corrected reading.
    """
    drawn = _Drawing(result, theme, unit)
    inner = _UPPER + _BETWEEN + _LOWER
    height = inner + _MARGIN["t"] + _MARGIN["b"]
    low, high = drawn.across
    across = look.ticks(low * drawn.wide, high * drawn.wide, 7)
    made = look.figure(
        theme,
        height,
        _MARGIN,
        xaxis=look.axis(theme, anchor="y", matches="x2", **{**across, "ticktext": [""] * len(across["tickvals"])}),
        xaxis2=look.axis(theme, anchor="y2", **across),
        yaxis=look.axis(theme, grid=True, anchor="x", domain=[1 - _UPPER / inner, 1], **drawn.up),
        yaxis2=look.axis(theme, grid=True, anchor="x2", domain=[0, _LOWER / inner], **drawn.off),
        shapes=[*drawn.working_range(), *drawn.lines(), *drawn.being_read(reading)],
        annotations=drawn.words(reading),
    )
    made.add_traces([*drawn.upper(), *drawn.lower()])
    return made


@dataclass(frozen=True)
class _Drawing:
    """What is drawn, in the units of the axes."""

    result: Calibration
    theme: Theme
    unit: str

    # ---- numbers ----

    @property
    def wide(self) -> float:
        return look.scales(self.unit)[0]

    @property
    def small(self) -> str:
        return look.scales(self.unit)[1]

    @property
    def fine(self) -> float:
        return look.scales(self.unit)[2]

    @property
    def length(self) -> bool:
        return self.result.readings.signal == "thickness"

    @cached_property
    def across(self) -> tuple[float, float]:
        """The thicknesses that are shown [mm]."""
        ends = [*self.result.curve.range, *self.result.options.working_range_mm]
        low, high = min(ends), max(ends)
        pad = 0.033 * (high - low)
        return (0.0 if low < 0.15 * high else low - pad), high + pad

    @cached_property
    def grid(self) -> Array:
        return np.linspace(*self.result.curve.range, GRID)

    @cached_property
    def U(self) -> Array | None:
        """Of one corrected reading along the grid [mm]; None for a curve that cannot be used backwards."""
        return self.result.expanded(self.grid)[0] if self.result.usable else None

    def height(self, curve: Curve, x: Array) -> Array:
        """What the curve shows: the error of indication in the small unit, or the raw signal."""
        value = curve.value(x)
        if self.length:
            return (value - x) * self.fine
        return np.where(value > 0, value, np.nan) if self.decades else value

    @property
    def at_points(self) -> Array:
        points = self.result.curve.points
        return (points.y - points.x) * self.fine if self.length else points.y

    @cached_property
    def decades(self) -> bool:
        y = self.result.curve.points.y
        return not self.length and bool(y.min() > 0 and y.max() > DECADES * y.min())

    @cached_property
    def other(self) -> tuple[Curve, str] | None:
        """The curve that the chosen one is held against: the flexible one, or else the formula that comes nearest."""
        flexible = self.result.uncertainty.flexible
        if flexible is not None and flexible is not self.result.curve:
            return flexible, ""
        rows = [row for row in self.result.comparison.rows if row.curve is not None and row.criterion is not None]
        best = min(
            (row for row in rows if row.monotonic and row.verdict != "too few points"),
            key=lambda row: row.criterion or 0.0,
            default=None,
        )
        return None if best is None or best.curve is None else (best.curve, f", {best.verdict}")

    @cached_property
    def band(self) -> tuple[Array, Array] | None:
        """The lower and the upper edge of the curve's band along the grid."""
        if self.U is None:
            return None
        if self.length:
            middle = self.height(self.result.curve, self.grid)
            return middle - self.U * self.fine, middle + self.U * self.fine
        low, high = self.result.curve.range
        edges = [self.height(self.result.curve, np.clip(self.grid + side * self.U, low, high)) for side in (-1, 1)]
        return edges[0], edges[1]

    @cached_property
    def up(self) -> dict[str, Any]:
        """The scale of the upper plot."""
        shown = [self.at_points, self.height(self.result.curve, self.grid), *(self.band or ())]
        if self.other is not None and self.length:
            shown.append(self.height(self.other[0], self.grid))
        values = np.concatenate(shown)
        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        if self.length:
            seen = np.concatenate([self.at_points, shown[1]])
            middle, half = (np.max(seen) + np.min(seen)) / 2, (np.ptp(seen) or 1.0) / 2
            low, high = max(low, float(middle - BEYOND * half)), min(high, float(middle + BEYOND * half))
        if self.decades:
            return look.log_ticks(low / 1.3, high * 1.6)
        pad = 0.08 * (high - low or 1.0)
        return look.ticks(low - pad, high + 2 * pad, 6, signed=self.length)

    @cached_property
    def residual(self) -> Array:
        """Points less the curve, in thickness, in the small unit."""
        curve = self.result.curve
        return curve.residuals_mm * self.fine

    @cached_property
    def bars(self) -> Array:
        """U of the points, k = 2: their shims and their repeats."""
        slopes = self.result.curve.slope(self.result.curve.points.x)
        points = self.result.table.points
        own = [np.hypot(point.u_x_mm, point.u_y / slope) for point, slope in zip(points, slopes, strict=True)]
        return 2.0 * self.fine * np.array(own)

    @property
    def limits(self) -> list[float]:
        found = limits(self.result.options.tolerance_mm)
        return [limit * self.fine for limit in found if limit is not None]

    @cached_property
    def off(self) -> dict[str, Any]:
        """The scale of the lower plot."""
        reach = [np.abs(self.residual) + self.bars, np.abs(self.limits)]
        if self.U is not None:
            reach.append(self.U * self.fine)
        most = 1.25 * float(np.max(np.concatenate(reach))) or 1.0
        seen = max(*np.abs(self.residual), *(np.abs(self.limits) if self.limits else [np.median(self.bars)]))
        most = min(most, BEYOND * float(seen) or most)
        return look.ticks(-most, most, 5, signed=True)

    @cached_property
    def ends(self) -> tuple[Array, Array]:
        """The lower and the upper end of each bar, cut off where the scale has no room for it and for a name."""
        most = self.off["range"][1] / 1.25
        return np.maximum(self.residual - self.bars, -most), np.minimum(self.residual + self.bars, most)

    @property
    def cut_off(self) -> bool:
        """Whether a bar, or the band, goes on beyond the lower scale."""
        longest = [*(np.abs(self.residual) + self.bars), *([] if self.U is None else self.U * self.fine)]
        return max(longest) > self.off["range"][1] * (1 + 1e-9)

    def share(self, scale: dict[str, Any], value: float) -> float:
        """Where a value lies on a scale, from 0 to 1."""
        low, high = scale["range"]
        at = np.log10(value) if scale["type"] == "log" and value > 0 else value
        return float((at - low) / (high - low))

    # ---- drawing ----

    def upper(self) -> list[go.Scatter]:
        colours, x = COLOURS[self.theme], self.grid * self.wide
        other = self.height(self.other[0], self.grid) if self.other else np.empty(0)
        edges = self.band or (np.empty(0), np.empty(0))
        if self.length:
            edges = np.clip(edges[0], *self.up["range"]), np.clip(edges[1], *self.up["range"])
        curve = self.height(self.result.curve, self.grid)
        return [
            _line("other", x[: len(other)], other, colours["s2"], 2, look.DASHED),
            _filled("band", x[: len(edges[0])], edges[0], edges[1], colours["band"]),
            _line("curve", x, curve, colours["s1"], 2.4),
            self._points("points", self.at_points, "x", "y"),
        ]

    def lower(self) -> list[go.Scatter]:
        band = np.empty(0) if self.U is None else np.minimum(self.U * self.fine, self.off["range"][1])
        x = self.grid[: len(band)] * self.wide
        at = {"xaxis": "x2", "yaxis": "y2"}
        points = self._points("residuals", self.residual, "x2", "y2")
        points.error_y = {
            "type": "data", "symmetric": False, "array": self.ends[1] - self.residual,
            "arrayminus": self.residual - self.ends[0], "color": COLOURS[self.theme]["ink"], "thickness": 1.6,
            "width": 5,
        }  # fmt: skip
        return [_filled("U", x, -band, band, COLOURS[self.theme]["band"], **at), points, self._names()]

    def _points(self, name: str, y: Array, xaxis: str, yaxis: str) -> go.Scatter:
        points = self.result.table.points
        said = [self._said(i) for i in range(len(points))]
        return go.Scatter(
            name=name,
            x=self.result.curve.points.x * self.wide,
            y=y,
            mode="markers",
            marker={"color": COLOURS[self.theme]["ink"], "size": 10},
            customdata=[point.name for point in points],
            hovertext=said,
            hoverinfo="text",
            cliponaxis=False,
            xaxis=xaxis,
            yaxis=yaxis,
        )

    def _said(self, i: int) -> str:
        """What the pointer shows of a point."""
        point = self.result.table.points[i]
        if self.length:
            error = text_of.small_length(point.y - point.x_mm, self.unit, signed=True)
            shows = f"error of indication {error}"
        else:
            shows = f"{text_of.significant(point.y, 6)} {look.shown(self.result.readings.unit)}"
        residual = text_of.small_length(self.residual[i] / self.fine, self.unit, signed=True)
        name = look.shown("Zero" if point.name == "zero" else point.name)
        return f"<b>{name}</b>, {text_of.length(point.x_mm, self.unit)}<br>{shows}<br>residual {residual}"

    def _names(self) -> go.Scatter:
        """Names above the bars, or below where there is no room; a name that has none is left to the pointer."""
        names = [look.shim_name(point.name) for point in self.result.table.points]
        per_mm = _NARROWEST / (self.across[1] - self.across[0])
        free = {"top center": -np.inf, "bottom center": -np.inf}
        x, y, text, where = [], [], [], []
        for i in np.argsort(self.result.curve.points.x):
            at, half = float(self.result.curve.points.x[i]), 3.2 * len(unescape(names[i])) + 2
            # at the left edge the name would lie on the scale
            shift = half if at * per_mm - half < self.across[0] * per_mm else 0.0
            left = at * per_mm - half + shift
            side = next(
                (side for side, end in free.items() if left >= end and not self._crossed(i, side, left, 2 * half)), None
            )
            if side is None:
                continue
            free[side] = at * per_mm + half + shift
            x.append(at * self.wide)
            y.append(float(self.ends[side == "top center"][i]))
            text.append(names[i])
            where.append(side.replace("center", "right") if shift else side)
        return go.Scatter(
            name="names", x=x, y=y, text=text, textposition=where, mode="text", hoverinfo="skip", cliponaxis=False,
            textfont={"size": 13, "color": COLOURS[self.theme]["ink-2"]}, xaxis="x2", yaxis="y2",
        )  # fmt: skip

    def _crossed(self, i: int, side: str, left: float, width: float) -> bool:
        """Whether the bar of another point would run through a name that begins `left` and is so wide [px]."""
        per_mm, per_small = _NARROWEST / (self.across[1] - self.across[0]), _LOWER / np.ptp(self.off["range"])
        lower, upper = self.ends
        end, up = (upper[i], 1) if side == "top center" else (lower[i], -1)
        near, far = sorted((end, end + up * _NAME / per_small))
        others = np.arange(len(lower)) != i
        at = self.result.curve.points.x * per_mm
        return bool(np.any(others & (at > left) & (at < left + width) & (upper > near) & (lower < far)))

    def working_range(self) -> list[dict[str, Any]]:
        low, high = self.result.options.working_range_mm
        at = {
            "type": "rect", "x0": low * self.wide, "x1": high * self.wide, "y0": 0, "y1": 1, "layer": "below",
            "line": {"width": 0}, "fillcolor": COLOURS[self.theme]["paper-2"],
        }  # fmt: skip
        return [at | {"xref": "x", "yref": "y domain"}, at | {"xref": "x2", "yref": "y2 domain"}]

    def lines(self) -> list[dict[str, Any]]:
        """The line of no residual, and the tolerance."""
        ink = COLOURS[self.theme]["ink"]
        at = {"type": "line", "xref": "x2 domain", "x0": 0, "x1": 1, "yref": "y2", "layer": "below"}
        dashes = {"color": ink, "width": 1.4, "dash": look.DASHED}
        zero = at | {"y0": 0, "y1": 0, "line": {"color": ink, "width": 1}}
        return [zero, *(at | {"y0": limit, "y1": limit, "line": dashes} for limit in self.limits)]

    def being_read(self, shim: str) -> list[dict[str, Any]]:
        at_mm = look.thickness_of(self.result, shim)
        if at_mm is None:
            return []
        x = at_mm * self.wide
        line = {"color": COLOURS[self.theme]["s1"], "width": 1.6, "dash": look.DOTTED}
        at = {"type": "line", "x0": x, "x1": x, "y0": 0, "y1": 1, "line": line, "layer": "below"}
        return [at | {"xref": "x", "yref": "y domain"}, at | {"xref": "x2", "yref": "y2 domain"}]

    def words(self, reading: str) -> list[dict[str, Any]]:
        theme, unit = self.theme, self.unit
        left = _MARGIN["l"]
        shows = f"Error of indication, {self.small}"
        if not self.length:
            less = ", background subtracted" if self.result.table.background.subtracted else ""
            shows = f"Indication, {look.shown(self.result.readings.unit)}{less}"
        said = [
            look.heading(theme, shows, "y", left),
            look.heading(theme, f"Residual, {self.small}{_CUT_OFF if self.cut_off else ''}", "y2", left),
            look.below(f"Thickness, {unit}", 1, _MARGIN["b"] - 4),
            self._range_words(),
        ]
        at_mm = look.thickness_of(self.result, reading)
        if at_mm is not None:
            said.append(_in_plot(f"{look.shim_name(reading)} is being read", at_mm * self.wide, 1, -28, "left"))
        said += look.end_names(theme, self._curve_names(), "y", _UPPER)
        tolerance = [
            Name(self.share(self.off, limit), f"<b>tolerance {text_of.number(limit, _places(limit), signed=True)}</b>")
            for limit in self.limits
        ]
        return said + look.end_names(theme, tolerance, "y2", _LOWER)

    def _range_words(self) -> dict[str, Any]:
        low, high = self.result.options.working_range_mm
        ends = [
            text_of.length(end, self.unit, decimals=_range_places(self.unit), with_unit=False) for end in (low, high)
        ]
        middle = (low + high) / 2 * self.wide
        return _in_plot(f"working range {ends[0]} to {ends[1]} {self.unit}", middle, 1, -2, "center")

    def _curve_names(self) -> list[Name]:
        end = self.grid[-1:]
        chosen = self.result.curve
        band = "" if self.U is None else "<br>band: ±U"
        at = float(self.height(chosen, end)[0])
        names = [Name(self.share(self.up, at), f"<b>{look.curve_name(chosen.family)}</b>{band}")]
        if self.other is not None:
            curve, verdict = self.other
            at = float(self.height(curve, end)[0])
            where = self.share(self.up, at) if np.isfinite(at) else 0.0
            names.append(Name(where, f"{look.curve_name(curve.family)}<br>dashed{look.shown(verdict)}"))
        return names


def _line(name: str, x: Array, y: Array, colour: str, width: float, dash: str = "solid") -> go.Scatter:
    return go.Scatter(
        name=name, x=x, y=y, mode="lines", line={"color": colour, "width": width, "dash": dash}, hoverinfo="skip",
    )  # fmt: skip


def _filled(name: str, x: Array, low: Array, high: Array, colour: str, **at: str) -> go.Scatter:
    return go.Scatter(
        name=name, x=np.concatenate([x, x[::-1]]), y=np.concatenate([low, high[::-1]]), mode="lines", fill="toself",
        fillcolor=colour, line={"width": 0}, hoverinfo="skip", **at,
    )  # fmt: skip


def _in_plot(text: str, x: float, y: float, down: float, anchor: str) -> dict[str, Any]:
    return {
        "text": text, "xref": "x", "x": x, "xanchor": anchor, "xshift": 8 if anchor == "left" else 0,
        "yref": "y domain", "y": y, "yanchor": "top", "yshift": down, "showarrow": False,
    }  # fmt: skip


def _places(value: float) -> int:
    """So many decimals that a round limit is not written with more than it has."""
    return next((places for places in range(4) if abs(round(value, places) - value) < 1e-9 * max(abs(value), 1)), 3)


def _range_places(unit: str) -> int:
    return {"mm": 2, "µm": 0, "in": 4, "mil": 1}[unit]
