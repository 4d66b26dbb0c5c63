"""What the result rests on: the curve, the shims, every reading, every doubt."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from statistics import fmean, stdev
from typing import Any, Final

from labkit import format as text_of
from labkit.language import noted, say
from labkit.messages import family_label, sentence
from labkit.problems import Caution, Reason
from labkit.sheet.blocks import Cell, Column, Items, Record, Run, Section, small, table, text
from labkit.sheet.numbers import day, decimals, full, mm, ratio, um
from labkit.units import LENGTH_UNITS, from_mm

_ROLES: Final = {
    "as-found": noted("as found"),
    "background": noted("no target near"),
    "zero": noted("contact zero"),
    "fit": noted("curve"),
    "check": noted("check"),
    "closing-fit": noted("closing"),
    "closing-zero": noted("closing"),
    "closing-background": noted("closing"),
}

_NO_SHIM: Final = {"zero": noted("contact zero"), "background": noted("background")}
"""What is read with no shim in place."""

_FORMULAS: Final = {
    "power-law": "c + a·(1 + x/L)^(−n)",
    "power-law-3": "c + a·(1 + x/L)^(−3)",
    "power-law-6": "c + a·(1 + x/L)^(−6)",
    "exponential": "c + a·exp(−x/L)",
}

_VERDICTS: Final = {
    "recommended": noted("recommended"),
    "possible": noted("possible"),
    "too few points": noted("too few points"),
    "does not fit": noted("does not fit"),
    "departs": noted("departs"),
    "turns": noted("turns"),
    "left out": noted("left out"),
}

SAFETY: Final = ("safety.magnet", "safety.target", "safety.part", "safety.groove")


def curve(record: Record) -> Section:
    """The chosen curve with its parameters and why, and the curves that it was compared with."""
    found = record["results"]
    chosen = found["curve"]
    reasons = [str(Reason.from_dict(found[key])) for key in ("reason", "stability") if found.get(key)]
    if widened := found.get("widened"):
        reasons.append(sentence("curve.widened" if widened["by"] else "curve.widened_by_nobody", widened))
    if found.get("lack_of_fit"):
        reasons.append(sentence("result.lack_of_fit", found["lack_of_fit"]))
    blocks: list[Any] = [text(*reasons, agreement(chosen), formula(found))]
    parameters = [[name, full(value), full(chosen["standard_errors"].get(name))] for name, value in _named(chosen)]
    if parameters:
        blocks.append(
            table(
                [Column(say("Parameter")), Column(say("Value"), True), Column(say("Standard error"), True)], parameters
            )
        )
    rows = [row for row in found["comparison"] if row["verdict"] != "left out"]
    columns = [
        Column(say("Curves compared"), False, 2.85),
        Column(say("Parameters"), True, 1.25),
        Column("χ²/ν", True, 0.7),
        Column(found["criterion"], True, 0.8),
        Column(say("Error at a shim not used, µm"), True, 1.2),
        Column(say("Largest residual, µm"), True, 0.95),
        Column(say("Largest U, µm"), True, 0.75),
        Column("", False, 1.25),
    ]
    body = []
    for row in rows:
        effective = row["family"] in ("flexible", "smoothing-spline")
        parameters_used = text_of.number(row["parameters"], 1 if effective else 0)
        line = [
            family_label(row["family"]),
            say("{number} (effective)", number=parameters_used) if effective else parameters_used,
            ratio(row["chi2_per_dof"]),
            text_of.number(row["criterion"], 1 if abs(row["criterion"] or 0) < 1000 else 0),
            um(row["left_out_error_mm"]),
            um(row["largest_residual_mm"]),
            text_of.expanded_length(row["largest_U_mm"], with_unit=False),
            say(_VERDICTS[row["verdict"]]),
        ]
        strong = row["family"] == chosen["family"]
        body.append([(Run(each, strong=strong),) for each in line])
    blocks.append(table(columns, body))
    return Section(say("Curve"), tuple(blocks))


def agreement(chosen: Mapping[str, Any]) -> str:
    if chosen["chi2"] is None or chosen["dof"] < 0.5:
        return ""
    chi2, dof = text_of.number(chosen["chi2"], 1), text_of.number(chosen["dof"], 1)
    return say("χ² = {chi2} with {dof} degrees of freedom.", chi2=chi2, dof=dof)


def formula(found: Record) -> str:
    """The curve's form, where it has one; x is the thickness in mm."""
    family = found["curve"]["family"]
    length = found["signal"] == "thickness"
    left = say("Error of indication in mm") if length else say("Indication in {unit}", unit=found["unit"])
    if family == "line" or family.startswith("polynomial-"):
        degree = len(found["curve"]["parameters"]) - 1
        return _where_x(left, _powers(degree))
    if family.startswith("log-polynomial-"):
        degree = len(found["curve"]["parameters"]) - 1
        return _where_x(say("ln(indication in {unit})", unit=found["unit"]), _powers(degree))
    if family in _FORMULAS:
        return _where_x(left, _FORMULAS[family])
    if (own := found["curve"].get("own")) is not None:
        table_and_source = {"file": own["file"] or text_of.NOTHING, "sha256": own["sha256"] or text_of.NOTHING}
        return sentence("own.on_the_sheet", table_and_source)
    return say("It has no formula: the attached data hold a table of it.")


def _where_x(left: str, right: str) -> str:
    return say("{left} = {right}, x the thickness in mm.", left=left, right=right)


def _powers(degree: int) -> str:
    return " + ".join(["b0", "b1·x", *(f"b{i}·x{'²³⁴⁵'[i - 2]}" for i in range(2, degree + 1))])


def shims(record: Record) -> Section:
    """The shims that were read, with their certificates."""
    held = record["inputs"]["readings"]
    read = dict.fromkeys(name for row in held["rows"] for name in row["shims"])
    used = [shim for shim in held["shims"]["shims"] if shim["name"] in read]
    issuers = list(dict.fromkeys(shim["issued_by"] for shim in used))
    several = len(issuers) > 1
    columns = [
        Column(say("Shim"), False, 1.1),
        Column(say("Thickness, mm"), True, 1.15),
        Column(say("U, µm"), True, 0.65),
        Column("k", True, 0.5),
        Column(say("Material"), False, 1.1),
        Column(say("Certificate"), False, 1.2),
        *([Column(say("Issued by"), False, 1.5)] if several else []),
        Column(say("Certified on"), False, 1.05),
        Column(say("Due"), False, 1.05),
    ]
    rows = [
        [
            shim["name"],
            mm(shim["thickness_mm"]),
            _shim_u(shim),
            say("rect.") if shim["tolerance_mm"] is not None else text_of.number(shim["k"], 1),
            shim["material"] or text_of.NOTHING,
            shim["certificate"] or text_of.NOTHING,
            *([shim["issued_by"] or text_of.NOTHING] if several else []),
            day(shim["certified_on"] or ""),
            day(shim["due"] or ""),
        ]
        for shim in used
    ]
    sets = ", ".join(dict.fromkeys(shim["set_name"] for shim in used if shim["set_name"]))
    issued = say("Certificates issued by {name}.", name=issuers[0]) if issuers and issuers[0] and not several else ""
    at_20 = say("Thickness at 20 °C; at the temperature of the readings it was corrected for expansion.")
    return Section(
        say("Shims and traceability"),
        (table(columns, rows), small(f"{sets}." if sets else "", issued, traced(record), at_20)),
    )


def traced(record: Record) -> str:
    """Whether the reference values are traceable, as a sentence."""
    held = record["inputs"]["readings"]
    read = {name for row in held["rows"] for name in row["shims"]}
    if all(shim["certificate"] for shim in held["shims"]["shims"] if shim["name"] in read):
        return say("The reference values are traceable through the certificates named here.")
    return say("Where no certificate is named, the reference value is not shown to be traceable.")


def readings(record: Record) -> Section:
    """Every reading in the order of the work; those left out are struck, with the reason."""
    held = record["inputs"]["readings"]
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in held["rows"]:
        groups.setdefault((row["role"], " + ".join(row["shims"])), []).append(row)
    body: list[Sequence[str | Cell]] = []
    left_out = []
    for (role, stack), rows in groups.items():
        point = stack or say(_NO_SHIM[role.removeprefix("closing-")])
        values = [_as_shown(row["value"], held) for row in rows if not row["left_out"]]
        places = max(decimals(_as_shown(row["value"], held)) for row in rows) + 1
        runs: list[Run] = []
        for number, row in enumerate(rows, 1):
            runs.append(Run(row["typed"], struck=bool(row["left_out"])))
            if row["left_out"]:
                left_out.append(
                    say(
                        "{point}, reading {number} ({typed}), does not count: {reason}.",
                        point=point,
                        number=number,
                        typed=row["typed"],
                        reason=row["left_out"],
                    )
                )
        body.append(
            [
                point,
                say(_ROLES[role]),
                tuple(runs),
                text_of.number(fmean(values), places) if values else text_of.NOTHING,
                text_of.number(stdev(values), places) if len(values) > 1 else text_of.NOTHING,
            ]
        )
    columns = [
        Column(say("Point"), False, 1),
        Column(say("For"), False, 0.85),
        Column(say("Readings as typed, {unit}", unit=held["unit"]), False, 3),
        Column(say("Mean"), True, 0.7),
        Column("s", True, 0.6),
    ]
    blocks: list[Any] = [table(columns, body)]
    if left_out:
        blocks.append(Items(tuple(left_out)))
    return Section(say("Readings"), tuple(blocks))


def cautions(record: Record) -> Section:
    """Every doubt that the calibration carries."""
    found = [str(Caution.from_dict(each)) for each in record["results"]["cautions"]]
    return Section(say("Cautions"), (Items(tuple(found)),) if found else (text(say("None.")),))


def notes(record: Record) -> Section:
    """Remarks of the people who worked, how to handle the rig, and what the file holds."""
    remarks = [each for each in record["inputs"]["about"]["remarks"] if each]
    said = [
        *remarks,
        *(sentence(code) for code in SAFETY),
        say("The results hold for this rig as it was when it was read, for no other combination of its parts."),
        say(
            "This file holds the readings, the conditions and the results as data (calibration.json). A printed copy "
            "or a copied table is not the signed certificate; labkit verify says who signed the file and whether it is "
            "intact."
        ),
        sentence("safety.rules"),
    ]
    return Section(say("Notes"), (Items(tuple(said)),))


def _named(chosen: Mapping[str, Any]) -> Iterator[tuple[str, float]]:
    """Parameters that stand in a formula; the knots of an interpolating curve are the points themselves."""
    if chosen["family"] not in ("piecewise-line", "monotone-cubic"):
        yield from chosen["parameters"].items()


def _as_shown(value: float, held: Mapping[str, Any]) -> float:
    """A reading in the unit in which it was typed."""
    length = held["signal"] == "thickness" and held["unit"] in LENGTH_UNITS
    return from_mm(value, held["unit"]) if length else value


def _shim_u(shim: Mapping[str, Any]) -> str:
    if shim["tolerance_mm"] is not None:
        return f"±{um(shim['tolerance_mm'])}"
    if shim["u_mm"] is None:
        return text_of.NOTHING
    return text_of.expanded_length(shim["u_mm"] * (shim["k"] or 1.0), with_unit=False)
