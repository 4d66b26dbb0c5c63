"""What was read again at the end: how far it has moved, and what that says of every other thickness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.special import chdtrc

from labkit.bench.readings import by_point
from labkit.calibration.background import stated_drift
from labkit.calibration.points import PointTable
from labkit.curves import Curve
from labkit.curves.family import Array
from labkit.problems import Caution

CLOSING: Final = "budget.closing"
"""How the code of its line begins, whatever the differences are taken for."""

SHOWN: Final = 2.0
"""Standard deviations of the repeats beyond which a closing difference is more than their scatter."""

BY_CHANCE: Final = 0.05
"""An explanation of several closing differences is dropped where chance alone makes them fit worse so seldom."""


@dataclass(frozen=True)
class Closing:
    """
    The difference between the start and the end of the readings.

    Attributes
    ----------
    point : str
        The shim that was read again, or ``zero``.
    difference_mm : float
        In thickness [mm].
    limit_mm : float or None
    """

    point: str
    difference_mm: float
    limit_mm: float | None

    @property
    def exceeded(self) -> bool:
        return self.limit_mm is not None and abs(self.difference_mm) > self.limit_mm

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"exceeded": self.exceeded}


@dataclass(frozen=True)
class Drift:
    """
    What the closing differences say of a drift, along the curve.

    Attributes
    ----------
    largest_mm : float
        The largest closing difference [mm], with its sign.
    shift_mm : float
        The same thickness everywhere [mm]: a film on the tip, wear.
    gain : float
        A share of the signal: the temperature of magnet and sensor.
    offset : float
        The same signal everywhere, in its unit: the background.
    together : bool
        Whether gain and offset act both, with their signs; else each stands for the whole, and the larger counts.
    grew : bool
        Whether the signal grew, apart from what the background did.
    """

    largest_mm: float
    shift_mm: float
    gain: float = 0.0
    offset: float = 0.0
    together: bool = False
    grew: bool = False

    @property
    def separated(self) -> bool:
        """Whether what was read again tells the background from the rest."""
        return self.together or not self.offset or not (self.gain or self.shift_mm)

    def limit_mm(self, per_share: Array, per_signal: Array) -> Array:
        """
        By how much a thickness may have moved [mm].

        Parameters
        ----------
        per_share, per_signal : ndarray
            ``|F/F'|`` and ``1/|F'|`` at each thickness, as for `labkit.bench.influences.Influence.moved_mm`.
        """
        gain, offset = self.gain * per_share, self.offset * per_signal
        return np.maximum(self.shift_mm, np.abs(gain + offset) if self.together else np.maximum(gain, offset))

    def line(self, unit: str) -> tuple[str, dict[str, Any]]:
        """The code of its line in the budget, and what the sentences name; `unit` is that of the signal."""
        said: dict[str, Any] = {"closing_mm": self.largest_mm}
        if not self.gain and not self.offset:
            return "budget.closing", said
        said["signal_percent"] = 100.0 * self.gain
        if not self.offset:
            return "budget.closing_gain", said
        said |= {"offset": self.offset, "unit": unit}
        if self.together:
            return "budget.closing_both", said
        return "budget.closing_either" if self.gain else "budget.closing_offset", said


def closing_of(table: PointTable, curve: Curve) -> tuple[Closing, ...]:
    """What was read again at the end, against the start, in thickness."""
    limit = table.conditions.closing_limit_mm
    return tuple(Closing(each.name, each.moved / each.slope, limit) for each in _again(table, curve))


def drift_of(table: PointTable, curve: Curve) -> Drift | None:
    """
    What the closing differences say of all thicknesses; None where no shim was read again.

    Parameters
    ----------
    table : PointTable
    curve : Curve
        Tells thickness from signal at the shims that were read again.

    Returns
    -------
    Drift or None

    Notes
    -----
    A thickness indication moves by the same thickness everywhere: the largest difference counts. A raw signal has three
    ways to move. The same *share* of the signal, when magnet or sensor get warmer, is more thickness at the thick end:
    ``|Δy/y|·|F/F'|``. The same *signal* everywhere, when the background moves, is far more there: ``|Δy|/|F'|``. The
    same *thickness*, by a film on the tip, is what was seen.

    How much each would be is the weighted mean over what was read again; an explanation that the differences contradict
    (χ², `BY_CHANCE`) is dropped, and of the others the largest counts at each thickness. The background read again
    says what moved as one signal: that is taken off the differences and has its own line. Where neither it was read
    again nor the laboratory states its drift, one shim cannot tell gain from background: both stand, the larger counts,
    but the background only where the difference is more than the repeats scatter. Differences that no single way
    explains are gain and background together.
    """
    again = _again(table, curve)
    if not again:
        return None
    largest = max((each.moved / each.slope for each in again), key=abs)
    if table.readings.signal == "thickness":
        return Drift(largest, abs(largest))
    known = _known_offset(table)
    y, slope, u = (np.array([getattr(each, name) for each in again]) for name in ("y", "slope", "u"))
    moved = np.array([each.moved for each in again])
    if known is not None:
        moved, u = moved - known, np.sqrt(np.square(u) + 2.0 * table.common_variance)
    grew = bool(np.sum(moved * y / np.square(u)) > 0)
    ways = {"shift": slope, "gain": y}
    if _is_open(table) and np.any(np.abs(moved) > SHOWN * u):
        ways["offset"] = np.ones_like(y)
    fitting = {name: size for name, effect in ways.items() for size, fits in (_alone(moved, effect, u),) if fits}
    if fitting:
        shift, gain, offset = (fitting.get(name, 0.0) for name in ("shift", "gain", "offset"))
        return Drift(largest, shift, gain, offset, grew=grew)
    if "offset" not in ways:
        return Drift(largest, float(np.max(np.abs(moved / slope))), float(np.max(np.abs(moved / y))), grew=grew)
    effects = np.column_stack([y, np.ones_like(y)])
    both = np.linalg.lstsq(effects / u[:, None], moved / u, rcond=None)[0]
    # where the two cancel, no less than what they leave open, and than what was seen where least was
    left = np.max(np.abs(moved - effects @ both) / np.abs(slope))
    least = max(float(left), float(np.min(np.abs(moved / slope))))
    return Drift(largest, least, float(both[0]), float(both[1]), together=True, grew=grew)


def say_closing(table: PointTable, closing: Sequence[Closing], drift: Drift | None, cautions: list[Caution]) -> None:
    """Add what is doubtful about the closing readings."""
    if not closing:
        read = table.background.closing is not None
        cautions.append(Caution("closing.background_only" if read else "closing.not_read"))
    for each in closing:
        if each.exceeded:
            params = {"point": each.point, "difference_mm": abs(each.difference_mm), "limit_mm": each.limit_mm}
            cautions.append(Caution("closing.exceeded", params))
    if drift is not None and not drift.separated:
        cautions.append(Caution("closing.not_separated"))


@dataclass(frozen=True)
class _Again:
    """One point read again: y and the difference as the curve knows them, the slope there, u of the difference."""

    name: str
    y: float
    moved: float
    slope: float
    u: float


def _again(table: PointTable, curve: Curve) -> list[_Again]:
    start = {point.name: point for point in table.points}
    found = []
    for name, rows in by_point(table.readings.with_role("closing-fit", "closing-zero")).items():
        values = [row.value for row in rows if row.counts]
        if name not in start or not values:
            continue
        point = start[name]
        slope = float(curve.slope(np.array([point.x_mm]))[0])
        if slope == 0:  # where the curve is level, no signal tells a thickness
            continue
        u = np.sqrt(np.sum(table.variance.variance_of_mean(point.x_mm, [point.n, len(values)])))
        found.append(_Again(name, point.y, float(table.signal_of(np.mean(values))) - point.y, slope, float(u)))
    return found


def _known_offset(table: PointTable) -> float | None:
    """What of the differences is the background's, as the curve knows it; None where that is not known."""
    stated, offset = stated_drift(table.conditions), table.background.offset
    # left out for a reason, it has no line: what it moved stays in the differences
    return None if offset is None or (stated is not None and stated.off) else table.sign * offset


def _is_open(table: PointTable) -> bool:
    """Whether nothing says how far the background moved."""
    return table.background.offset is None and stated_drift(table.conditions) is None


def _alone(moved: Array, effect: Array, u: Array) -> tuple[float, bool]:
    """How large one way to move is, were it the only one, and whether the differences allow that."""
    weighted = effect / u
    size = float(weighted @ (moved / u) / (weighted @ weighted))
    off = float(np.sum(np.square((moved - size * effect) / u)))
    return abs(size), len(moved) == 1 or bool(chdtrc(len(moved) - 1, off) > BY_CHANCE)
