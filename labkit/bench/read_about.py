"""From a TOML file to the particulars of a calibration; every key that is wrong is said at once."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, tzinfo
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from labkit.bench.about import About, Party, Statements
from labkit.bench.cells import Notes
from labkit.bench.conditions import BACKGROUNDS, Conditions
from labkit.bench.dates import parse_date, parse_time
from labkit.bench.headings import nearest
from labkit.bench.read_influences import read_influences, read_own_lines
from labkit.bench.rig import Part, Rig
from labkit.language import LANGUAGES
from labkit.metrology.conformity import LARGEST_RISK
from labkit.problems import BadFile, Fault, Where
from labkit.units import parse_length

MOST_BYTES: Final = 1_000_000
MOST_MONTHS: Final = 600
LONGEST_TEXT: Final = 2_000
"""Characters: more than a sheet has room for."""

_PART: Final = ("name", "maker", "model", "serial", "firmware", "kind", "due")
_NO_LIMIT: Final = "none"


def read_about(source: str | bytes | os.PathLike[str], *over: str | bytes | os.PathLike[str]) -> About:
    """
    Read the particulars of a calibration.

    Parameters
    ----------
    source : path, str or bytes
        TOML; sample_data/about.toml is a commented example. A str with a line break is text, else a path.
        Lengths are numbers in mm, or text with a unit.
    *over : path, str or bytes
        More of the same: a key of a later one counts, and its other keys are kept.

    Returns
    -------
    About

    Raises
    ------
    BadFile
        With every fault; an unknown key names the one that it is most like.
    """
    found, name = _tables(source)
    for each in over:
        more, its_name = _tables(each)
        found, name = _laid_over(found, more), ", ".join(filter(None, (name, its_name)))
    notes = Notes()
    about = _about(Keys(found, "", Where(name) if name else None, notes))
    notes.refuse_if_faulty()
    return about


def _tables(source: str | bytes | os.PathLike[str]) -> tuple[dict[str, Any], str]:
    text, name = _text(source)
    try:
        return tomllib.loads(text), name
    except (ValueError, RecursionError) as trouble:
        line = re.search(r"line ([0-9]+)", str(trouble))
        where = Where(name, row=int(line.group(1)) if line else None)
        why = re.sub(r"\s*\(at .*\)$", "", str(trouble))
        raise BadFile([Fault("about.not_toml", {"why": why}, where)]) from None


def _laid_over(found: Mapping[str, Any], more: Mapping[str, Any]) -> dict[str, Any]:
    both = {**found, **more}
    for key, value in more.items():
        if isinstance(value, dict) and isinstance(found.get(key), dict):
            both[key] = _laid_over(found[key], value)
    return both


def _text(source: str | bytes | os.PathLike[str]) -> tuple[str, str]:
    name = ""
    if isinstance(source, str) and ("\n" in source or not source.strip()):
        content = source.encode("utf-8", "surrogatepass")
    elif isinstance(source, bytes):
        content = source
    else:
        name = os.path.basename(os.fspath(source)) or str(source)
        try:
            with Path(source).open("rb") as file:
                content = file.read(MOST_BYTES + 1)
        except FileNotFoundError:
            raise BadFile([Fault("table.no_such_file", {"name": name})]) from None
        except IsADirectoryError:
            raise BadFile([Fault("table.folder", {"name": name})]) from None
        except (OSError, ValueError):
            raise BadFile([Fault("table.cannot_open", {"name": name})]) from None
    where = Where(name) if name else None
    if len(content) > MOST_BYTES:
        raise BadFile([Fault("about.too_large", {"limit": MOST_BYTES // 1000}, where)])
    try:
        return content.decode("utf-8-sig").replace("\r\n", "\n"), name
    except UnicodeDecodeError:
        raise BadFile([Fault("table.encoding", {"encoding": "utf-8"}, where)]) from None


class Keys:
    """One table of the file: hands out its values by key, and notes a fault for each that is wrong."""

    def __init__(self, found: Mapping[str, Any], path: str, where: Where | None, notes: Notes) -> None:
        self._found = found
        self._path = path
        self._where = where
        self._notes = notes
        self._asked: list[str] = []

    def _take(self, key: str) -> Any:
        self._asked.append(key)
        return self._found.get(key)

    def _name(self, key: str) -> str:
        return f"{self._path}.{key}" if self._path else key

    def fault(self, code: str, key: str, **params: Any) -> None:
        self._notes.fault(code, self._where, key=self._name(key), **params)

    def table(self, key: str) -> Keys:
        value = self._take(key)
        if value is not None and not isinstance(value, dict):
            self.fault("about.not_a_table", key)
        return self._inner(value if isinstance(value, dict) else {}, key)

    def tables(self, key: str) -> list[Keys]:
        value = self._take(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(each, dict) for each in value):
            self.fault("about.not_a_list", key)
            return []
        return [self._inner(each, key) for each in value]

    def _inner(self, found: Mapping[str, Any], key: str) -> Keys:
        return Keys(found, self._name(key), self._where, self._notes)

    def text(self, key: str) -> str:
        value = self._take(key)
        if value is None:
            return ""
        if not isinstance(value, str):
            self.fault("about.not_text", key)
            return ""
        self._look_at_length(key, value)
        return value.strip()

    def texts(self, key: str) -> tuple[str, ...]:
        value = self._take(key)
        if value is None:
            return ()
        values = [value] if isinstance(value, str) else value
        if not isinstance(values, list) or not all(isinstance(each, str) for each in values):
            self.fault("about.not_text", key)
            return ()
        for each in values:
            self._look_at_length(key, each)
        return tuple(values)

    def _look_at_length(self, key: str, text: str) -> None:
        if len(text) > LONGEST_TEXT:
            self.fault("about.long_text", key, limit=LONGEST_TEXT)

    def needed_text(self, key: str) -> str:
        value = self.text(key)
        if key not in self._found or (self._found[key] == ""):
            self.fault("about.missing", key)
        return value

    def number(self, key: str, *, negative: bool = False) -> float | None:
        value = self._take(key)
        return None if value is None else self._checked(key, _plain_number(value), "about.not_a_number", negative)

    def length(self, key: str, *, negative: bool = False) -> float | None:
        """A length [mm]."""
        value = self._take(key)
        return None if value is None else self._checked(key, _length(value), "about.not_a_length", negative)

    def needed_length(self, key: str) -> float:
        if key not in self._found:
            self.fault("about.missing", key)
        return self.length(key) or 0.0

    def _checked(self, key: str, value: float | None, code: str, negative: bool) -> float | None:
        if value is None:
            self.fault(code, key)
        elif value < 0 and not negative:
            self.fault("about.negative", key)
        return value

    def working_range(self, key: str) -> tuple[float, float] | None:
        value = self._take(key)
        if value is None:
            return None
        ends = [_length(each) for each in value] if isinstance(value, list) else []
        if len(ends) != 2 or ends[0] is None or ends[1] is None:
            self.fault("about.pair", key)
            return None
        if ends[0] < 0:
            self.fault("about.negative", key)
        if ends[0] >= ends[1]:
            self.fault("about.order", key)
        return ends[0], ends[1]

    def tolerance(self, key: str) -> float | tuple[float | None, float | None] | None:
        value = self._take(key)
        if value is None:
            return None
        if not isinstance(value, list):
            half_width = _length(value)
            if half_width is None or half_width <= 0:
                self.fault("about.tolerance", key)
            return half_width
        limits = [None if each == _NO_LIMIT else _length(each) for each in value]
        unread = [each for each, limit in zip(value, limits, strict=True) if limit is None and each != _NO_LIMIT]
        if unread or len(limits) != 2 or limits == [None, None]:
            self.fault("about.tolerance", key)
            return None
        lower, upper = limits
        if lower is not None and upper is not None and lower >= upper:
            self.fault("about.order", key)
        return lower, upper

    def date(self, key: str) -> str:
        """A plain date, ISO 8601."""
        value = self._take(key)
        if value is None or value == "":
            return ""
        if isinstance(value, date) and not isinstance(value, datetime):
            return value.isoformat()
        return self._parsed(key, value, "about.date", lambda text: parse_date(text).isoformat())

    def time(self, key: str, zone: tzinfo) -> str:
        """A moment, UTC with Z; one without a zone is in the laboratory's."""
        value = self._take(key)
        if value is None or value == "":
            return ""
        typed = value.isoformat() if isinstance(value, datetime) else value
        return self._parsed(key, typed, "about.time", lambda text: parse_time(text, zone)[0])

    def _parsed(self, key: str, value: Any, code: str, parse: Callable[[str], str]) -> str:
        try:
            return parse(str(value))
        except ValueError:
            self.fault(code, key)
            return ""

    def end(self) -> None:
        """Note a fault for every key that nobody asked for."""
        for key in self._found:
            if key not in self._asked:
                like = nearest(key, self._asked)
                code = "about.like_key" if like else "about.unknown_key"
                self.fault(code, key, like=self._name(like), known=sorted(self._asked))


def _plain_number(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if number - number == 0 else None


def _length(value: Any) -> float | None:
    if not isinstance(value, str):
        return _plain_number(value)
    try:
        return _plain_number(parse_length(value))
    except ValueError:
        return None


def _about(top: Keys) -> About:
    laboratory, customer = top.table("laboratory"), top.table("customer")
    conditions, procedure, work = top.table("conditions"), top.table("procedure"), top.table("work")
    statements = top.table("statements")
    zone_name = laboratory.text("zone") or "UTC"
    zone = _zone(zone_name)
    if zone is None:
        laboratory.fault("about.zone", "zone", zone=zone_name)
    about = About(
        laboratory=_party(laboratory, "accreditation"),
        customer=_party(customer, "order"),
        rig=_rig(top.table("rig")),
        conditions=replace(_conditions(conditions), influences=read_influences(top)),
        humidity_percent=_humidity(conditions),
        instruments=tuple(_part(each) for each in top.tables("instruments")),
        procedure=procedure.text("name"),
        revision=procedure.text("revision"),
        working_range_mm=procedure.working_range("working_range"),
        tolerance_mm=procedure.tolerance("tolerance"),
        target_u_mm=procedure.length("target_u"),
        rule=procedure.text("rule"),
        outcomes=procedure.text("outcomes"),
        risk=_risk(procedure),
        process_mm=_process(procedure),
        operator=work.text("operator"),
        widen_reason=work.text("widen_reason"),
        place=work.text("place"),
        received=work.text("received"),
        switched_on=work.time("switched_on", zone or UTC),
        remarks=work.texts("remarks"),
        zone=zone_name,
        language=_language(laboratory),
        statements=_statements(statements),
    )
    for table in (laboratory, customer, conditions, procedure, work, statements, top):
        table.end()
    return about


def _statements(found: Keys) -> Statements:
    texts = ("adjusted", "deviations", "specification", "supplied", "external", "opinions")
    return Statements(
        received_on=found.date("received_on"),
        agreed_months=_months(found),
        **{key: found.text(key) for key in texts},
    )


def _months(found: Keys) -> int | None:
    months = found.number("agreed_months")
    if months is not None and not (1 <= months <= MOST_MONTHS and months == int(months)):
        found.fault("about.months", "agreed_months", most=MOST_MONTHS)
        return None
    return None if months is None else int(months)


def _language(laboratory: Keys) -> str:
    language = laboratory.text("language")
    if language and language not in LANGUAGES:
        laboratory.fault("about.language", "language", language=language, known=list(LANGUAGES))
        return ""
    return language


def _zone(name: str) -> tzinfo | None:
    if name == "UTC":
        return UTC
    try:
        return ZoneInfo(name)
    except (LookupError, ValueError, OSError):
        return None


def _party(table: Keys, own: str) -> Party:
    fields = {key: table.text(key) for key in ("name", "department", "address", own)}
    return Party(**fields)


def _part(table: Keys) -> Part:
    fields = {key: table.date(key) if key == "due" else table.text(key) for key in _PART}
    table.end()
    return Part(**fields)


def _rig(table: Keys) -> Rig:
    parts = {key: _part(table.table(key)) for key in ("gauge", "probe", "tip", "target")}
    rig = Rig(name=table.text("name"), warm_up_min=table.number("warm_up_min"), **parts)
    table.end()
    return rig


def _conditions(table: Keys) -> Conditions:
    background = table.text("background") or None
    if background is not None and background not in BACKGROUNDS:
        table.fault("about.background", "background", known=list(BACKGROUNDS))
    return Conditions(
        resolution=table.length("resolution"),
        temperature_start_degC=table.number("temperature_start_degC", negative=True),
        temperature_end_degC=table.number("temperature_end_degC", negative=True),
        u_temperature_degC=table.number("u_temperature_degC"),
        repeatability=table.length("repeatability"),
        background=background,  # type: ignore[arg-type]
        background_limit=table.length("background_limit"),
        closing_limit_mm=table.length("closing_limit"),
        joint_gap_mm=table.length("joint_gap") or 0.0,
        joint_u_mm=table.length("joint_u") or 0.0,
        zero_u_mm=table.length("zero_u") or 0.0,
        own_lines=read_own_lines(table),
        smallest_U_mm=table.length("smallest_U"),
    )


def _risk(table: Keys) -> float | None:
    value = table.number("risk")
    if value is not None and not 0 < value <= LARGEST_RISK:
        table.fault("about.risk", "risk", most=LARGEST_RISK)
    return value


def _process(table: Keys) -> tuple[float, float] | None:
    """Mean and standard deviation, which go together."""
    mean, sd = table.length("process_mean", negative=True), table.length("process_sd")
    if mean is None and sd is None:
        return None
    if mean is None or not sd:
        table.fault("about.process", "process_mean" if mean is None else "process_sd")
        return None
    return mean, sd


def _humidity(table: Keys) -> float | None:
    value = table.number("humidity_percent", negative=True)
    if value is not None and not 0 <= value <= 100:
        table.fault("about.humidity", "humidity_percent")
    return value
