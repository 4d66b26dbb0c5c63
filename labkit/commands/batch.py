"""The command ``labkit batch``: a folder of readings becomes a folder of certificates."""

from __future__ import annotations

import sys
import time
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import Any

from labkit.commands import DONE, NEGATIVE
from labkit.commands.arguments import load_families, writable_folder
from labkit.commands.passphrase import add_option, passphrase
from labkit.paths import data_folder, families_folder
from labkit.problems import BadInput


def add_parser(subparsers: Any) -> None:
    parser: ArgumentParser = subparsers.add_parser(
        "batch",
        help="make a certificate of each table of readings in a folder",
        description="NAME.csv (or .tsv, .txt, .xlsx) in FOLDER becomes NAME.pdf and NAME.json in the folder given with "
        "--out. about.toml and shims.csv in FOLDER are for all; NAME.toml and NAME.shims.csv are for one. Besides: "
        "summary.csv, and not-made.csv with reasons. The same command goes on where it was stopped. Exit code 3 if "
        "something was not made, or a check shim fails.",
    )
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="readings, shims and what the sheets say")
    parser.add_argument("--out", type=Path, metavar="DIR", required=True, help="the folder of the certificates")
    parser.add_argument("--shims", type=Path, metavar="SHIMS", help="the shims of all; default shims.csv in FOLDER")
    parser.add_argument("--about", type=Path, metavar="FILE.toml", help="for all; default about.toml in FOLDER")
    parser.add_argument("--sign", type=Path, metavar="IDENTITY.p12", help="sign them and keep them in the ledger")
    parser.add_argument("--data", type=Path, metavar="DIR", help="the data folder; default the user's own")
    parser.add_argument("--processes", type=int, metavar="N", help="how many at once; default one for each core")
    add_option(parser)


def run(args: Namespace) -> int:
    from labkit.sheet.house import read_house
    from labkit.workflow.batch import cores, make_all, write_tables
    from labkit.workflow.batch_jobs import Done, jobs_in

    for file in (args.shims, args.about, args.sign):
        if file is not None and not file.is_file():
            raise BadInput("command.no_file", file=str(file))
    processes = cores() if args.processes is None else args.processes
    if processes < 1:
        raise BadInput("batch.processes", typed=args.processes)
    jobs, strays = jobs_in(args.folder, args.shims, args.about)
    data = data_folder(args.data)
    load_families(data)
    out = writable_folder(args.out)
    if out.resolve() == args.folder.resolve():
        raise BadInput("batch.inside")
    signing = _signing(args, writable_folder(data)) if args.sign is not None else None
    done: list[Done] = []
    before = 0
    start = time.monotonic()

    def said(each: Done, again: bool) -> None:
        nonlocal before
        done.append(each)
        before += again
        print(f"{len(done):>{len(str(len(jobs)))}} of {len(jobs)}  {_line(each, again)}", flush=True)

    try:
        families, house = families_folder(data), read_house(data)
        make_all(jobs, out, signing, processes=processes, families=families, house=house, said=said)
    except KeyboardInterrupt:
        print(f"Stopped after {len(done)} of {len(jobs)}. The same command goes on from here.", file=sys.stderr)
        raise
    finally:
        write_tables([*done, *strays], out)
    for each in strays:
        print(_line(each, False))
    missing = sum(not each.made for each in (*done, *strays))
    rest = f"; {missing} not made, see {out / 'not-made.csv'}" if missing else ""
    earlier = f", {before} had been made before" if before else ""
    now = sum(each.made for each in done) - before
    print(f"{now} made in {time.monotonic() - start:.0f} s{earlier}{rest}.")
    failed = any(each.verdict in ("fail", "conditional fail") for each in done)
    return NEGATIVE if missing or failed else DONE


def _line(done: Any, again: bool) -> str:
    if not done.made:
        return f"{done.name}: not made. {done.why_not.splitlines()[0]}"
    what = f"certificate {done.number}" if done.number else "draft"
    said = [what, f"U {done.largest_U}", done.verdict, "made before" if again else ""]
    return f"{done.name}: {', '.join(each for each in said if each)}"


def _signing(args: Namespace, data: Path) -> Any:
    from labkit.ledger import load_bench
    from labkit.workflow.batch import Signing
    from labkit.workflow.signing import signer

    p12, word = args.sign.read_bytes(), passphrase(args.passphrase_file)
    signer(p12, word, load_bench(data))  # a wrong passphrase is said before anything is computed
    return Signing(data, p12, word)
