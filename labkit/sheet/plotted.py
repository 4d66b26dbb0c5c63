"""From the record of a calibration to the numbers behind its plots."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np

from labkit.calibration.options import limits
from labkit.language import say
from labkit.sheet.blocks import Record
from labkit.sheet.plot import PlotData


def plot_data(record: Record) -> PlotData:
    """The numbers behind the plots of the sheet."""
    found = record["results"]
    points, fine = found["points"], found["fine_table"]
    length = found["signal"] == "thickness"
    grid = tuple(row["thickness_mm"] for row in fine)
    lower, upper = limits(record["inputs"]["options"]["tolerance_mm"])

    def shown(thickness: float, indication: float) -> float:
        return 1000 * (indication - thickness) if length else indication

    background = found["background"]
    subtracted = (background["value"] or 0.0) if background["handled"] == "subtract" and not length else 0.0
    return PlotData(
        names=tuple(point["name"] for point in points),
        x_mm=tuple(point["x_mm"] for point in points),
        residual_um=tuple(1000 * point["residual_mm"] for point in points),
        U_um=tuple(_point_U(point, fine, length) for point in points),
        grid_mm=grid,
        band_um=tuple(1000 * u * k for u, k in zip((row["u_mm"] for row in fine), _factors(found), strict=True)),
        curve=tuple(shown(row["thickness_mm"], row["indication"]) for row in fine),
        at_points=tuple(shown(point["x_mm"], point["y"] + subtracted) for point in points),
        curve_label=say("Error of indication, µm") if length else say("Indication, {unit}", unit=found["unit"]),
        limits_um=(None if lower is None else 1000 * lower, None if upper is None else 1000 * upper),
        working_mm=tuple(record["inputs"]["options"]["working_range_mm"]),
    )


def _point_U(point: Mapping[str, Any], fine: list[Mapping[str, float]], length: bool) -> float:
    """U [µm] of a point in thickness, k = 2: its shim, and the mean of its readings over the slope of the curve."""
    steep = 1.0
    if not length:
        near = min(pairwise(fine), key=lambda pair: abs(pair[0]["thickness_mm"] - point["x_mm"]), default=None)
        if near is None:
            return 2000.0 * float(point["u_x_mm"])
        rise = near[1]["indication"] - near[0]["indication"]
        steep = abs(rise / (near[1]["thickness_mm"] - near[0]["thickness_mm"]))
    return 2000.0 * float((point["u_x_mm"] ** 2 + (point["u_y"] / steep) ** 2) ** 0.5)


def _factors(found: Mapping[str, Any]) -> list[float]:
    """The coverage factor along the fine table, between those of the results table."""
    if not found["fine_table"]:
        return []
    at = [row["thickness_mm"] for row in found["fine_table"]]
    known = [row["thickness_mm"] for row in found["table"]]
    return [float(k) for k in np.interp(at, known, [row["k"] for row in found["table"]])]
