"""Where things are: the workbooks and sample data that come with the package, and the laboratory's data folder."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

DATA_VARIABLE: Final = "LABKIT_DATA"
"""The environment variable that hands the data folder to every kernel that `labkit serve` starts."""

_PACKAGE: Final = Path(__file__).resolve().parent


def workbooks() -> Path:
    """The folder of the workbooks: beside the package in a checkout, inside it where a wheel was installed."""
    return _shipped("workbooks")


def sample_data() -> Path:
    """The folder of the sample readings and shims: beside the package in a checkout, else inside it."""
    return _shipped("sample_data")


def data_folder(chosen: str | Path | None = None, *, demo: bool = False) -> Path:
    """
    The laboratory's data folder; nothing is created.

    Parameters
    ----------
    chosen : str or Path, optional
        What was asked for. Default: the environment variable `DATA_VARIABLE`, else the user's data folder.
    demo : bool
        The demo's own folder: below `chosen`, or beside the default one. No demo row enters a real ledger.

    Returns
    -------
    Path
        Absolute.
    """
    if chosen is not None:
        folder = Path(chosen).expanduser().absolute()
        return folder / "labkit-demo" if demo else folder
    if os.environ.get(DATA_VARIABLE) and not demo:
        return Path(os.environ[DATA_VARIABLE]).expanduser().absolute()
    from platformdirs import user_data_path

    return user_data_path("labkit-demo" if demo else "labkit", appauthor=False)


def families_folder(data: Path) -> Path:
    """Where a laboratory keeps its engineers' own curve families, in its data folder `data`."""
    return data / "families"


def _shipped(name: str) -> Path:
    in_wheel = _PACKAGE / name
    return in_wheel if in_wheel.is_dir() else _PACKAGE.parent / name
