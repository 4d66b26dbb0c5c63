"""The command ``labkit verify``: who signed a sheet, and whether it is as it was signed."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any, Final

from labkit.commands import DONE, NEGATIVE
from labkit.commands.arguments import read_at_most
from labkit.paths import data_folder
from labkit.problems import BadInput
from labkit.sheet.verify import trusted_here, verify

LIMIT_MB: Final = 20
"""The largest file that is read: a sheet has well under one megabyte."""


def add_parser(subparsers: Any) -> None:
    parser: ArgumentParser = subparsers.add_parser(
        "verify",
        help="verify a signed sheet",
        description="Say who signed a sheet and whether it is as it was signed. Exit code 0 only if it is genuine.",
    )
    parser.add_argument("file", type=Path, metavar="FILE.pdf", help="the signed sheet")
    parser.add_argument(
        "--trust",
        type=Path,
        action="append",
        default=[],
        metavar="CERT.pem",
        help="a certificate that is trusted: of a laboratory's authority or of a signer (may be given again)",
    )
    parser.add_argument(
        "--data",
        type=Path,
        metavar="DIR",
        help="the data folder, whose authority and folder 'trust' are trusted too; default the user's own",
    )


def run(args: Namespace) -> int:
    try:
        content = read_at_most(args.file, LIMIT_MB * 1_000_000)
    except OSError as error:
        raise BadInput("verify.no_file", file=str(args.file)) from error
    if len(content) > LIMIT_MB * 1_000_000:
        raise BadInput("verify.large_file", file=str(args.file), limit_mb=LIMIT_MB)

    found = verify(content, [*args.trust, *trusted_here(data_folder(args.data))])
    print(found)
    if found.note is not None:
        print(found.note)
    for label, value in (
        ("Certificate", found.number),
        ("Signed at", found.signed_at),
        ("Signer", found.signer),
        ("Fingerprint", found.fingerprint),
    ):
        if value:
            print(f"{label + ':':<13}{value}")
    if found.reason.hint:
        print(found.reason.hint)
    return DONE if found.verdict == "genuine" else NEGATIVE
