"""The command ``labkit validate``: every published check on this machine, on screen, as JSON and as a PDF report."""

from __future__ import annotations

import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any

from labkit.commands import DONE, NEGATIVE
from labkit.commands.arguments import check_outputs, json_path, write_json, write_whole
from labkit.problems import BadInput
from labkit.validation import Case, topics
from labkit.validation import run as run_cases


def add_parser(subparsers: Any) -> None:
    parser: ArgumentParser = subparsers.add_parser(
        "validate",
        help="run every published check on this machine",
        description="Compute every published case that the package carries and compare the results with what is "
        "published: the evidence of software validation that ISO/IEC 17025:2017, 7.11.2 asks of a laboratory. Exit "
        "code 3 if anything does not agree; what was asked for is written in each case.",
    )
    parser.add_argument("--json", metavar="FILE", help="write the report as JSON; - for standard output")
    parser.add_argument("--sheet", type=Path, metavar="FILE.pdf", help="write the report as a PDF")
    parser.add_argument(
        "--topic", action="append", metavar="TOPIC", help="only the cases of this topic (may be given again)"
    )


def run(args: Namespace) -> int:
    check_outputs(args.sheet, json_path(args.json))
    known = [each.name for each in topics()]
    for name in args.topic or ():
        if name not in known:
            raise BadInput("command.topic", topic=name, known=known)
    report = run_cases(args.topic, _show_progress if sys.stderr.isatty() else None)
    if args.sheet or args.json is not None:
        record = report.to_dict()
        if args.sheet:
            from labkit.sheet.validation_report import render_validation

            write_whole(args.sheet, render_validation(record))
        if args.json is not None:
            write_json(args.json, record)
    print(report, file=sys.stderr if args.json == "-" else sys.stdout)
    return DONE if report.agrees else NEGATIVE


def _show_progress(done: int, total: int, case: Case) -> None:
    """One line that is written over, and gone when the last case has begun."""
    print(f"\r\033[K{done + 1} of {total}: {case.name}", end="\r\033[K" if done + 1 == total else "", file=sys.stderr)
