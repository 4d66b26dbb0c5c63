"""The command ``labkit calibrate``: from readings to a curve, its uncertainty, its checks, and a sheet."""

from __future__ import annotations

import sys
from argparse import ArgumentParser, Namespace
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from labkit import format as text
from labkit.bench.about import About
from labkit.bench.read_about import read_about
from labkit.bench.read_readings import read_readings
from labkit.calibration import Calibration, calibrate
from labkit.calibration.in_print import printed_check
from labkit.commands import DONE, NEGATIVE
from labkit.commands.arguments import (
    check_outputs,
    json_path,
    length_mm,
    load_families,
    range_mm,
    share,
    writable_folder,
    write_json,
    write_whole,
)
from labkit.commands.passphrase import add_option, passphrase
from labkit.messages import family_label
from labkit.metrology.conformity import RULES
from labkit.paths import data_folder
from labkit.problems import BadInput

FORMS: Final = ("full", "summary")


def add_parser(subparsers: Any) -> None:
    parser: ArgumentParser = subparsers.add_parser(
        "calibrate",
        help="calibrate from a table of readings",
        description="Fit and compare curves, decide on the check shims, and write the record and the sheet. "
        "Lengths are millimetres unless they carry a unit. Exit code 3 if a check shim fails.",
    )
    parser.add_argument("readings", metavar="READINGS", help="readings on shims: CSV, TSV or XLSX")
    parser.add_argument("--shims", metavar="SHIMS", help="the shims with their certified values")
    parser.add_argument("--about", metavar="FILE.toml", help="laboratory, customer, rig, conditions, procedure, rule")
    parser.add_argument("--family", default="auto", metavar="NAME", help="a curve family; default the recommended one")
    parser.add_argument("--reason", default="", help="why another curve than the recommended one")
    parser.add_argument("--range", metavar="LO:HI", help="the working range, such as 0.25:2.5")
    parser.add_argument("--tolerance", metavar="T", help="half-width of the deviation allowed at a check shim")
    parser.add_argument("--rule", metavar="RULE", help=f"the decision rule: {', '.join(RULES)}")
    parser.add_argument("--outcomes", metavar="N", help="two, or four: with conditional outcomes")
    parser.add_argument("--risk", metavar="P", help="for guard-band-risk: at the acceptance limit, such as 2.5%%")
    parser.add_argument("--unit", metavar="UNIT", help="of readings that name none: mm, um, in, mil, or a raw unit")
    parser.add_argument(
        "--decimal", choices=[".", ","], metavar="SIGN", help="the decimal sign, . or , where the file does not tell"
    )
    parser.add_argument("--json", metavar="FILE", help="write the record; - for standard output")
    parser.add_argument("--sheet", type=Path, metavar="FILE.pdf", help="write the sheet: unsigned without --sign")
    parser.add_argument("--form", choices=FORMS, help="of the sheet: all of it, or one page; default the laboratory's")
    parser.add_argument("--label", type=Path, metavar="FILE.pdf", help="write the gauge label; needs --sign")
    parser.add_argument("--card", type=Path, metavar="FILE.pdf", help="write the correction card; needs --sign")
    parser.add_argument("--sign", type=Path, metavar="IDENTITY.p12", help="sign the sheet and keep it in the ledger")
    parser.add_argument("--data", type=Path, metavar="DIR", help="the data folder; default the user's own")
    add_option(parser)


def run(args: Namespace) -> int:
    about = read_about(args.about) if args.about else About()
    if args.sign and not args.sheet:
        raise BadInput("command.sign_needs_sheet")
    if args.sign:
        from labkit.workflow.signing import check_particulars

        check_particulars(about)
    if (args.label or args.card) and not args.sign:
        raise BadInput("command.label_needs_sign")
    check_outputs(args.sheet, args.label, args.card, json_path(args.json))
    load_families(data_folder(args.data))
    if args.sheet and not about.language:
        from labkit.sheet.house import read_house

        about = replace(about, language=read_house(data_folder(args.data)).language)
    readings = read_readings(args.readings, args.shims, args.unit, args.decimal)
    rule, risk = _rule(args, about)
    result = calibrate(
        readings,
        args.family,
        range_mm(args.range) if args.range else about.working_range_mm,
        length_mm(args.tolerance) if args.tolerance else about.tolerance_mm,
        about.target_u_mm,
        about.conditions,
        rule,
        args.outcomes or about.outcomes or "four",
        reason=args.reason,
        about=about,
        risk=risk,
        process=about.process_mm,
    )
    if args.sheet or args.json is not None:
        result.monte_carlo()
    record = result.to_dict()
    if args.sheet:
        _write_sheet(args, record)
    if args.json is not None:
        write_json(args.json, record)
    print(summary(result), file=sys.stderr if args.json == "-" else sys.stdout)
    return NEGATIVE if result.verdict in ("fail", "conditional fail") else DONE


def _rule(args: Namespace, about: About) -> tuple[str, float | None]:
    """
    Rule and risk: as typed, else as the file has them. A typed risk asks for its rule; of a typed rule that has no risk
    none is taken from the file.
    """
    if args.risk is not None:
        return args.rule or "guard-band-risk", share(args.risk)
    if args.rule and args.rule != "guard-band-risk":
        return args.rule, None
    return args.rule or about.rule or "guard-band-U", about.risk


def _write_sheet(args: Namespace, record: dict[str, Any]) -> None:
    from labkit.sheet import render
    from labkit.sheet.card import card
    from labkit.sheet.house import read_house
    from labkit.sheet.label import label

    house = read_house(data_folder(args.data))
    if not args.sign:
        write_whole(args.sheet, render(record, form=args.form or house.form, house=house))
        return
    from labkit.workflow.signing import signed_and_kept

    if not args.sign.is_file():
        raise BadInput("command.no_file", file=str(args.sign))
    if args.card and not record["results"]["fine_table"]:
        raise BadInput("sheet.no_card")  # before a number is given
    word, p12 = passphrase(args.passphrase_file), args.sign.read_bytes()
    entry = signed_and_kept(writable_folder(data_folder(args.data)), record, p12, word, args.form)
    write_whole(args.sheet, entry.pdf)
    if args.label:
        write_whole(args.label, label(record, entry.number, house))
    if args.card:
        write_whole(args.card, card(record, entry.number, house))


def summary(result: Calibration) -> str:
    """The result in the order in which it is asked for: curve, uncertainty, checks, next shim, doubts."""
    lines = [f"Curve     {family_label(result.curve.family)}. {result.reason}"]
    if result.budget is not None:
        at = text.length(result.budget.at_mm, decimals=3)
        U = text.expanded_length(result.budget.U_mm)
        lines.append(f"U         {U} at most (k = {text.number(result.budget.k, 2)}), at {at}")
    for check in result.checks:
        printed = printed_check(check.deviation_mm, check.U_mm, check.limits_mm, check.decision)
        decided = f": {check.outcome}" if check.outcome else ""
        lines.append(f"Check     {check.point}  {printed.deviation} µm, U {printed.U} µm{decided}")
    if result.next_points is not None:
        lines.append(f"Next      {result.next_points.reason}")
    lines += [f"Caution   {caution}{' ' + caution.hint if caution.hint else ''}" for caution in result.cautions]
    return "\n".join(lines)
