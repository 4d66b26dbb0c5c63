"""What a sheet is made of: sections of paragraphs, lists and tables, as plain data with every number already text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, ClassVar

from labkit.language import Language, say, spoken

Record = Mapping[str, Any]
"""As `labkit.Calibration.to_dict` gives it."""


@dataclass(frozen=True)
class Run:
    """A piece of text; struck where it does not count."""

    text: str
    struck: bool = False
    strong: bool = False


Cell = tuple[Run, ...]


def cell(text: str, *, strong: bool = False) -> Cell:
    return (Run(text, strong=strong),)


@dataclass(frozen=True)
class Text:
    """A paragraph; where it leads, it stays on the page of what comes after it."""

    kind: ClassVar[str] = "text"
    runs: tuple[Run, ...]
    leads: bool = False


@dataclass(frozen=True)
class Small:
    """A paragraph that explains the table or plot before it, or after it where it leads."""

    kind: ClassVar[str] = "small"
    runs: tuple[Run, ...]
    leads: bool = False


@dataclass(frozen=True)
class Heading:
    """A title within a section."""

    kind: ClassVar[str] = "heading"
    text: str


@dataclass(frozen=True)
class Items:
    """A list of sentences."""

    kind: ClassVar[str] = "list"
    items: tuple[str, ...]


@dataclass(frozen=True)
class Fact:
    """A label and what stands beside it."""

    label: str
    text: str


@dataclass(frozen=True)
class Facts:
    """A list of what is what."""

    kind: ClassVar[str] = "facts"
    rows: tuple[Fact, ...]


@dataclass(frozen=True)
class Column:
    """
    A column of a table.

    Attributes
    ----------
    title : str
    right : bool
        Numbers stand to the right.
    share : float
        Of the width that is left; 0 for as wide as its text.
    """

    title: str
    right: bool = False
    share: float = 0.0


@dataclass(frozen=True)
class Table:
    """A ruled table."""

    kind: ClassVar[str] = "table"
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True)
class Plot:
    """The plots of a name among those handed to the template, with what they show in words."""

    kind: ClassVar[str] = "plot"
    alt: str
    name: str = "plot"


Block = Text | Small | Heading | Items | Facts | Table | Plot


@dataclass(frozen=True)
class Section:
    """A titled part of the sheet."""

    title: str
    blocks: tuple[Block, ...]

    def to_dict(self) -> dict[str, Any]:
        return {"title": self.title, "blocks": [asdict(block) | {"kind": block.kind} for block in self.blocks]}


@dataclass(frozen=True)
class Signature:
    """The words around the place for the signature."""

    label: str
    below: str
    note: str


@dataclass(frozen=True)
class Labels:
    """Words of the page itself, in the language of the sheet; ``{page}`` and ``{pages}`` are counted by typst."""

    laboratory: str = field(default_factory=lambda: say("Laboratory"))
    customer: str = field(default_factory=lambda: say("Customer"))
    page: str = field(default_factory=lambda: say("Page {page} of {pages}"))
    approved: str = field(default_factory=lambda: say("Approved by"))
    ledger: str = field(default_factory=lambda: say("Where the laboratory's ledger ended before this certificate"))


@dataclass(frozen=True)
class Sheet:
    """
    What a sheet says.

    Attributes
    ----------
    title, header, footer : str
    mark : str
        Across every page; empty for a signed sheet.
    number : str
        The certificate's number; empty while there is none.
    description, author : str
        Of the file, for those who search for it; the author is the laboratory, in one line.
    laboratory, customer : tuple of str
        Name, then further lines.
    facts : tuple of Fact
        On the first page.
    sections : tuple of Section
    signature : Signature
    ending : str
        After which nothing more belongs to it.
    qr : str
        The code in words; empty where there is none.
    file, holds : str
        The name of the attached record, and what it holds.
    labels : Labels
    language : Language
        In which all of it is written.
    """

    title: str
    header: str
    footer: str
    mark: str
    number: str
    description: str
    author: str
    laboratory: tuple[str, ...]
    customer: tuple[str, ...]
    facts: tuple[Fact, ...]
    signature: Signature
    sections: tuple[Section, ...] = field(default=())
    ending: str = field(default_factory=lambda: say("End of the document"))
    qr: str = ""
    file: str = "calibration.json"
    holds: str = field(default_factory=lambda: say("Readings, conditions and results of this calibration as data"))
    labels: Labels = field(default_factory=Labels)
    language: Language = field(default_factory=spoken)

    def to_dict(self) -> dict[str, Any]:
        return asdict(self) | {"sections": [section.to_dict() for section in self.sections]}


def table(columns: Sequence[Column], rows: Sequence[Sequence[str | Cell]]) -> Table:
    """A table of texts, or of cells where part of a text is struck or strong."""
    return Table(
        tuple(columns), tuple(tuple(cell(each) if isinstance(each, str) else each for each in row) for row in rows)
    )


def text(*said: str) -> Text:
    return Text((Run(" ".join(each for each in said if each)),))


def small(*said: str) -> Small:
    return Small((Run(" ".join(each for each in said if each)),))
