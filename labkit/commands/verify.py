"""The command ``labkit verify``: who signed a sheet, and whether it is as it was signed."""

from __future__ import annotations

import sys
from argparse import ArgumentParser, Namespace
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from labkit.commands import DONE, NEGATIVE
from labkit.commands.arguments import check_outputs, json_path, read_at_most, write_json
from labkit.paths import data_folder
from labkit.problems import BadInput, Problem
from labkit.sheet.apart import verify_apart
from labkit.sheet.verdict import Verdict
from labkit.sheet.verify import stampers_here, trusted_here
from labkit.sheet.withdrawn import lists_here

LIMIT_MB: Final = 20
"""The largest file that is read: a sheet has well under one megabyte."""


def add_parser(subparsers: Any) -> None:
    parser: ArgumentParser = subparsers.add_parser(
        "verify",
        help="verify a signed sheet",
        description="Say who signed a sheet, whether it is as it was signed, and whether its numbers follow from its "
        "readings. Exit code 0 only if it is genuine, 3 if it is not, 2 if it is no PDF.",
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
        "--trust-timestamps",
        type=Path,
        action="append",
        default=[],
        metavar="CERT.pem",
        help="the certificate of a timestamp authority, trusted for timestamps alone (may be given again)",
    )
    parser.add_argument(
        "--crl",
        type=Path,
        action="append",
        default=[],
        metavar="FILE.crl",
        help="a list of signers who were withdrawn (may be given again)",
    )
    parser.add_argument(
        "--data",
        type=Path,
        metavar="DIR",
        help="the data folder: its authority and what is in its folder 'trust' (certificates, NAME.tsa.pem for "
        "timestamps, NAME.crl) are used too, and its ledger says since when it holds the file; default the user's own",
    )
    parser.add_argument("--json", metavar="FILE", help="write the verdict as JSON; - for standard output")


def run(args: Namespace) -> int:
    check_outputs(json_path(args.json))
    try:
        content = read_at_most(args.file, LIMIT_MB * 1_000_000)
    except OSError as error:
        raise BadInput("verify.no_file", file=str(args.file)) from error
    if len(content) > LIMIT_MB * 1_000_000:
        raise BadInput("verify.large_file", file=str(args.file), limit_mb=LIMIT_MB)

    data = data_folder(args.data)
    since, kept = _ledger(data, content)
    found = verify_apart(
        content,
        [*args.trust, *trusted_here(data)],
        stampers=[*args.trust_timestamps, *stampers_here(data)],
        lists=[*args.crl, *lists_here(data), *kept],
        known_since=since,
    )
    if args.json is not None:
        write_json(args.json, found.to_dict())
    if args.json != "-":
        _say(found, since)
    return DONE if found.genuine else NEGATIVE


def _say(found: Verdict, since: datetime | None) -> None:
    """The verdict in a sentence, and what it rests on."""
    print(found)
    if found.reason.hint:
        print(found.reason.hint)
    for remark in (found.note, *found.remarks):
        if remark is not None:
            print(remark)
    lines = [("Certificate", found.number)]
    for each in found.signatures:
        verb = {"calibrated": ("Signer", "Signed at"), "approved": ("Approved by", "Approved at")}[each.role]
        clock = " by the signer's own clock" if not each.stamp_trusted else ""
        lines += [(verb[0], each.name), (verb[1], f"{each.at}{clock}"), ("Fingerprint", each.fingerprint)]
        if each.stamped:
            lines.append(("Timestamp", f"{each.stamped} by {each.stamped_by}"))
    for label, counted in (("Recomputed", found.recomputed), ("In its pages", found.printed)):
        if counted is not None and counted.of:
            lines.append((label, f"{counted.agree} of {counted.of} numbers and decisions"))
    if found.witness is not None:
        lines.append(("Ledger", f"{found.witness.entries} entries before it, the last one {found.witness.hash}"))
    if since is not None:
        lines.append(("Ledger here", f"holds this very file since {since:%Y-%m-%dT%H:%M:%SZ}"))
    for label, value in lines:
        if value:
            print(f"{label + ':':<14}{value}")


def _ledger(data: Path, pdf: bytes) -> tuple[datetime | None, tuple[bytes, ...]]:
    """Since when the ledger of the data folder holds the file, and whom it withdrew; nothing where there is none."""
    from labkit.ledger.standing import known_since
    from labkit.ledger.store import database_file
    from labkit.ledger.withdrawals import kept_lists

    file = database_file(data)
    if file is not None and not file.exists():
        return None, ()
    try:
        return known_since(data, pdf), kept_lists(data)
    except Problem as problem:
        print(problem, file=sys.stderr)
        return None, ()
