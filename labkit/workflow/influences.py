"""What else moves the reading, as it is typed on a page: a field a number, and one for how it is known or why not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Protocol

from labkit.bench.influences import KINDS, MAGNETS_PER_K, SIGNAL_PER_K, Entry, Influence, Kind
from labkit.bench.readings import Signal
from labkit.problems import Fault

PREFIX = "influence."


class Reader(Protocol):
    """Reads a field, and notes what is wrong with it."""

    faults: dict[str, Fault]

    def number(self, name: str, *, least: float = ...) -> float | None: ...


def value_field(kind: Kind, entry: Entry) -> str:
    """The field of a number."""
    return f"{PREFIX}{kind.code}.{entry.name}"


def why_field(kind: Kind) -> str:
    """The field that says how it is known or, where no number stands beside it, why it is left out."""
    return f"{PREFIX}{kind.code}.why"


def kinds_of(signal: Signal) -> list[Kind]:
    """What such an indication can be moved by, in the order of the catalogue."""
    return [kind for kind in KINDS.values() if kind.concerns(signal)]


def influence_of(field: str) -> str:
    """The influence that a field belongs to; empty for a field of something else."""
    return field.removeprefix(PREFIX).partition(".")[0] if field.startswith(PREFIX) else ""


def typed(influences: Iterable[Influence], signal: Signal) -> dict[str, str]:
    """The fields as the register fills them: influences that are stated as a page asks for them."""
    found = {}
    for each in influences:
        asked = each.kind.asks(signal)
        as_asked = each.shape == "rectangular" and {entry.name for entry in asked} == set(each.values)
        if each.off or as_asked:
            found[why_field(each.kind)] = each.off or each.how
            for entry in asked if not each.off else ():
                found[value_field(each.kind, entry)] = f"{each.values[entry.name] / entry.scale:.6g}"
    return found


def read(
    fields: Mapping[str, str], reader: Reader, registered: Sequence[Influence], signal: Signal
) -> tuple[Influence, ...]:
    """
    The influences that the fields state.

    Parameters
    ----------
    fields : mapping of str to str
        As typed.
    reader : Reader
        Notes every wrong one.
    registered : sequence of Influence
        Of the rig: they hold where no field of theirs was ever filled.
    signal : "thickness" or "raw"

    Returns
    -------
    tuple of Influence
    """
    known = {each.code: each for each in registered}
    found = []
    for kind in kinds_of(signal):
        entries = kind.asks(signal)
        names = [value_field(kind, entry) for entry in entries]
        if not any(name in fields for name in (*names, why_field(kind))):
            found += [known[kind.code]] if kind.code in known else []
            continue
        values, material = {}, ""
        for name, entry in zip(names, entries, strict=True):
            magnet = _magnet(fields.get(name, "")) if entry is SIGNAL_PER_K else ""
            if magnet:
                material, values[entry.name] = magnet, MAGNETS_PER_K[magnet]
            elif (number := _number(reader, name, entry)) is not None:
                values[entry.name] = number * entry.scale
        why = fields.get(why_field(kind), "")
        missing = [name for name in names if not fields.get(name, "")]
        if len(missing) == len(names):
            found += [Influence(kind.code, off=why)] if why else []
        elif missing:
            reader.faults[missing[0]] = Fault("field.influence_missing")
        elif len(values) == len(entries):
            how = [f"{material}, coefficient from memory" if material else "", why]
            found.append(Influence(kind.code, values, how="; ".join(each for each in how if each)))
    return tuple(found)


def _number(reader: Reader, name: str, entry: Entry) -> float | None:
    return reader.number(name) if entry.signed else reader.number(name, least=0.0)


def _magnet(text: str) -> str:
    """The magnet that is named in place of its coefficient."""
    return next((material for material in MAGNETS_PER_K if material.lower() == text.strip().lower()), "")
