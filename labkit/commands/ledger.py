"""The command ``labkit ledger``: is the ledger whole; back it up, restore it, export it."""

from __future__ import annotations

import getpass
import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any, Final

from labkit import ledger
from labkit.commands import DONE, NEGATIVE
from labkit.commands.arguments import check_outputs, json_path, read_at_most, write_json
from labkit.ledger import Actor, ChainReport, Head
from labkit.ledger.backups import restores
from labkit.ledger.store import SETTINGS, database_file
from labkit.ledger.witnessed import check_against
from labkit.messages import sentence
from labkit.paths import data_folder
from labkit.problems import BadInput, Problem

LIMIT_MB: Final = 20
"""The largest certificate that is read."""

_FIRST_FORM: Final = ("bench.json", "drafts", "signed")


def add_parser(subparsers: Any) -> None:
    parser: ArgumentParser = subparsers.add_parser(
        "ledger",
        help="check, back up, restore or export the ledger",
        description="The ledger is everything that is registered, drafted and signed in a data folder.",
    )
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")

    check = actions.add_parser(
        "check",
        help="is it whole",
        description="Hold every entry and every row of the ledger against its audit chain. Exit code 3 if it is "
        "broken; it is said where.",
    )
    check.add_argument("--json", metavar="FILE", help="write the report as JSON; - for standard output")
    check.add_argument(
        "--witness",
        type=Path,
        metavar="CERTIFICATE.pdf",
        help="a signed certificate that was handed out: it carries the end of the chain of its day, which nobody can "
        "rewrite together with the database",
    )
    check.add_argument(
        "--trust", type=Path, action="append", default=[], metavar="CERT.pem", help="as labkit verify takes it"
    )

    backup = actions.add_parser(
        "backup",
        help="write it to one file",
        description="Write the whole ledger to one file, while it is in use, and its SHA-256 beside it. The file fits "
        "a ledger of its own and one on a server. It holds signing files, which need their passphrases, and no "
        "password.",
    )
    backup.add_argument("file", type=Path, metavar="FILE", help="a new file, such as ledger-2026-11-25.zip")

    restore = actions.add_parser(
        "restore",
        help="put a backup in its place",
        description="Put a backup in the place of the ledger, after everything in it has been looked at. The ledger "
        "that was there is kept beside. Nothing that the backup lacks is replaced unless --replace says so.",
    )
    restore.add_argument("file", type=Path, metavar="FILE", help="the backup")
    restore.add_argument(
        "--replace", action="store_true", help="replace a ledger that has entries which the backup lacks, or is damaged"
    )
    restore.add_argument("--why", default="", metavar="TEXT", help="the reason, which becomes an entry of the ledger")
    restore.add_argument(
        "--sha256",
        default="",
        metavar="HEX",
        help="the backup's digest, kept elsewhere; default: FILE.sha256 beside it",
    )
    restore.add_argument(
        "--last-number",
        type=int,
        metavar="N",
        help="the last certificate number that was given, where the backup is older and the ledger is lost: no number "
        "is given twice",
    )

    export = actions.add_parser(
        "export",
        help="write it as open files",
        description="Write everything in the ledger as tables, JSON and PDFs that need no labkit to be read.",
    )
    export.add_argument("folder", type=Path, metavar="DIR", help="a new or an empty folder")

    for action in (check, backup, restore, export):
        action.add_argument("--data", type=Path, metavar="DIR", help="the data folder; default the user's own")


def run(args: Namespace) -> int:
    data = data_folder(args.data)
    if args.action != "restore":
        _must_be_there(data)
    return {"check": _check, "backup": _backup, "restore": _restore, "export": _export}[args.action](args, data)


def _check(args: Namespace, data: Path) -> int:
    check_outputs(json_path(args.json))
    try:
        report = _against(args, data) if args.witness else ledger.check(data)
    except Problem as problem:
        if problem.code != "ledger.damaged":
            raise
        print(problem, file=sys.stderr)
        return NEGATIVE
    said = sys.stderr if args.json == "-" else sys.stdout
    if args.json is not None:
        write_json(args.json, report.to_dict())
    print(_in_words(report), file=said)
    for each in restores(data):
        at, why = f"{each.at[:19]}Z", each.body["why"] or "not said"
        print(
            sentence("ledger.was_restored", {"at": at, "by": each.who, "made": each.body["made"], "why": why}),
            file=said,
        )
    if report.whole and args.witness:
        print(sentence("ledger.witnessed", {"file": args.witness.name}), file=said)
    return DONE if report.whole else NEGATIVE


def _against(args: Namespace, data: Path) -> ChainReport:
    """The report with a certificate as witness, once it has been verified itself."""
    from labkit.sheet.verify import stampers_here, trusted_here, verify
    from labkit.sheet.withdrawn import lists_here

    file: Path = args.witness
    try:
        pdf = read_at_most(file, LIMIT_MB * 1_000_000)
    except OSError as error:
        raise BadInput("verify.no_file", file=str(file)) from error
    if len(pdf) > LIMIT_MB * 1_000_000:
        raise BadInput("verify.large_file", file=str(file), limit_mb=LIMIT_MB)
    trust = [*args.trust, *trusted_here(data)]
    found = verify(pdf, trust, stampers=stampers_here(data), lists=lists_here(data))
    if found.verdict != "genuine":
        raise BadInput("witness.not_genuine", file=file.name, why=str(found.reason))
    if found.witness is None:
        raise BadInput("witness.none", file=file.name)
    witness = found.witness
    return check_against(data, witness.number, Head(witness.entries, witness.hash), pdf)


def _in_words(report: ChainReport) -> str:
    said = {"entries": report.entries, "rows": report.rows, "hash": report.head.hash}
    if report.whole:
        return sentence("ledger.whole", said)
    more = [sentence("ledger.more_faults", {"count": report.more})] if report.more else []
    lines = [sentence("ledger.broken", said), *(f"  {fault}" for fault in report.faults), *more]
    return "\n".join([*lines, sentence("ledger.broken.hint")])


def _backup(args: Namespace, data: Path) -> int:
    done = ledger.back_up(data, args.file, _account())
    manifest = done.manifest
    print(sentence("backup.done", {"name": manifest.name or manifest.laboratory, "entries": manifest.entries}))
    print(f"{done.sha256}  {args.file}")
    for each in done.left_out:
        print(f"{each} {each.hint or ''}".rstrip())
    if done.not_noted is not None:
        print(sentence("backup.not_noted", {"why": str(done.not_noted)}), file=sys.stderr)
    if done.report.whole:
        return DONE
    print(_in_words(done.report), sentence("backup.broken"), sep="\n", file=sys.stderr)
    return NEGATIVE


def _restore(args: Namespace, data: Path) -> int:
    from labkit.ledger.restore import Asked, restore

    if args.last_number is not None and args.last_number < 0:
        raise BadInput("restore.last_number", number=args.last_number, known=0)
    done = restore(data, args.file, _account(), Asked(args.replace, args.why, args.sha256, args.last_number))
    manifest = done.manifest
    print(
        sentence(
            "restore.done",
            {"name": manifest.name or manifest.laboratory, "made": manifest.made, "entries": done.head.entries},
        )
    )
    if not done.held:
        print(sentence("restore.not_held", {"sha256": done.sha256}))
    if done.kept is not None:
        print(sentence("restore.kept", {"file": str(done.kept)}))
    for code, names in (("restore.put_back", done.put_back), ("restore.differ", done.differ)):
        if names:
            print(sentence(code, {"names": names}))
    if done.skipped:
        print(sentence("restore.skipped", {"numbers": done.skipped}))
    print(sentence("restore.next_number", {"number": f"{done.next_number:04d}"}))
    if done.another:
        print(sentence("restore.another"))
    return DONE


def _export(args: Namespace, data: Path) -> int:
    done = ledger.export(data, args.folder)
    print(sentence("export.done", {**vars(done), "folder": str(done.folder)}))
    if done.report.whole:
        return DONE
    print(_in_words(done.report), file=sys.stderr)
    return NEGATIVE


def _must_be_there(data: Path) -> None:
    """Asked about a folder without a ledger, the others would make one."""
    file = database_file(data)
    if file is not None and not file.exists() and not any((data / name).exists() for name in _FIRST_FORM):
        raise BadInput("ledger.none", folder=str(data), settings=SETTINGS)


def _account() -> Actor:
    """Who runs a command: the account on this machine, which shows nothing of a person of the register."""
    try:
        return Actor(getpass.getuser())
    except (KeyError, OSError, ImportError):
        return Actor("")
