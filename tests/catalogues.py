"""What the catalogues have to hold, read from the source: every text of a sheet, and every sentence that can reach one."""

from __future__ import annotations

import ast
import re
import string
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract
from babel.messages.pofile import read_po

from labkit.sentences import SENTENCES

PACKAGE = Path(__file__).parents[1] / "labkit"
CALLS = {"say": None, "noted": None, "say_count": (1, 2)}

_REACH_A_SHEET = (
    *("budget.", "family.", "gum_interval.", "influence.", "outcome.", "points.order_", "recommend.", "result.drawn"),
    *("result.other_lines", "rule.", "safety.", "shims.large_u", "shims.no_certificate", "shims.no_expansion"),
    *("stability.", "take_up."),
)
"""Beginnings of codes that no call names whole, as they are put together or stand in a table."""

_WHERE = ("bench", "calibration", "check", "curves")
_STAYS_ON_SCREEN = re.compile(
    r"\.(hint|do)$|^(next|operating)\.|^take_up\.(offer|other_|turns)|^stability\.one_day"
    r"|^influence\.(unknown|twice|shape|values|number|signal)"
)


def texts() -> dict[str | tuple[str, ...], str]:
    """Every text that `say` says, with where; a pair where it depends on a count."""
    found: dict[str | tuple[str, ...], str] = {}
    for path in _speaking():
        with path.open("rb") as file:
            for line, text, _, _ in extract("python", file, keywords=CALLS):
                found.setdefault(text, f"{path.relative_to(PACKAGE)}:{line}")
    # babel takes the index of `say(WORDS[record["key"]])` for a text
    return {text: where for text, where in found.items() if text in _said()}


def codes() -> set[str]:
    """Every sentence that can reach a sheet: cautions, reasons, budget lines, and what the sheet itself asks for."""
    found = {code for code in SENTENCES if code.startswith(_REACH_A_SHEET)}
    for room in _WHERE:
        for path in sorted((PACKAGE / room).rglob("*.py")):
            found |= set(_cautions(ast.parse(path.read_text(encoding="utf-8"))))
    for path in sorted((PACKAGE / "sheet").glob("*.py")):
        found |= set(_sentences(ast.parse(path.read_text(encoding="utf-8"))))
    return {code for code in found if not _STAYS_ON_SCREEN.search(code)}


def catalogue(code: str) -> Catalog:
    with (PACKAGE / "catalogues" / f"{code}.po").open("rb") as file:
        return read_po(file, locale=code, abort_invalid=True)


def placeholders(template: str) -> list[tuple[str, str]]:
    """What a template names, and how it is written."""
    return sorted((name, how or "") for _, name, how, _ in string.Formatter().parse(template) if name is not None)


def _speaking() -> list[Path]:
    """The files that say something on a sheet; pages have a `say` of their own."""
    return [PACKAGE / "messages.py", PACKAGE / "problems.py", *sorted((PACKAGE / "sheet").glob("*.py"))]


@cache
def _said() -> frozenset[str | tuple[str, ...]]:
    """The texts that stand whole as arguments of the calls."""
    found: set[str | tuple[str, ...]] = set()
    for path in _speaking():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in CALLS:
                given = [each.value for each in node.args if isinstance(each, ast.Constant)]
                if given and isinstance(given[0], str):
                    found.add(tuple(given[:2]) if getattr(node.func, "id", "") == "say_count" else given[0])
    return frozenset(found)


def _cautions(tree: ast.AST) -> Iterator[str]:
    """Codes in calls that make a caution or a reason."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            if name in ("Caution", "caution", "Reason"):
                yield from _codes(node)


def _sentences(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "sentence":
            yield from _codes(node)


def _codes(node: ast.AST) -> Iterator[str]:
    for each in ast.walk(node):
        if isinstance(each, ast.Constant) and isinstance(each.value, str) and each.value in SENTENCES:
            yield each.value
