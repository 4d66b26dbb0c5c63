"""
What is wrong, and what is doubtful: one family of exceptions, and the findings that travel with a result.

Findings carry a code and parameters; `labkit.messages` makes the sentence, so that a screen, a sheet and a command
say the same thing and a translation has one place to go.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Self

from labkit.language import say
from labkit.messages import remedy, sentence


@dataclass(frozen=True)
class Where:
    """
    A place in what was handed in.

    Attributes
    ----------
    file : str
        The file's name, without its folder; empty for pasted cells.
    sheet : str
        The worksheet, for a workbook of several.
    row : int or None
        Counted from 1 as the person's own program shows it, the header row included.
    column : str
        The column's heading as typed, or its letter where there is no heading.
    """

    file: str = ""
    sheet: str = ""
    row: int | None = None
    column: str = ""

    def __str__(self) -> str:
        parts = [self.file, self.sheet]
        parts.append(say("row {row}", row=self.row) if self.row is not None else "")
        parts.append(say("column {column}", column=self.column) if self.column else "")
        return ", ".join(part for part in parts if part)

    def to_dict(self) -> dict[str, Any]:
        return {key: value for key, value in vars(self).items() if value not in ("", None)}


@dataclass(frozen=True)
class Finding:
    """
    Something noticed: a code of `labkit.sentences.SENTENCES`, its parameters, and the place.
    """

    code: str
    params: Mapping[str, Any] = field(default_factory=dict)
    where: Where | None = None

    def __str__(self) -> str:
        text = sentence(self.code, self.params)
        place = str(self.where) if self.where else ""
        return f"{place}: {text}" if place else text

    @property
    def hint(self) -> str | None:
        """The remedy, where there is one to give."""
        return remedy(self.code, self.params)

    def to_dict(self) -> dict[str, Any]:
        found: dict[str, Any] = {"code": self.code, "params": dict(self.params)}
        if self.where:
            found["where"] = self.where.to_dict()
        return found

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        where = Where(**found["where"]) if found.get("where") else None
        return cls(found["code"], dict(found.get("params", {})), where)


class Fault(Finding):
    """A reason why input was refused."""


class Caution(Finding):
    """A doubt about input that was accepted; it stays with the result, up to the sheet."""


class Reason(Finding):
    """Why something was recommended, decided, or is not possible yet."""


class Problem(Exception):
    """
    The base of every exception that this package raises on purpose.

    Parameters
    ----------
    code : str
        A key of `labkit.sentences.SENTENCES`.
    where : Where, optional
    **params
        What the sentence names.
    """

    def __init__(self, code: str, where: Where | None = None, **params: Any) -> None:
        self.fault = Fault(code, params, where)
        super().__init__(code)

    @property
    def code(self) -> str:
        return self.fault.code

    @property
    def params(self) -> Mapping[str, Any]:
        return self.fault.params

    @property
    def where(self) -> Where | None:
        return self.fault.where

    @property
    def hint(self) -> str | None:
        return self.fault.hint

    @property
    def faults(self) -> tuple[Fault, ...]:
        """Everything that is wrong, in the order of the input; one fault, unless input was read as a whole."""
        return (self.fault,)

    def __str__(self) -> str:
        return "\n".join(f"{fault} {fault.hint}" if fault.hint else str(fault) for fault in self.faults)


class BadInput(Problem, ValueError):
    """Input that cannot be used as it is."""


class BadFile(BadInput):
    """
    A file or a block of cells that was refused, with all its faults.

    Parameters
    ----------
    faults : iterable of Fault
        At least one.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self._faults = tuple(faults)
        first = self._faults[0]
        super().__init__(first.code, first.where, **first.params)

    @property
    def faults(self) -> tuple[Fault, ...]:
        return self._faults
