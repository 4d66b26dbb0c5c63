"""Results as plotly figures: no widgets, no numbers of their own."""

from labkit.charts.curve import curve_figure
from labkit.charts.look import CONFIG, Theme
from labkit.charts.residuals import leverage, quantile_figure, standardised
from labkit.charts.spread import u_figure

__all__ = ["CONFIG", "Theme", "curve_figure", "leverage", "quantile_figure", "standardised", "u_figure"]
