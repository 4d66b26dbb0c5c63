"""The lines of the budget that a TOML file states: the laboratory's own, and those of the catalogue."""

from __future__ import annotations

from typing import TYPE_CHECKING

from labkit.bench.conditions import OwnLine
from labkit.bench.headings import nearest
from labkit.bench.influences import BY_FIELD, KINDS, MAGNETS_PER_K, SHAPES, SIGNAL_PER_K, Entry, Influence

if TYPE_CHECKING:
    from labkit.bench.read_about import Keys


def read_own_lines(conditions: Keys) -> tuple[OwnLine, ...]:
    """Lines of the laboratory's own; one that errs with another must name it."""
    found = []
    for table in conditions.tables("own_lines"):
        line = OwnLine(
            table.needed_text("name"),
            table.needed_length("u"),
            table.text("how"),
            table.number("dof"),
            table.text("correlated_with"),
            table.number("r", negative=True) or 0.0,
        )
        table.end()
        found.append((table, line))
    lines = tuple(line for _, line in found)
    for table, line in found:
        others = [other.name for other in lines if other is not line]
        if line.correlated_with and line.correlated_with not in others:
            table.fault("about.correlated", "correlated_with", line=line.name, known=others)
        elif abs(line.r) > 1:
            table.fault("about.correlation", "r")
    return lines


def read_influences(top: Keys) -> tuple[Influence, ...]:
    """Influences of the catalogue, each with a value or a reason to leave it out."""
    found: list[Influence] = []
    for table in top.tables("influences"):
        code = table.needed_text("what")
        if code not in KINDS:
            if code:
                like = nearest(code, list(KINDS))
                table.fault("about.like_influence" if like else "about.influence", "what", like=like, known=list(KINDS))
            continue
        if any(code == each.code for each in found):
            table.fault("about.influence_twice", "what", influence=code)
        found.append(_influence(table, code))
    return tuple(found)


def _influence(table: Keys, code: str) -> Influence:
    ways = KINDS[code].ways
    entries = dict.fromkeys(entry for way in ways for entry in way)
    values = {entry.name: value for entry in entries if (value := _value(table, entry)) is not None}
    how, off, shape = table.text("how"), table.text("off"), table.text("shape") or SHAPES[0]
    if BY_FIELD in ways:
        material = table.text("material")
        if material and material not in MAGNETS_PER_K:
            table.fault("about.material", "material", known=list(MAGNETS_PER_K))
        elif material:
            values.setdefault(SIGNAL_PER_K.name, MAGNETS_PER_K[material])
            how = "; ".join(each for each in (f"{material}, coefficient from memory", how) if each)
    if shape not in SHAPES:
        table.fault("about.shape", "shape", known=list(SHAPES))
    if values and off:
        table.fault("about.influence_both", "off", influence=code)
    elif not off and not any({entry.name for entry in way} == set(values) for way in ways):
        needed = " or ".join(" and ".join(entry.key for entry in way) for way in ways)
        table.fault("about.influence_values", "what", influence=code, needed=needed)
    table.end()
    return Influence(code, values, "normal" if shape == "normal" else "rectangular", how, off)


def _value(table: Keys, entry: Entry) -> float | None:
    """The number of an entry in the unit of its value."""
    if entry.length:
        return table.length(entry.key, negative=entry.signed)
    number = table.number(entry.key, negative=entry.signed)
    return None if number is None else number * entry.scale
