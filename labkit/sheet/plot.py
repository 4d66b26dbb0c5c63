"""The plots of the sheet: what is left between points and curve, the curve itself, and what U is made of."""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from labkit import format as text_of
from labkit.language import in_figures, say
from labkit.sheet.own_fonts import NO_FONTS, OwnFonts
from labkit.sheet.typesetting import FONTS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

INK: Final = "#15202c"
QUIET: Final = "#43515e"
BLUE: Final = "#0072b2"
BAND: Final = "#d3e6f1"

WIDTH_IN: Final = 166 / 25.4
HEIGHT_IN: Final = 62 / 25.4
BAR_IN: Final = 5 / 25.4


@dataclass(frozen=True)
class PlotData:
    """
    What the plots show, as plain numbers.

    Attributes
    ----------
    names : tuple of str
        Of the points.
    x_mm, residual_um, U_um : tuple of float
        Thickness of each point, what is left between it and the curve in thickness, and its expanded uncertainty.
    grid_mm : tuple of float
        Thicknesses of the band and the curve.
    band_um : tuple of float
        Expanded uncertainty of one corrected reading along the grid.
    curve, at_points : tuple of float
        The curve along the grid and the means at the points: the error of indication [µm], or the raw signal.
    curve_label : str
        What the curve shows, with its unit.
    limits_um : (float or None, float or None)
        The tolerance.
    working_mm : (float, float)
        The working range.
    """

    names: tuple[str, ...]
    x_mm: tuple[float, ...]
    residual_um: tuple[float, ...]
    U_um: tuple[float, ...]
    grid_mm: tuple[float, ...]
    band_um: tuple[float, ...]
    curve: tuple[float, ...]
    at_points: tuple[float, ...]
    curve_label: str
    limits_um: tuple[float | None, float | None]
    working_mm: tuple[float, float]

    @property
    def raw(self) -> bool:
        """A signal that has no unit of length, and spans decades."""
        return min(self.curve, default=0.0) > 0 and max(self.curve) > 20 * min(self.curve)


def draw(data: PlotData, fonts: OwnFonts = NO_FONTS) -> str:
    """
    The two plots as SVG: the same data give the same text.

    Parameters
    ----------
    data : PlotData
    fonts : OwnFonts
        For characters that ours lack.

    Returns
    -------
    str
    """
    with _look(fonts) as figure:
        figure.set_size_inches(WIDTH_IN, HEIGHT_IN)
        wide, narrow = figure.subplots(1, 2, width_ratios=(2.1, 1))
        _residuals(wide, data)
        _curve(narrow, data)
        for axis in (wide.xaxis, wide.yaxis, narrow.xaxis, narrow.yaxis):
            _speak(axis)
        return _svg(figure)


def draw_bars(shares: Sequence[tuple[str, float]], fonts: OwnFonts = NO_FONTS) -> str:
    """
    Shares of u² as bars, each named at its end, as SVG: the same data give the same text.

    Parameters
    ----------
    shares : sequence of (str, float)
        Names and shares, from the top; one at least.
    fonts : OwnFonts
        For characters that ours lack.

    Returns
    -------
    str
    """
    with _look(fonts) as figure:
        figure.set_size_inches(WIDTH_IN, BAR_IN * len(shares) + 0.1)
        axes = figure.subplots()
        axes.set_axis_off()
        _bars(axes, shares)
        return _svg(figure)


@contextmanager
def _look(fonts: OwnFonts) -> Iterator[Figure]:
    """An empty figure in the look of the sheet."""
    import matplotlib as mpl
    from matplotlib import font_manager
    from matplotlib.figure import Figure

    families = ["Source Sans 3"]
    for font in (*sorted(FONTS.glob("*.ttf")), *fonts.files):
        font_manager.fontManager.addfont(font)
    families += [font_manager.get_font(each).family_name for each in fonts.files]
    style: Mapping[str, Any] = {
        "svg.hashsalt": "labkit", "svg.fonttype": "path",
        "font.family": families, "font.size": 7.6,
        "axes.edgecolor": INK, "axes.linewidth": 0.6, "axes.labelcolor": QUIET, "axes.unicode_minus": True,
        "xtick.color": QUIET, "ytick.color": QUIET, "xtick.major.width": 0.6, "ytick.major.width": 0.6,
        "xtick.major.size": 2.5, "ytick.major.size": 2.5, "xtick.minor.size": 1.5, "ytick.minor.size": 1.5,
        "axes.spines.top": False, "axes.spines.right": False,
        "axes.titlesize": 7.6, "axes.titlecolor": QUIET, "axes.titlelocation": "left",
    }  # fmt: skip
    with mpl.rc_context(dict(style)):  # type: ignore[arg-type]
        figure = Figure(layout="constrained")
        figure.get_layout_engine().set(w_pad=0.02, h_pad=0.02, wspace=0.06)  # type: ignore[call-arg, union-attr]
        yield figure


def _speak(axis: Axis) -> None:
    """Numbers along an axis with the decimal sign of the language."""
    from matplotlib.ticker import ScalarFormatter

    class InFigures(ScalarFormatter):
        def __call__(self, x: float, pos: int | None = None) -> str:
            return in_figures(super().__call__(x, pos))

    if isinstance(axis.get_major_formatter(), ScalarFormatter):
        axis.set_major_formatter(InFigures())


def _svg(figure: Figure) -> str:
    out = io.StringIO()
    figure.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    return out.getvalue()


def _bars(axes: Axes, shares: Sequence[tuple[str, float]]) -> None:
    """As on the page: the longest bar takes half of the width, so that its name has room."""
    values = [share for _, share in shares]
    axes.barh(range(len(shares)), values, height=0.66, color=BLUE, linewidth=0, zorder=2)
    axes.axvline(0, color=INK, linewidth=0.6, zorder=3)
    low, high = min(0.0, *values), max(0.0, *values)
    axes.set_xlim(low, low + 2 * (high - low) or 1.0)
    axes.set_ylim(len(shares) - 0.5, -0.5)
    for place, (name, share) in enumerate(shares):
        axes.annotate(
            f"{text_of.percent(share)}  {name}", (max(share, 0.0), place), (4, 0), textcoords="offset points",
            ha="left", va="center", color=INK, fontsize=7.2, annotation_clip=False, parse_math=False,
        )  # fmt: skip


def _residuals(axes: Axes, data: PlotData) -> None:
    axes.set_title(say("Point less curve, in thickness, µm"))
    axes.set_xlabel(say("Thickness, mm"), loc="right")
    if data.band_um:
        axes.fill_between(data.grid_mm, [-b for b in data.band_um], data.band_um, color=BAND, linewidth=0, zorder=0)
    axes.axhline(0, color=INK, linewidth=0.5, zorder=1)
    drawn = [limit for limit in data.limits_um if limit is not None]
    for limit in drawn:
        axes.axhline(limit, color=INK, linewidth=0.7, dashes=(5, 3), zorder=1)
    axes.errorbar(
        data.x_mm, data.residual_um, yerr=data.U_um, fmt="o", color=INK, markersize=3, elinewidth=0.8, capsize=1.8,
        capthick=0.8, zorder=3,
    )  # fmt: skip
    axes.margins(x=0.03)
    low, high = axes.get_ylim()
    reach = max(abs(low), abs(high)) * 1.08
    axes.set_ylim(-reach, reach)

    def name(y: float, text: str, color: str, up: float = 0) -> None:
        """Name a line at its end, outside the plot, where no point can lie under the word."""
        axes.annotate(
            text, (1, y), (3, up), xycoords=("axes fraction", "data"), textcoords="offset points",
            ha="left", va="center", color=color, fontsize=6.8, annotation_clip=False,
        )  # fmt: skip

    if data.band_um:
        name(0, "± U", BLUE)
    for limit in drawn:
        near_zero = abs(limit) < 0.12 * reach
        name(limit, say("tolerance"), INK, math.copysign(8, limit) if near_zero else 0)


def _curve(axes: Axes, data: PlotData) -> None:
    axes.set_title(data.curve_label)
    axes.set_xlabel(say("Thickness, mm"), loc="right")
    axes.axvspan(*data.working_mm, color="#f1f5f6", linewidth=0, zorder=0)
    axes.plot(data.grid_mm, data.curve, color=BLUE, linewidth=1.2, zorder=2)
    axes.plot(data.x_mm, data.at_points, "o", color=INK, markersize=3, zorder=3)
    if data.raw:
        axes.set_yscale("log")
    axes.margins(x=0.04)
