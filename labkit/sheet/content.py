"""From the record of a calibration to what its sheet says: plain data, every number already text."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from labkit import format as text_of
from labkit.language import in_its_language, moment_in_words, noted, say, say_count
from labkit.messages import family_label
from labkit.sheet import evidence, sections
from labkit.sheet.blocks import Fact, Record, Section, Sheet, Signature
from labkit.sheet.budget_section import budget
from labkit.sheet.decisions import outcome_words
from labkit.sheet.numbers import day
from labkit.sheet.qr import in_words
from labkit.sheet.statements import identification, received, statements

MARK: Final = noted("Unsigned draft")
NOT_STATED: Final = noted("Not stated")

_BACKGROUND: Final = {
    "subtract": noted("Subtracted"),
    "inside": noted("Subtracted by the gauge itself"),
    "not shown": noted("The gauge shows no number"),
}

PARTS: Final = {"gauge": noted("Gauge"), "probe": noted("Probe"), "tip": noted("Tip"), "target": noted("Target")}


@in_its_language
def content(
    record: Record, *, number: str | None = None, ledger_head: tuple[int, str] | None = None, signed: bool = False
) -> Sheet:
    """
    What the sheet of a calibration says.

    Parameters
    ----------
    record : mapping
        As `labkit.Calibration.to_dict` gives it.
    number : str, optional
        The certificate's number, given when it is signed.
    ledger_head : (int, str), optional
        How many entries the ledger holds before it, and the hash of the last of them; given with the number.
    signed : bool
        Whether a signature will be put on it; without one every page is marked as a draft.

    Returns
    -------
    Sheet
    """
    about = record["inputs"]["about"]
    rig = about["rig"]["name"] or say("Rig not named")
    name = say("Calibration certificate {number}", number=number) if signed and number else say("Calibration sheet")
    drafted = say("Draft, {rig}, {made}", rig=rig, made=moment(record["created"], record["zone"]))
    laboratory = about["laboratory"]
    return Sheet(
        title=name,
        header=name if signed else drafted,
        footer=say("Record {id}, labkit {version}", id=record["id"], version=record["labkit"]),
        mark="" if signed else say(MARK),
        number=number or "" if signed else "",
        description=say("Calibration of {rig}, with its readings and results attached as data", rig=rig),
        author=", ".join(each for each in (laboratory["name"], laboratory["department"]) if each),
        laboratory=party_lines(laboratory),
        customer=party_lines(about["customer"]),
        facts=tuple(_facts(record)),
        signature=Signature(
            label=say("Calibrated by") if signed else say("Not signed"),
            below=operators(record),
            note=(
                " ".join(
                    each
                    for each in (
                        say("The signature in this file names the signer and shows any change made after it."),
                        say("This certificate may be reproduced only in full."),
                    )
                    if each
                )
                if signed
                else say("A draft has no number and proves nothing. The number is given when it is signed.")
            ),
        ),
        sections=(
            *_sections(record),
            statements(record),
            *((identification(record, number, ledger_head),) if signed and number else ()),
        ),
        ending=say("End of certificate {number}", number=number) if signed and number else say("End of the draft"),
        qr=in_words(number) if signed and number else "",
    )


def words_of_people(record: Record) -> Iterator[tuple[str, str]]:
    """
    What people typed and the sheet prints, each with its place in words that complete "in …".
    """
    inputs = record["inputs"]
    about = inputs["about"]
    for place, found in (("the laboratory", about["laboratory"]), ("the customer", about["customer"])):
        yield from ((place, each) for each in found.values())
    yield "the name of the rig", about["rig"]["name"]
    for part in ("gauge", "probe", "tip", "target"):
        yield from ((f"the {part}", each) for each in about["rig"][part].values())
    for instrument in about["instruments"]:
        yield from (("the auxiliary instruments", each) for each in instrument.values())
    for key, place in (
        ("procedure", "the procedure"),
        ("revision", "the revision of the procedure"),
        ("place", "the place"),
        ("received", "the condition on receipt"),
        ("operator", "the name of the operator"),
    ):
        yield place, about[key]
    yield from (("the remarks", each) for each in about["remarks"])
    yield "the reason why a certificate is replaced", about.get("replaced_why", "")
    for said in about.get("statements", {}).values():
        yield "the statements", said if isinstance(said, str) else ""
    conditions = about["conditions"]
    for line in (*conditions.get("own_lines", ()), *conditions.get("influences", ())):
        yield from (("the uncertainty budget", line[key]) for key in ("name", "how", "off") if key in line)
    for line in about["conditions"]["own_lines"]:
        yield from ((f"the budget line {line['name']}", each) for each in (line["name"], line["how"]))
    yield "the reason for the curve", inputs["options"].get("reason", "")
    yield "the reason for larger uncertainties", inputs["options"].get("widen_reason", "")
    yield "who said that uncertainties are too small", inputs["options"].get("widen_by", "")
    yield "the unit of the readings", inputs["readings"]["unit"]
    for shim in inputs["readings"]["shims"]["shims"]:
        for key in ("name", "material", "certificate", "issued_by", "set_name"):
            yield f"shim {shim['name']}", shim[key]
    for row in inputs["readings"]["rows"]:
        point = " + ".join(row["shims"]) or row["role"]
        yield f"the readings of {point}", row["typed"]
        yield f"the note to {point}", row["left_out"]
        yield f"the operator of the readings of {point}", row["operator"]


def _sections(record: Record) -> Iterator[Section]:
    found = (
        sections.result(record),
        sections.checks(record),
        sections.residuals(record, _alt(record)),
        sections.round_values(record),
        sections.as_found(record),
        budget(record),
        evidence.curve(record),
        evidence.shims(record),
        evidence.readings(record),
        evidence.cautions(record),
        evidence.notes(record),
    )
    return (section for section in found if section is not None)


def _facts(record: Record) -> Iterator[Fact]:
    about, found = record["inputs"]["about"], record["results"]
    conditions, options = about["conditions"], record["inputs"]["options"]
    if about.get("replaces"):
        replaced = say("Certificate {number}: {why}", number=about["replaces"], why=about["replaced_why"])
        yield Fact(say("Replaces"), replaced)
    yield Fact(say("Rig"), about["rig"]["name"] or say(NOT_STATED))
    for part, label in PARTS.items():
        # until when the laboratory itself relies on it would read as an interval that it recommends (7.8.4.3)
        yield Fact(say(label), part_words({**about["rig"][part], "due": ""}))
    yield Fact(say("On receipt"), received(record) or say(NOT_STATED))
    yield Fact(say("Read"), ", ".join(each for each in (when_read(record), about["place"], by_whom(record)) if each))
    yield Fact(say("Conditions"), conditions_words(about, warm_up(record)))
    if about["instruments"]:
        yield Fact(say("Instruments"), "; ".join(part_words(each) for each in about["instruments"]))
    yield Fact(say("Procedure"), _procedure(about))
    yield Fact(say("Shims"), say("{shims}; see Shims and traceability", shims=shims_words(record)))
    yield Fact(say("As found"), _as_found(record))
    yield Fact(say("Background"), _background(found["background"], conditions, found["signal"], record))
    if found["closing"]:
        said = "; ".join(_closing(each) for each in found["closing"])
        yield Fact(say("Closing"), said[0].upper() + said[1:])
    points = say_count("{count} point", "{count} points", len(found["points"]))
    curve = family_label(found["curve"]["family"])
    yield Fact(say("Curve"), f"{curve}, {points}, {_repeats(found['points'])}")
    low, high = (text_of.length(each, decimals=3) for each in options["working_range_mm"])
    ranged = [say("{low} to {high}", low=low, high=high)]
    if options["tolerance_mm"] is not None:
        ranged.append(say("tolerance {limits}", limits=sections.limits(record)))
    if options["target_u_mm"]:
        ranged.append(say("target U {U}", U=text_of.expanded_length(options["target_u_mm"])))
    yield Fact(say("Working range"), ", ".join(ranged))


def _procedure(about: Record) -> str:
    if not about["procedure"]:
        return say(NOT_STATED)
    revision = say("revision {revision}", revision=about["revision"]) if about["revision"] else ""
    return ", ".join(each for each in (about["procedure"], revision) if each)


def party_lines(found: Mapping[str, str]) -> tuple[str, ...]:
    accreditation = say("Accreditation {number}", number=found["accreditation"]) if found["accreditation"] else ""
    lines = (found["department"], found["address"], accreditation, found["order"])
    return (found["name"] or say(NOT_STATED), *(line for line in lines if line))


def part_words(found: Mapping[str, str]) -> str:
    said = [found["name"], found["kind"], found["maker"], found["model"]]
    said += [say("serial {number}", number=found["serial"])] if found["serial"] else []
    said += [say("firmware {version}", version=found["firmware"])] if found["firmware"] else []
    said += [say("due {day}", day=day(found["due"]))] if found["due"] else []
    return ", ".join(each for each in said if each) or say(NOT_STATED)


def _times(record: Record) -> list[str]:
    return sorted(row["time"] for row in record["inputs"]["readings"]["rows"] if row["time"])


def when_read(record: Record) -> str:
    """Day and times of the readings; of the record where the readings carry none."""
    times, zone = _times(record), record["zone"]
    if not times:
        return say("Time not recorded; computed {made}", made=moment(record["created"], zone))
    first, last = times[0], times[-1]
    if first == last:
        return moment(first, zone)
    same_day = _local(first, zone).date() == _local(last, zone).date()
    end = f"{_local(last, zone):%H:%M}" if same_day else moment(last, zone)
    return say("{start} to {end} ({zone})", start=moment(first, zone), end=end, zone=zone)


def operators(record: Record) -> str:
    readers = [row["operator"] for row in record["inputs"]["readings"]["rows"] if row["operator"]]
    names = dict.fromkeys(readers or [record["inputs"]["about"]["operator"]])
    return ", ".join(name for name in names if name)


def by_whom(record: Record) -> str:
    names = operators(record)
    return say("by {names}", names=names) if names else ""


def conditions_words(about: Mapping[str, Any], warm_up: str) -> str:
    conditions = about["conditions"]
    start, end = conditions["temperature_start_degC"], conditions["temperature_end_degC"]
    said = [say("{degrees} °C at the start", degrees=text_of.number(start, 1)) if start is not None else ""]
    said += [say("{degrees} °C at the end", degrees=text_of.number(end, 1)) if end is not None else ""]
    u = conditions["u_temperature_degC"]
    said += [f"u = {text_of.significant(u, 2)} K" if u is not None else ""]
    if start is None and end is None:
        said = [say("Temperature not stated")]
    humidity = about["humidity_percent"]
    said += [say("{percent} % relative humidity", percent=text_of.number(humidity, 0)) if humidity is not None else ""]
    return ", ".join(each for each in (*said, warm_up) if each)


def warm_up(record: Record) -> str:
    about, times = record["inputs"]["about"], _times(record)
    if not about["switched_on"] or not times:
        return ""
    on = say("switched on at {time}", time=f"{_local(about['switched_on'], record['zone']):%H:%M}")
    minutes = (datetime.fromisoformat(times[0]) - datetime.fromisoformat(about["switched_on"])).total_seconds() / 60
    if minutes < 0:
        return on
    needs = about["rig"]["warm_up_min"]
    later = text_of.number(minutes, 0)
    if needs is None:
        return ", ".join((on, say("first reading {minutes} min later", minutes=later)))
    wanted = text_of.number(needs, 0)
    return ", ".join(
        (on, say("first reading {minutes} min later (the rig needs {needed})", minutes=later, needed=wanted))
    )


def shims_words(record: Record) -> str:
    held = record["inputs"]["readings"]
    read = {name for row in held["rows"] for name in row["shims"]}
    used = [shim for shim in held["shims"]["shims"] if shim["name"] in read]
    sets = ", ".join(dict.fromkeys(shim["set_name"] for shim in used if shim["set_name"]))
    certificates = list(dict.fromkeys(shim["certificate"] for shim in used if shim["certificate"]))
    said = [sets or say_count("{count} shim", "{count} shims", len(used))]
    if certificates:
        numbers = ", ".join(certificates)
        one, many = noted("certificate {numbers}"), noted("certificates {numbers}")
        said.append(say(many if len(certificates) > 1 else one, numbers=numbers))
    return ", ".join(said)


def _as_found(record: Record) -> str:
    found = record["results"]["as_found"]
    read = dict.fromkeys(
        " + ".join(row["shims"]) for row in record["inputs"]["readings"]["rows"] if row["role"] == "as-found"
    )
    if not read:
        return say("Not read")
    names = ", ".join(read)
    outcomes = [
        f"{check['point']} {outcome_words(check['decision']['outcome'])}" for check in found if check["decision"]
    ]
    if not outcomes:
        return say("{names} read before anything was touched", names=names)
    return say("{names} read before anything was touched: {outcomes}", names=names, outcomes=", ".join(outcomes))


def _background(found: Mapping[str, Any], conditions: Mapping[str, Any], signal: str, record: Mapping[str, Any]) -> str:
    unit = record["inputs"]["readings"]["unit"] if signal == "raw" else "mm"

    def shown(value: float, digits: int = 5) -> str:
        return f"{text_of.significant(value, digits)} {unit}"

    read = []
    if found["value"] is not None:
        read.append(say("read with no target {value}", value=shown(found["value"])))
    if found["closing"] is not None:
        read.append(say("at the end {value}", value=shown(found["closing"])))
    if (limit := conditions["background_limit"]) is not None:
        read.append(say("limit of change {value}", value=shown(limit, 2)))
    before = "; " if found["value"] is not None else ", "
    handled = say(_BACKGROUND[found["handled"]])
    return before.join((handled, ", ".join(read))) if read else handled


def _closing(found: Mapping[str, Any]) -> str:
    point = say("contact zero") if found["point"] == "zero" else found["point"]
    moved = text_of.length(found["difference_mm"], "µm", signed=True)
    said = [say("{point} moved by {difference}", point=point, difference=moved)]
    if found["limit_mm"] is not None:
        said.append(say("limit {limit}", limit=text_of.length(found["limit_mm"], "µm")))
    if found["exceeded"]:
        said.append(say("exceeded"))
    return ", ".join(said)


def _repeats(points: list[Mapping[str, Any]]) -> str:
    counts = sorted({point["n"] for point in points})
    if counts == [1]:
        return say("one reading each")
    if len(counts) == 1:
        return say_count("{count} reading each", "{count} readings each", counts[0])
    return say("{fewest} to {most} readings each", fewest=counts[0], most=counts[-1])


def _alt(record: Record) -> str:
    """The plots in words, for those who cannot see them."""
    found = record["results"]
    worst = max(found["points"], key=lambda point: abs(point["residual_mm"]))
    return say(
        "Left: the {count} points less the curve. The largest difference is {difference}, at {name} ({thickness}). "
        "Right: the curve, {curve}, with the points.",
        count=len(found["points"]),
        difference=text_of.length(worst["residual_mm"], "µm", signed=True),
        name=worst["name"],
        thickness=text_of.length(worst["x_mm"], decimals=3),
        curve=family_label(found["curve"]["family"]),
    )


def _local(iso: str, zone: str) -> datetime:
    return datetime.fromisoformat(iso).astimezone(ZoneInfo(zone))


def moment(iso: str, zone: str) -> str:
    return moment_in_words(_local(iso, zone))
