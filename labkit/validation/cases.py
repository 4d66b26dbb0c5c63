"""
The published cases under ``data/``: a folder a topic, a file a case, each with its source.

A laboratory validates its software (ISO/IEC 17025:2017, 7.11.2). What is printed in a standard, a certified data set
or a textbook is kept as text, because its digits say how closely it is known.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any, Literal, Self, TypeAlias

import numpy as np
from numpy.typing import NDArray

Rule: TypeAlias = Literal["printed digits", "tolerance", "digits"]
"""How agreement is judged; see `PublishedValue.agrees`."""


@dataclass(frozen=True)
class PublishedValue:
    """
    A number as it was printed, and how closely a computation has to agree with it.

    Attributes
    ----------
    text : str
        As printed.
    abs_tol : float or None
        The largest difference, where rounding to the printed digits is not the rule (a source that truncates).
    digits : float or None
        The correct digits asked for (the log relative error), where double precision cannot reach all that are
        printed. For a published 0, the decimals.
    """

    text: str
    abs_tol: float | None = None
    digits: float | None = None

    @property
    def value(self) -> float:
        return float(self.text)

    @property
    def last_digit(self) -> Decimal:
        """One unit in the last printed digit."""
        exponent = Decimal(self.text).as_tuple().exponent
        assert isinstance(exponent, int)  # only NaN and the infinities have another, and none is published
        return Decimal(1).scaleb(exponent)

    @property
    def rule(self) -> Rule:
        """How agreement is judged."""
        if self.abs_tol is not None:
            return "tolerance"
        return "printed digits" if self.digits is None else "digits"

    @property
    def limit(self) -> float:
        """The largest difference, or the fewest correct digits where those are the rule."""
        if self.abs_tol is not None:
            return self.abs_tol
        return float(self.last_digit / 2) if self.digits is None else self.digits

    def agrees(self, value: float) -> bool:
        """
        Whether a computed value agrees with the published one.

        Parameters
        ----------
        value : float

        Returns
        -------
        bool
            It lies within `abs_tol` where that is given; has `digits` correct digits where those are given; else
            rounds to the printed digits: it differs by no more than half a unit of the last one.
        """
        if not math.isfinite(value):
            return False
        if self.abs_tol is not None:
            return _distance(value, self.text) <= Decimal(repr(self.abs_tol))
        if self.digits is not None:
            return self.lre(value) >= self.digits
        return _distance(value, self.text) <= self.last_digit / 2

    def lre(self, value: float) -> float:
        """
        The log relative error, about the number of correct digits.

        Parameters
        ----------
        value : float

        Returns
        -------
        float
            −log₁₀(|value − published| / |published|), of the bare difference where 0 is published; infinite where
            nothing differs, minus infinite for a value that is not finite.

        References
        ----------
        McCullough, Am. Stat. 52 (1998) 358.
        """
        if not math.isfinite(value):
            return -math.inf
        distance = _distance(value, self.text)
        if distance == 0:
            return math.inf
        published = abs(Decimal(self.text))
        return -float((distance / published if published else distance).log10())


def _distance(value: float, text: str) -> Decimal:
    # repr, not the binary value: 0.15 then lies half a digit from 0.1, as people read it
    return abs(Decimal(repr(float(value))) - Decimal(text))


@dataclass(frozen=True)
class Case:
    """
    One published case.

    Attributes
    ----------
    name : str
        Unique among all cases.
    topic : str
        The folder that it lies in, such as ``iso_28037``.
    source : str
        Document, clause or page, and where the numbers were taken from.
    from_memory : bool
        The published values were recalled and then confirmed by recomputation, not copied.
    description : str
        The model, or what is computed.
    inputs : mapping
        The data, by name.
    published : mapping of str to PublishedValue
    note : str
        What to know first: conventions, and what double precision can reach.
    printed : bool
        Whether the source prints the values; if not, they were computed independently from what it does print.
    """

    name: str
    topic: str
    source: str
    from_memory: bool
    description: str
    inputs: Mapping[str, Any]
    published: Mapping[str, PublishedValue]
    note: str = ""
    printed: bool = True

    @property
    def standing(self) -> Literal["", "from memory", "not printed"]:
        """What keeps the values from being evidence by themselves; empty where they were copied from a source."""
        if not self.printed:
            return "not printed"
        return "from memory" if self.from_memory else ""

    @property
    def reference(self) -> str:
        """Where it is published, without where its numbers were taken from."""
        return re.split("; |: ", re.sub(r" \([^)]{8,}\)", "", self.source))[0]

    def array(self, name: str) -> NDArray[np.float64]:
        """The input `name` as an array."""
        return np.asarray(self.inputs[name], dtype=np.float64)

    def __str__(self) -> str:
        standing = f", {self.standing}" if self.standing else ""
        return f"{self.name}: {self.description} ({self.source}{standing})"

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        values = dict(found)
        values["inputs"] = MappingProxyType(values["inputs"])
        values["published"] = MappingProxyType(
            {name: PublishedValue(**each) for name, each in values["published"].items()}
        )
        return cls(**values)


@cache
def cases(topic: str | None = None) -> tuple[Case, ...]:
    """
    The published cases that ship with the package.

    Parameters
    ----------
    topic : str, optional
        Only those of one topic.

    Returns
    -------
    tuple of Case
        By topic, then by name.

    Raises
    ------
    KeyError
        There is no such topic.
    """
    if topic is not None:
        found = tuple(each for each in cases() if each.topic == topic)
        if not found:
            known = sorted({each.topic for each in cases()})
            raise KeyError(f"no topic {topic!r}; known: {', '.join(known)}")
        return found
    folders = sorted((each for each in files(__package__).joinpath("data").iterdir() if each.is_dir()), key=str)
    return tuple(
        Case.from_dict(json.loads(entry.read_text(encoding="utf-8")))
        for folder in folders
        for entry in sorted(folder.iterdir(), key=str)
        if entry.name.endswith(".json")
    )


def case(name: str) -> Case:
    """
    The case of that name.

    Raises
    ------
    KeyError
        There is none.
    """
    for each in cases():
        if each.name == name:
            return each
    raise KeyError(f"no case {name!r}")
