"""The line of twelve months on which everything that falls due is drawn, as SVG."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Final

from labkit.bench.dates import months_after
from labkit.panels.shell import escape
from labkit.workflow.bench_due import Due
from labkit.workflow.clock import month

_WIDTH, _LEFT, _RIGHT, _LINE = 1092, 8, 1084, 76
_LETTER: Final = 7.2
"""About how wide a letter of a label is; labels that would meet go one line up."""

_WEEK: Final = 7.5
"""Days between the short ticks: four a month."""


def timeline(items: Sequence[Due], day: date) -> str:
    """
    The months from the one that it is, with a mark and a name for everything due in them; empty where nothing is.

    What was due before lies on the left edge.
    """
    start = day.replace(day=1)
    end = months_after(start, 12)
    shown = [each for each in items if each.on < end]
    if not shown:
        return ""

    def x(on: date) -> float:
        share = (max(on, start) - start).days / (end - start).days
        return _LEFT + share * (_RIGHT - _LEFT)

    parts = [f'<path class="ax" style="stroke-width:2" d="M{_LEFT} {_LINE}H{_RIGHT}"/>']
    for count in range(12):
        first = months_after(start, count)
        left = x(first)
        parts.append(f'<path class="ax" d="M{left:.1f} {_LINE}v10"/>')
        name = month(first) if count else f"{month(first.replace(month=first.month))}"
        name = f"{name} {first.year}" if not count and first.month > 1 else name
        parts.append(f'<text x="{left + 4:.1f}" y="{_LINE + 24}">{name}</text>')
        width = x(months_after(start, count + 1)) - left
        parts += [f'<path class="gr" d="M{left + width * i / 4:.1f} {_LINE}v6"/>' for i in (1, 2, 3)]
    at = x(day)
    parts.append(f'<path class="k" style="stroke-width:2" d="M{at:.1f} {_LINE - 32}V{_LINE + 28}"/>')
    parts.append(f'<text class="t" x="{at + 6:.1f}" y="{_LINE + 44}">today</text>')
    parts += [_mark(each, x(each.on)) for each in shown]
    parts += _labels([(x(on), names) for on, names in _by_day(shown)])
    said = escape(f"What falls due until {month(end)} {end.year}")
    return (
        f'<figure class="lk-fig"><svg viewBox="0 0 {_WIDTH} {_LINE + 52}" role="img" aria-label="{said}">'
        f"{''.join(parts)}</svg></figure>"
    )


def _by_day(shown: Iterable[Due]) -> list[tuple[date, str]]:
    days: dict[date, list[str]] = {}
    for each in shown:
        days.setdefault(each.on, []).append(each.name)
    return [(on, ", ".join(names)) for on, names in days.items()]


def _mark(each: Due, x: float) -> str:
    y = _LINE
    if each.state == "overdue":
        return f'<path class="k" style="stroke-width:2.4" d="M{x - 7:.1f} {y - 7}l14 14m0 -14l-14 14"/>'
    if each.kind == "rig":
        kind = "kf" if each.state == "today" else "h k"
        return f'<path class="{kind}" d="M{x:.1f} {y - 8}l8 8l-8 8l-8 -8z"/>'
    if each.kind == "instrument":
        return f'<circle class="h k" cx="{x:.1f}" cy="{y}" r="6.5"/>'
    return f'<rect class="h k" x="{x - 6.5:.1f}" y="{y - 6.5}" width="13" height="13"/>'


def _labels(places: list[tuple[float, str]]) -> list[str]:
    """Each over its mark, on the lowest of four lines where it meets no other; where none is free, it is left out."""
    ends = [-1e9] * 4
    parts = []
    for x, name in places:
        text = name if len(name) <= 40 else f"{name[:38]}…"
        width = len(text) * _LETTER
        left = min(max(x - width / 2, _LEFT), _RIGHT - width)
        row = next((row for row, end in enumerate(ends) if end + 10 < left), None)
        if row is not None:
            ends[row] = left + width
            parts.append(f'<text class="halo" x="{left:.1f}" y="{_LINE - 14 - 16 * row}">{escape(text)}</text>')
    return parts
