"""
The test command: ``python -m tests [pytest arguments]``.

Installs what the tests need of the distribution (as root; otherwise it prints the line to run and fails), then runs
ruff, mypy and pytest. Nothing is skipped: what is missing is a failure.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent

PACKAGE_OF = {
    "chromium": "chromium",
    "pdfsig": "poppler-utils",
    "pdftotext": "poppler-utils",
    "qpdf": "qpdf",
    "openssl": "openssl",
    "initdb": "postgresql",
    "javac": "default-jdk-headless",
    "/usr/share/java/jaxb-runtime.jar": "libjaxb-java",
}
"""Programs that the tests call, or files that they need, and the distribution's package of each."""

CHECKS = (
    ("ruff", "check", "."),
    ("ruff", "format", "--check", "."),
    ("mypy",),
)


def main(arguments: list[str]) -> int:
    os.chdir(ROOT)
    if not install_programs():
        return 1
    failed = [" ".join(check) for check in CHECKS if run(sys.executable, "-m", *check) != 0]
    # the files of tests side by side, a process a core, each on one thread
    beside = ("-n", str(os.cpu_count() or 1), "--dist", "loadfile")
    tests = run(sys.executable, "-m", "pytest", *beside, *arguments, OPENBLAS_NUM_THREADS="1")
    for check in failed:
        print(f"failed: {check}", flush=True)
    return 1 if failed else tests


def install_programs() -> bool:
    packages = sorted({package for program, package in PACKAGE_OF.items() if find_program(program) is None})
    if not packages:
        return True
    line = f"apt-get update && apt-get install -y --no-install-recommends {' '.join(packages)}"
    if os.name != "posix" or os.geteuid() != 0 or shutil.which("apt-get") is None:
        print(f"The tests need {', '.join(packages)}. As root, run:\n\n    {line}\n", file=sys.stderr)
        return False
    print(f"Installing {', '.join(packages)} for the tests.", flush=True)
    return run("sh", "-c", line, quiet=True, DEBIAN_FRONTEND="noninteractive") == 0


def find_program(name: str) -> str | None:
    """A program on the path, or where Debian keeps those of a PostgreSQL server; or a file."""
    if name.startswith("/"):
        return name if Path(name).is_file() else None
    servers = sorted(str(path) for path in Path("/usr/lib/postgresql").glob("*/bin"))
    return shutil.which(name) or shutil.which(name, path=os.pathsep.join(servers))


def run(*command: str, quiet: bool = False, **environment: str) -> int:
    done = subprocess.run(command, env=os.environ | environment, capture_output=quiet, text=True, check=False)
    if quiet and done.returncode != 0:
        print(done.stdout[-2000:], done.stderr[-2000:], file=sys.stderr)
    return done.returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
