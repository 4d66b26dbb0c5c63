"""Typesetting: templates and fonts of the package, data as JSON, and no character that the fonts lack."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from functools import cache, lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final, Literal

from labkit.problems import BadInput, Problem
from labkit.sheet.own_fonts import NO_FONTS, OwnFonts

if TYPE_CHECKING:
    import typst

HERE: Final = Path(__file__).parent
FONTS: Final = HERE / "fonts"
TEMPLATES: Final = HERE / "templates"
STANDARDS: Final = ("a-3a", "ua-1")
"""PDF/A-3 carries the record as an attachment; PDF/UA-1 lets a screen reader follow the tables."""

_BODY_FONTS: Final = ("SourceSans3-Regular", "SourceSans3-Semibold", "SourceSans3-It")
"""What people wrote is set in these; the serif sets our own words alone."""

_PLACE: Final = re.compile(r"(\S+\.typ):(\d+):(\d+)")

_BLANKS: Final = frozenset("\n\t\r")


def typeset(
    template: str,
    data: Mapping[str, Any],
    *,
    files: Mapping[str, str] | None = None,
    form: Literal["pdf", "svg", "png"] = "pdf",
    timestamp: datetime | None = None,
    ppi: float = 144.0,
    fonts: OwnFonts = NO_FONTS,
    own: Mapping[str, bytes] | None = None,
) -> list[bytes]:
    """
    Set a template of the package.

    Parameters
    ----------
    template : str
        Its name in the folder ``templates``.
    data : mapping
        What the template reads as ``json(bytes(sys.inputs.data))``. It is never joined to source text, so that
        markup in a person's words stays words.
    files : mapping of str to str, optional
        Further inputs, such as the SVG of a plot.
    form : "pdf", "svg" or "png"
    timestamp : datetime, optional
        Written into the PDF as its date; without it the PDF has none, so that the same data give the same bytes.
    ppi : float
        Pixels per inch of a PNG.
    fonts : OwnFonts
        Besides ours.
    own : mapping of str to bytes, optional
        The files of a laboratory's own template, in place of ours.

    Returns
    -------
    list of bytes
        One PDF, or one picture a page.

    Raises
    ------
    Problem
        typst refused the template or warned about it: a fault of ours.
    BadInput
        ``house.template_fails``: the same of a laboratory's own template, with file, line and column.
    """
    inputs = {"data": json.dumps(data, ensure_ascii=False), **(files or {})}
    if own is None:
        return _compiled(TEMPLATES, template, inputs, form, timestamp, ppi, fonts)
    with TemporaryDirectory(prefix="labkit-template-") as folder:
        # what is set is what was read and digested; and nothing else lies below the root
        for name, content in own.items():
            path = Path(folder, name)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        try:
            return _compiled(Path(folder), template, inputs, form, timestamp, ppi, fonts)
        except Problem as problem:
            raise BadInput("house.template_fails", why=problem.params["why"]) from problem


def _compiled(
    root: Path,
    template: str,
    inputs: Mapping[str, str],
    form: Literal["pdf", "svg", "png"],
    timestamp: datetime | None,
    ppi: float,
    fonts: OwnFonts,
) -> list[bytes]:
    import typst

    compiler = typst.Compiler(str(root / template), root=str(root), font_paths=_fonts(fonts.folder, fonts.stamp))
    try:
        made, warnings = compiler.compile_with_warnings(
            sys_inputs=dict(inputs),
            format=form,
            ppi=ppi,
            pdf_standards=list(STANDARDS) if form == "pdf" else [],
            timestamp=timestamp,
        )
    except typst.TypstError as error:
        raise Problem("sheet.typesetting", why=_with_place(error)) from error
    if warnings:
        raise Problem("sheet.typesetting", why="; ".join(map(_with_place, warnings)))
    return [bytes(page) for page in (made if isinstance(made, list) else [made]) if page is not None]


def _with_place(found: typst.TypstError | typst.TypstWarning) -> str:
    """What typst says, with file, line and column."""
    place = _PLACE.search(found.diagnostic or "")
    if place is None:
        return found.message
    file, line, column = place.groups()
    return f"{Path(file).name}, line {line}, column {column}: {found.message}"


def printable(text: str) -> str:
    """
    A text as it is printed: composed, on one line, without marks that have no form (direction, zero width).

    They would turn the words of a line around unseen. The record keeps the text as it was typed.
    """
    composed = unicodedata.normalize("NFC", text)
    visible = (each for each in composed if unicodedata.category(each)[0] != "C" or each in _BLANKS)
    return " ".join("".join(visible).split())


def check_characters(texts: Iterable[tuple[str, str]], fonts: OwnFonts = NO_FONTS) -> None:
    """
    Refuse what the fonts cannot print, before typst stops at it without saying where.

    Parameters
    ----------
    texts : iterable of (str, str)
        Where a text stands, in words that complete "in …", and the text.
    fonts : OwnFonts
        Besides ours.

    Raises
    ------
    BadInput
        The first character that a font lacks, with its place.
    """
    known = _characters()
    for place, text in texts:
        for character in text:
            if character not in known and character not in fonts.characters:
                raise BadInput("sheet.character", character=character, place=place)


def substituted(text: str) -> str:
    """
    A text as it is printed, with a question mark for each character that the fonts lack: for messages of programs,
    which nobody can be asked to type again.
    """
    known = _characters()
    return "".join(each if each in known else "?" for each in printable(text))


def throughout(content: Any, change: Callable[[str], str]) -> Any:
    """The same content with every text in it changed."""
    if isinstance(content, str):
        return change(content)
    if isinstance(content, dict):
        return {key: throughout(each, change) for key, each in content.items()}
    if isinstance(content, list | tuple):
        return [throughout(each, change) for each in content]
    return content


@lru_cache(maxsize=8)
def _fonts(own: Path | None, stamp: tuple[tuple[str, int, int], ...]) -> typst.Fonts:
    """Ours, and those of a folder; read again whenever one of its files changes."""
    import typst

    folders = [str(FONTS), *([str(own)] if own is not None else [])]
    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=folders)


@cache
def _characters() -> frozenset[str]:
    """The characters that every font for people's words has."""
    from fontTools.ttLib import TTFont

    sets = [frozenset(map(chr, TTFont(FONTS / f"{name}.ttf").getBestCmap())) for name in _BODY_FONTS]
    return frozenset.intersection(*sets)
