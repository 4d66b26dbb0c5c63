"""
The command ``labkit``: finds the command, runs it, and turns what went wrong into a sentence and an exit code.

Exit codes: 0 done; 1 a fault of this program; 2 bad input, named and nothing written; 3 the question has a negative
answer.
"""

from __future__ import annotations

import argparse
import sys
from importlib import import_module
from typing import Final

import labkit
from labkit.commands import BAD_INPUT, OUR_FAULT
from labkit.problems import BadInput, Problem

COMMANDS: Final = (
    *("serve", "calibrate", "batch", "correct", "identity", "withdraw", "verify", "validate", "letterhead", "ledger"),
)


def main(arguments: list[str] | None = None) -> int:
    """
    Run one command.

    Parameters
    ----------
    arguments : list of str, optional
        Default: those of the process.

    Returns
    -------
    int
        The exit code.
    """
    parser = argparse.ArgumentParser(prog="labkit", description=labkit.__doc__.strip().splitlines()[0])
    parser.add_argument("--version", action="version", version=f"labkit {labkit.__version__}")
    subparsers = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name in COMMANDS:
        import_module(f"labkit.commands.{name}").add_parser(subparsers)
    options = parser.parse_args(arguments)
    command = import_module(f"labkit.commands.{options.command}")
    try:
        return int(command.run(options))
    except BadInput as problem:
        print(problem, file=sys.stderr)
        return BAD_INPUT
    except Problem as problem:
        print(problem, file=sys.stderr)
        return OUR_FAULT
    except KeyboardInterrupt:
        return OUR_FAULT
