"""
Figures of `labkit.charts` on a page: made once, and changed in place.

Not plotly's own widget: each of those carries five megabytes of script, and in JupyterLab, where the browser needs more
than two seconds to take them in, anywidget gives the widget up. It is shown then, and never changes any more.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import resources
from typing import TYPE_CHECKING, Any

import traitlets as T

from labkit.panels.browser import OneWay, source

if TYPE_CHECKING:
    import plotly.graph_objects as go


class Figure(OneWay):
    """
    A shown figure.

    Attributes
    ----------
    figure : str
        As plotly's JSON.
    config : dict
        For plotly.js: `labkit.charts.CONFIG`.
    """

    _esm = source("js/figure.js")

    figure = T.Unicode().tag(sync=True)
    config: T.Dict[str, Any] = T.Dict().tag(sync=True)

    def __init__(self, figure: str, config: Mapping[str, Any]) -> None:
        super().__init__(figure=figure, config=dict(config))
        self._acts: list[Callable[[str], None]] = []
        self.on_msg(self._receive)

    def on_point(self, act: Callable[[str], None]) -> None:
        """Call `act` with the name of a shim when a point that carries one is clicked."""
        self._acts.append(act)

    def _receive(self, _widget: object, content: Mapping[str, Any], _buffers: object) -> None:
        if content.get("type") == "library":
            script = resources.files("plotly") / "package_data" / "plotly.min.js"
            self.send({"type": "library"}, buffers=[script.read_bytes()])
        elif content.get("type") == "point":
            for act in self._acts:
                act(str(content.get("name", "")))


def figure_widget(figure: go.Figure) -> Figure:
    """A figure of `labkit.charts` as a widget."""
    from labkit.charts import CONFIG

    return Figure(figure.to_json(), CONFIG)


def update(widget: Figure, figure: go.Figure) -> None:
    """
    Make a shown figure look like another.

    Parameters
    ----------
    widget : Figure
        Changed in one message; the browser draws again what differs.
    figure : plotly Figure
    """
    widget.figure = figure.to_json()
