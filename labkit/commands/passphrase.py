"""The passphrase of a signing file: asked for, or read from a file or the environment; never an argument."""

from __future__ import annotations

import os
import sys
from argparse import ArgumentParser
from getpass import getpass
from pathlib import Path
from typing import Final

from labkit.commands.arguments import read_at_most
from labkit.problems import BadInput

VARIABLE: Final = "LABKIT_PASSPHRASE"
LONGEST: Final = 10_000
"""Bytes that are read of a passphrase file."""


def add_option(parser: ArgumentParser) -> None:
    """Give a command the option ``--passphrase-file``."""
    parser.add_argument(
        "--passphrase-file",
        type=Path,
        metavar="FILE",
        help=f"read the passphrase from FILE (its first line); without it, {VARIABLE} or a prompt",
    )


def passphrase(file: Path | None, *, new: bool = False) -> str:
    """
    The passphrase: from `file`, else from the environment, else asked at the terminal.

    Parameters
    ----------
    file : Path or None
        A file whose first line is the passphrase.
    new : bool
        A passphrase is being chosen: ask for it twice.

    Returns
    -------
    str

    Raises
    ------
    BadInput
        The file cannot be read, there is no terminal to ask at, nothing was typed, or the two do not agree.
    """
    if file is not None:
        try:
            found = read_at_most(file, LONGEST).decode("utf-8").partition("\n")[0].rstrip("\r")
        except (OSError, UnicodeDecodeError) as error:
            raise BadInput("passphrase.file", file=str(file)) from error
    elif VARIABLE in os.environ:
        found = os.environ[VARIABLE]
    elif sys.stdin.isatty():
        found = getpass("Passphrase of the signing file: ")
        if new and getpass("The same once more: ") != found:
            raise BadInput("passphrase.differ")
    else:
        raise BadInput("passphrase.none", variable=VARIABLE)
    if not found:
        raise BadInput("identity.no_passphrase")
    return found
