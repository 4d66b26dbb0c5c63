"""Cells of tables that any program opens: no text of a person becomes a formula there."""

from __future__ import annotations

from typing import Final

_FORMULA: Final = tuple("=+-@\t\r\n＝＋－＠")
"""What spreadsheets take for the beginning of a formula; the wide forms do so too in some languages."""


def inert(value: object) -> object:
    """
    A cell of a table: numbers stay numbers; a text that could be a formula gets an apostrophe before it.

    References
    ----------
    OWASP, CSV Injection (from memory).
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return value
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA) or text.lstrip(" ").startswith(_FORMULA) else text
