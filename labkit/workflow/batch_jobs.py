"""What a folder of readings asks for: a job for each certificate, and what became of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from labkit.ledger.canonical import canonical, sha256
from labkit.problems import BadInput, Fault

READINGS: Final = (".csv", ".tsv", ".txt", ".xlsx")
"""How the names of readings end."""

SHIMS: Final = "shims"
ABOUT: Final = "about.toml"


@dataclass(frozen=True)
class Job:
    """
    One certificate to make.

    Attributes
    ----------
    name : str
        Of the readings, without its ending; the certificate is called so.
    readings : Path
    shims : Path or None
        The shims of these readings alone, else those of the whole folder.
    about : tuple of Path
        What the sheet says, the common file first; a key of a later file counts.
    """

    name: str
    readings: Path
    shims: Path | None
    about: tuple[Path, ...]

    @property
    def digest(self) -> str:
        """SHA-256 over all that goes in: what was made of the same files is not made again."""
        files = (self.readings, self.shims, *self.about)
        return sha256(canonical({file.name: sha256(file.read_bytes()) for file in files if file is not None}))


@dataclass(frozen=True)
class Done:
    """
    What became of one job.

    Attributes
    ----------
    name : str
    inputs : str
        The `Job.digest` of what it was made from.
    id : str
        Of the record; empty where none could be computed.
    number : str
        Of the certificate; empty where it is not signed.
    rig, curve, largest_U, verdict : str
        As the record has them, for a table.
    cautions : int
        How many doubts the sheet names.
    why_not : str
        Why there is no certificate; empty where there is one.
    """

    name: str
    inputs: str
    id: str = ""
    number: str = ""
    rig: str = ""
    curve: str = ""
    largest_U: str = ""
    verdict: str = ""
    cautions: int = 0
    why_not: str = ""

    @property
    def made(self) -> bool:
        return not self.why_not


def jobs_in(folder: Path, shims: Path | None = None, about: Path | None = None) -> tuple[list[Job], list[Done]]:
    """
    The certificates that a folder asks for, by name, and the files of it that belong to no readings.

    Parameters
    ----------
    folder : Path
        ``NAME.csv`` (or .tsv, .txt, .xlsx) are readings; ``NAME.toml`` beside it is what only its sheet says, and
        ``NAME.shims.csv`` are shims of its own. ``about.toml`` and ``shims.csv`` are for all.
    shims, about : Path, optional
        For all, in place of those in the folder.

    Returns
    -------
    list of Job, list of Done

    Raises
    ------
    BadInput
        ``batch.no_folder``, ``batch.empty``; ``batch.two_files``: two readings of one name.
    """
    if not folder.is_dir():
        raise BadInput("batch.no_folder", folder=str(folder))
    files = sorted(each for each in folder.iterdir() if each.is_file() and not each.name.startswith((".", "~$")))
    tables = [each for each in files if each.suffix.lower() in READINGS]
    own_shims = {each.stem.removesuffix(f".{SHIMS}"): each for each in tables if each.stem.endswith(f".{SHIMS}")}
    if about is None and (folder / ABOUT).is_file():
        about = folder / ABOUT
    found: dict[str, Job] = {}
    for each in tables:
        if each.stem == SHIMS and shims is None:
            shims = each
    for each in tables:
        if each.stem == SHIMS or each in own_shims.values():
            continue
        if each.stem in found:
            raise BadInput("batch.two_files", one=found[each.stem].readings.name, other=each.name)
        own = folder / f"{each.stem}.toml"
        said = tuple(path for path in (about, own) if path is not None and path.is_file())
        found[each.stem] = Job(each.stem, each, own_shims.get(each.stem, shims), said)
    if not found:
        raise BadInput("batch.empty", folder=str(folder))
    about_none = {each.stem for each in files if each.suffix == ".toml" and each.name != ABOUT} | set(own_shims)
    return list(found.values()), [not_made(name, "", "batch.no_readings") for name in sorted(about_none - set(found))]


def not_made(name: str, digest: str, code: str, **params: Any) -> Done:
    """What did not become a certificate, with its reason."""
    fault = Fault(code, params)
    return Done(name, digest, why_not=f"{fault} {fault.hint}" if fault.hint else str(fault))
