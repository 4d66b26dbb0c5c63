"""Plotly figures on a page: made once, and changed in place."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import plotly.graph_objects as go


def figure_widget(figure: go.Figure) -> go.FigureWidget:
    """A figure of `labkit.charts` as a widget."""
    import plotly.graph_objects as go

    from labkit.charts import CONFIG

    widget = go.FigureWidget(figure)
    widget._config = dict(CONFIG)
    return widget


def update(widget: go.FigureWidget, figure: go.Figure) -> None:
    """
    Make a shown figure look like another.

    Parameters
    ----------
    widget : FigureWidget
        Changed in one message to the browser; its traces are kept, and only added or taken away where there are more
        or fewer of them.
    figure : Figure
    """
    traces = [trace.to_plotly_json() for trace in figure.data]
    with widget.batch_update():
        for shown, wanted in zip(widget.data, traces, strict=False):
            shown.update(_replacing(shown.to_plotly_json(), wanted), overwrite=True)
        widget.layout.update(_replacing(widget.layout.to_plotly_json(), figure.layout.to_plotly_json()), overwrite=True)
    if len(traces) < len(widget.data):
        widget.data = widget.data[: len(traces)]
    elif len(traces) > len(widget.data):
        widget.add_traces(traces[len(widget.data) :])


def on_point(widget: go.FigureWidget, act: Callable[[str], None]) -> None:
    """
    Call `act` with the name of a shim when one of its points is clicked.

    Parameters
    ----------
    widget : FigureWidget
        Of `labkit.charts.curve_figure`, whose traces stay as they are while the figure is changed in place.
    act : callable
    """
    from labkit.charts.curve import POINTS

    def clicked(trace: Any, points: Any, _state: Any) -> None:
        for index in points.point_inds:
            act(str(trace.customdata[index]))

    for trace in widget.data:
        if trace.name in POINTS:
            trace.on_click(clicked)


def _replacing(shown: dict[str, Any], wanted: dict[str, Any]) -> dict[str, Any]:
    """What is wanted, and None for what is shown and no longer wanted; a trace's own marks stay."""
    gone = {key: None for key in shown if key not in wanted and key not in ("type", "uid")}
    return {key: value for key, value in (gone | wanted).items() if key not in ("type", "uid")}
