"""The flexible curve with its amplitudes, lengths and weights held: what a bordered update is compared with."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from labkit.curves import Points
from labkit.curves.flexible import FlexibleCurve, _linked
from labkit.curves.kriging import Components, solved


def with_points(curve: FlexibleCurve, points: Points) -> FlexibleCurve:
    """The curve through other points at the amplitudes, lengths and weights of this one."""
    x = points.x
    z, V_z = _linked(points, curve.signal)
    D = curve.link_slope(x) if curve.signal == "raw" else 1.0 + curve.link_slope(x)
    N = V_z + D[:, None] * points.V_x * D[None, :]
    part = curve.components
    found, _ = solved(curve._t(x), z, curve.basis(x), N, part.weight, part.amplitude, part.length)
    return FlexibleCurve(curve.form, points, curve.signal, curve.scale, curve.L, z, N, found)


def only(curve: FlexibleCurve, g: int) -> FlexibleCurve:
    """The curve of one pair of amplitude and length."""
    _, *others = (getattr(curve.components, each.name)[g : g + 1] for each in fields(Components))
    return replace(curve, components=Components(np.ones(1), *others))
