"""
labkit: calibrate a magnetic wall thickness gauge on shims.

The names below are the public face; each is imported when first used, so that a command starts quickly.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

__version__ = "0.1.0"

_HOME_OF: Final = {
    "About": "labkit.bench.about",
    "Calibration": "labkit.calibration",
    "Check": "labkit.check",
    "Conditions": "labkit.bench.conditions",
    "Problem": "labkit.problems",
    "Readings": "labkit.bench.readings",
    "Rig": "labkit.bench.rig",
    "ShimSet": "labkit.bench.shims",
    "calibrate": "labkit.calibration",
    "read_about": "labkit.bench.read_about",
    "read_readings": "labkit.bench.read_readings",
    "read_shims": "labkit.bench.read_shims",
    "take_up": "labkit.check",
}

__all__ = [
    "About",
    "Calibration",
    "Check",
    "Conditions",
    "Problem",
    "Readings",
    "Rig",
    "ShimSet",
    "__version__",
    "calibrate",
    "read_about",
    "read_readings",
    "read_shims",
    "take_up",
]

if TYPE_CHECKING:
    from labkit.bench.about import About
    from labkit.bench.conditions import Conditions
    from labkit.bench.read_about import read_about
    from labkit.bench.read_readings import read_readings
    from labkit.bench.read_shims import read_shims
    from labkit.bench.readings import Readings
    from labkit.bench.rig import Rig
    from labkit.bench.shims import ShimSet
    from labkit.calibration import Calibration, calibrate
    from labkit.check import Check, take_up
    from labkit.problems import Problem


def __getattr__(name: str) -> Any:
    if name in _HOME_OF:
        return getattr(import_module(_HOME_OF[name]), name)
    raise AttributeError(f"module 'labkit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
