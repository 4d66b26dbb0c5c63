"""The laboratory's own curve families, a file at a time: which were loaded, and why the others were not."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from labkit.curves import families, load_own_families
from labkit.curves.own import LARGEST_KB
from labkit.paths import families_folder
from labkit.problems import Fault


@dataclass(frozen=True)
class OwnFile:
    """
    One file of the folder ``families``.

    Attributes
    ----------
    file : str
    names : tuple of str
        The families that it gives; empty where it was not loaded.
    sha256 : str
        Of the file, as a record names it; empty where it is no file that would be read.
    fault : Fault or None
        Why it was not loaded.
    """

    file: str
    names: tuple[str, ...]
    sha256: str
    fault: Fault | None = None


def own_files(data: Path) -> tuple[OwnFile, ...]:
    """Load every file of the data folder `data` anew, as each page does when it starts; in the order of their names."""
    folder = families_folder(data)
    faults = {str(fault.params.get("file", "")): fault for fault in load_own_families(folder)}
    names: dict[str, list[str]] = {}
    for form in families():
        if form.source is not None:
            names.setdefault(form.source.file, []).append(form.name)
    files = sorted(folder.glob("*.py")) if folder.is_dir() else []
    # the folder itself can be at fault, and then no file was run
    return tuple(
        OwnFile(
            path.name, tuple(names.get(path.name, ())), _digest(path), faults.get(path.name, faults.get(folder.name))
        )
        for path in files
        if not path.name.startswith(("_", "."))
    )


def _digest(path: Path) -> str:
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size > LARGEST_KB * 1000:
            return ""
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""
