"""What the result files of the coverage simulation hold, as Markdown."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from tests.benchmarks.benches import CELLS, SIGNALS
from tests.benchmarks.trials import PLACES, CellTally, FamilyTally, Tally

GOAL = {5: (0.93, 0.99), 7: (0.93, 0.97), 9: (0.93, 0.97)}
"""Coverage by number of shims."""

MISSED = "✗"


def table(results: Sequence[Mapping[str, Any]]) -> str:
    """
    Two tables: the recommended curve by cell, and every family by kind of signal.

    Parameters
    ----------
    results : sequence of mapping
        The contents of result files.

    Returns
    -------
    str
    """
    tallies = {each["cell"]: CellTally.from_dict(each["tally"]) for each in results}
    commits = sorted({each["commit"] for each in results})
    codes = sorted({each["code"][:12] for each in results})
    head = [
        f"Commit {', '.join(commits) or '–'}, code {', '.join(codes) or '–'}; {len(tallies)} of {len(CELLS)} cells, "
        f"{sum(each.count for each in tallies.values())} calibrations.",
        "",
        *_unanswered(tallies),
        f"Goal: 93–99 % for 5 shims, 93–97 % for 7 and 9; {MISSED} where it is missed.",
        "",
    ]
    return "\n".join([*head, *_cells(tallies), "", *_families(tallies)])


def _unanswered(tallies: Mapping[str, CellTally]) -> list[str]:
    """What has no coverage to speak of is counted here."""
    why = sum((each.unanswered for each in tallies.values()), Counter())
    readings = [each.reading for each in tallies.values()]
    asked = PLACES * sum(each.count for each in readings)
    beyond = 1 - sum(each.answered for each in readings) / asked if asked else 0.0
    none = ", ".join(f"{code} × {count}" for code, count in why.most_common()) or "none"
    return [
        f"Calibrations refused or without a recommended curve: {none}. "
        f"Readings refused, as they lay outside the calibrated range: {_percent(beyond, 2)} %.",
        "",
    ]


def _cells(tallies: Mapping[str, CellTally]) -> list[str]:
    columns = ["coverage [%]", "worst [%]", "rms error [µm]", "U [µm]", "U/ideal"]
    first = ["cell", "count", "none", "formula [%]"]
    names = [*first, *(f"{of}: {each}" for of in ("reading", "curve") for each in columns)]
    return [*_heading(names), *(_row(_cell(name, each)) for name, each in tallies.items())]


def _cell(name: str, tally: CellTally) -> list[str]:
    """`none` counts calibrations that were refused or have no recommended curve."""
    formulas = tally.reading.count - tally.outcomes["flexible"]
    cells = [name, str(tally.count), str(tally.unanswered.total())]
    if not tally.reading.count:
        return [*cells, *["–"] * 11]
    low, high = GOAL[CELLS[name].shims]
    cells.append(_percent(formulas / tally.reading.count, 0))
    for each in (tally.reading, tally.curve):
        mark = "" if low <= each.mean_coverage <= high else f" {MISSED}"
        worst = int(np.argmin(each.coverage_by_place))
        at = worst / (PLACES - 1)
        cells += [
            f"{_with_error(each)}{mark}",
            f"{_percent(each.coverage_by_place[worst], 0)} at {at:.2f}",
            *_sizes(each),
        ]
    return cells


def _families(tallies: Mapping[str, CellTally]) -> list[str]:
    lines = []
    for signal in SIGNALS:
        cells = [tally for name, tally in tallies.items() if CELLS[name].signal == signal]
        if not cells:
            continue
        names = list(dict.fromkeys(name for cell in cells for name in cell.families))
        lines += [
            f"Every family, {signal} signals, {sum(cell.count for cell in cells)} calibrations; the curve alone:",
            "",
            *_heading(
                [
                    "family",
                    "coverage [%]",
                    "rms error [µm]",
                    "U [µm]",
                    "U/ideal",
                    "χ² accepts [%]",
                    "coverage then [%]",
                    "recommended [%]",
                ]
            ),
            _row(["**recommended**", *_of_all([cell.curve for cell in cells]), "", "", ""]),
            *(_row(_family(name, cells)) for name in names),
            "",
        ]
    return lines


def _family(name: str, cells: Sequence[CellTally]) -> list[str]:
    of_family = [cell.families[name] for cell in cells if name in cell.families]
    count = sum(cell.count for cell in cells)
    accepted = [each.accepted for each in of_family if each.accepted.count]
    states_u = any(each.states_u for each in of_family)
    then = _coverage(accepted) if states_u and accepted else "–"
    return [
        name,
        *_of_all([each.usable for each in of_family], states_u),
        _percent(sum(each.count for each in accepted) / count, 0),
        then,
        _percent(_recommended(of_family) / count, 0),
    ]


def _recommended(of_family: Iterable[FamilyTally]) -> int:
    return sum(each.verdicts["recommended"] for each in of_family)


def _of_all(tallies: Sequence[Tally], states_u: bool = True) -> list[str]:
    """Coverage, rms error, U and U over the ideal half-width of several cells together."""
    used = [each for each in tallies if each.count]
    if not used:
        return ["–"] * 4
    places = sum(each.answered for each in used)
    rms = f"{1e3 * np.sqrt(sum(each.squares for each in used) / places):.2f}"
    if not states_u:
        return ["–", rms, "–", "–"]
    U = sum(each.U for each in used) / places
    ratio = np.mean([each.mean_U_mm / each.ideal_mm for each in used])
    return [_coverage(used), rms, f"{1e3 * U:.2f}", f"{ratio:.2f}"]


def _coverage(tallies: Sequence[Tally]) -> str:
    return _percent(sum(each.coverage for each in tallies) / sum(each.count for each in tallies))


def _sizes(tally: Tally) -> list[str]:
    return [
        f"{1e3 * tally.rms_mm:.2f}",
        f"{1e3 * tally.mean_U_mm:.2f}",
        f"{tally.mean_U_mm / tally.ideal_mm:.2f}",
    ]


def _with_error(tally: Tally) -> str:
    error = tally.standard_error
    return _percent(tally.mean_coverage) + ("" if error is None else f" ± {100 * error:.1f}")


def _percent(share: float, decimals: int = 1) -> str:
    return f"{100 * share:.{decimals}f}"


def _heading(names: Sequence[str]) -> list[str]:
    return [_row(names), _row(["---", *["---:"] * (len(names) - 1)])]


def _row(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |"
