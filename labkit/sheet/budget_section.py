"""What U is made of: table, bars, random draws, and what was left out, from the record to blocks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from labkit import format as text_of
from labkit.calibration.drawn import drawn_in_words
from labkit.calibration.shares import bars
from labkit.language import in_figures, in_its_language, say, say_count
from labkit.messages import influence_label, own_u, sentence
from labkit.sheet.blocks import Cell, Column, Items, Plot, Record, Run, Section, small, table, text
from labkit.sheet.numbers import capital, micrometres, mm


def budget(record: Record) -> Section | None:
    """The uncertainty budget where U is largest; None where the curve cannot be used."""
    found = record["results"]["budget"]
    if found is None:
        return None
    blocks: list[Any] = [_table(record, found), Plot(_bars_in_words(found), "shares"), small(*_remarks(record, found))]
    off = [each for each in record["inputs"]["about"]["conditions"].get("influences", ()) if each["off"]]
    if off:
        blocks.append(text(say("Left out of the budget, with the reason:")))
        blocks.append(Items(tuple(f"{capital(influence_label(each['code']))}: {each['off']}" for each in off)))
    return Section(say("Uncertainty at {at} mm, where it is largest", at=mm(found["at_mm"], 3)), tuple(blocks))


@in_its_language
def shares(record: Record) -> list[tuple[str, float]]:
    """The bars of the budget: names, and shares of u²; none where the curve cannot be used."""
    found = record["results"]["budget"]
    return [] if found is None else bars(_named(found))


def _named(found: Record) -> list[tuple[str, float]]:
    return [(sentence(line["code"], line["params"]), line["share"]) for line in found["lines"]]


def _table(record: Record, found: Record) -> Any:
    columns = [
        Column(say("What moves the reading"), False, 1),
        Column(say("How it is known"), False, 1.25),
        Column("u", True),
        Column(say("moves thickness by"), True),
        Column(say("share of u²"), True),
    ]
    rows: list[Sequence[str | Cell]] = []
    for line in sorted(found["lines"], key=lambda each: -float(each["share"])):
        dof = line["dof"]
        degrees = (
            "" if dof is None else say_count("{count} degree of freedom", "{count} degrees of freedom", round(dof))
        )
        how = ", ".join(each for each in (sentence(f"{line['code']}.how", line["params"]), degrees) if each)
        moved = micrometres(line["u_mm"])
        own = own_u(line["code"], line["params"]) or moved
        rows.append([sentence(line["code"], line["params"]), how, own, moved, text_of.percent(line["share"])])
    k = text_of.number(found["k"], 2)
    rows.append(
        [
            (Run(say("Together"), strong=True),),
            say("root of the sum of squares; U = {k} × {u}, rounded up", k=k, u=micrometres(found["u_mm"])),
            "",
            (Run(micrometres(found["u_mm"]), strong=True),),
            (Run(f"U = {in_figures(record['printed']['largest_U'])}", strong=True),),
        ]
    )
    return table(columns, rows)


def _remarks(record: Record, found: Record) -> list[str]:
    many = found["dof"] is None or found["dof"] > 1000
    dof = say("more than 1000") if many else text_of.number(found["dof"], 0)
    said = [say("Effective degrees of freedom: {dof} (Welch and Satterthwaite).", dof=dof)]
    said += [
        sentence("result.raised", line["params"]) for line in found["lines"] if line["code"] == "budget.capability"
    ]
    drawn = record["results"].get("monte_carlo")
    return [*said, drawn_in_words(drawn)] if drawn else said


def _bars_in_words(found: Record) -> str:
    """The bars in words, for those who cannot see them."""
    named = ", ".join(f"{name} {text_of.percent(share)}" for name, share in bars(_named(found)))
    return say("Shares of u²: {named}.", named=named)
