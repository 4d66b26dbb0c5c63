"""A figure of the result, made when there first is one, and changed in place from then on."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from labkit.calibration import Calibration
from labkit.panels import shell
from labkit.panels.figure import Figure, figure_widget, update

if TYPE_CHECKING:
    import plotly.graph_objects as go


class ResultFigure:
    """
    Parameters
    ----------
    draw : callable
        A function of `labkit.charts`: takes the result, ``theme``, ``unit`` and ``reading``.
    on_point : callable, optional
        Called with the name of a point that is clicked.
    """

    def __init__(self, draw: Callable[..., go.Figure], on_point: Callable[[str], None] | None = None) -> None:
        self._draw, self._on_point = draw, on_point
        self._widget: Figure | None = None
        self._shown: tuple[object, ...] = ()
        self.root = shell.rows([], "lk-fig")

    def show(self, result: Calibration, unit: str, *, dark: bool, reading: str = "") -> None:
        """Draw the result, unless it is what is shown already."""
        wanted = (result, unit, dark, reading)
        if wanted == self._shown:
            return
        figure = self._draw(result, theme="dark" if dark else "light", unit=unit, reading=reading)
        if self._widget is None:
            self._widget = figure_widget(figure)
            if self._on_point is not None:
                self._widget.on_point(self._on_point)
            self.root.children = [self._widget]
        else:
            update(self._widget, figure)
        self._shown = wanted
