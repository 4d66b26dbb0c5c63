"""Results as plotly figures: no widgets, no numbers of their own."""

from labkit.charts.curve import curve_figure
from labkit.charts.look import CONFIG, Theme
from labkit.charts.moved import moved_figure
from labkit.charts.operating import operating_figure
from labkit.charts.residuals import leverage, quantile_figure, standardised
from labkit.charts.shares import shares_figure
from labkit.charts.spread import u_figure

__all__ = [
    "CONFIG",
    "Theme",
    "curve_figure",
    "leverage",
    "moved_figure",
    "operating_figure",
    "quantile_figure",
    "shares_figure",
    "standardised",
    "u_figure",
]
