"""
A laboratory's own hand in its sheets: letterhead, logo, fonts, language, form, and a template of its own.

All of it lies in the data folder: ``letterhead.toml`` says what is wanted, ``fonts`` holds fonts, ``templates`` a copy
of our templates that an engineer has changed. Without these a sheet looks as we made it.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal, cast, get_args

from labkit.bench.headings import nearest
from labkit.language import LANGUAGES
from labkit.problems import BadInput
from labkit.sheet.logo import MOST_MM, Logo, read_logo
from labkit.sheet.own_fonts import NO_FONTS, OwnFonts, read_fonts
from labkit.sheet.typesetting import TEMPLATES

FILE: Final = "letterhead.toml"
FONTS_FOLDER: Final = "fonts"
TEMPLATES_FOLDER: Final = "templates"
MAIN: Final = "certificate.typ"

MOST_BYTES: Final = 20_000
MOST_LINES: Final = 6
LONGEST_LINE: Final = 120
MOST_TEMPLATE_BYTES: Final = 5_000_000
"""Of all files of a template together, its pictures included."""

Form = Literal["full", "summary"]
FORMS: Final[tuple[Form, ...]] = get_args(Form)

_CERTIFICATES: Final = (MAIN, "summary.typ", "page-one.typ", "look.typ")
"""Those of our templates that make certificates and check records."""

_EXAMPLE: Final = """\
# What the sheets have of the laboratory's own. Each key may be left out.

language = "en"             # of sheets that name none: en, de (Deutsch), uk (Українська)
form = "full"               # the usual form of a certificate: full, or summary for one page
lines = ["Your laboratory", "Your street, your town", "Your telephone"]
rule = "#15202c"            # the colour of the rules under letterhead and title

# A picture in the data folder, SVG without text and scripts or PNG, and what it shows for those who cannot see it:
# logo = "logo.svg"
# logo_alt = "Two closures side by side"
# logo_mm = 32              # its width

# Families of fonts that lie in the folder fonts (TTF or OTF); without these they serve for characters that ours lack:
# text_font = "Name of a family"
# heading_font = "Name of a family"
"""

_KEYS: Final = ("language", "form", "lines", "rule", "text_font", "heading_font", "logo", "logo_alt", "logo_mm")
_COLOUR: Final = re.compile(r"#[0-9a-fA-F]{6}")

_COMMENT: Final = re.compile(r"(?m)^[ \t]*//.*$")
_BRINGS: Final = re.compile(r"\b(?:(?:import|include)\b(?!\s*\"[^\"@\\:]+\")|eval\b)")
"""What brings in another file, unless that is named in quotes and is no package; or code that is put together."""


@dataclass(frozen=True)
class Template:
    """
    A laboratory's own template.

    Attributes
    ----------
    files : mapping of str to bytes
        Every file of its folder as it was read once: what is set is what the digest stands for.
    sha256 : str
        Of all of them, hexadecimal.
    """

    files: Mapping[str, bytes]
    sha256: str


@dataclass(frozen=True)
class House:
    """
    What a laboratory's sheets have of their own.

    Attributes
    ----------
    language : str
        A key of `labkit.language.LANGUAGES` for calibrations that name none; empty for English.
    form : "full" or "summary"
        Which form a certificate has where nobody asks for another.
    lines : tuple of str
        Of the letterhead.
    rule : str
        The colour of the rules under letterhead and title, such as ``#005a94``; empty for that of the ink.
    text_font, heading_font : str
        Families of the laboratory's own fonts; empty for ours.
    logo : Logo or None
    fonts : OwnFonts
    template : Template or None
    """

    language: str = ""
    form: Form = "full"
    lines: tuple[str, ...] = ()
    rule: str = ""
    text_font: str = ""
    heading_font: str = ""
    logo: Logo | None = None
    fonts: OwnFonts = NO_FONTS
    template: Template | None = None

    def to_sheet(self) -> dict[str, Any]:
        """What the templates read of it."""
        text = [*([self.text_font] if self.text_font else []), "Source Sans 3", *self.fonts.families]
        heading = [*([self.heading_font] if self.heading_font else []), "Source Serif 4"]
        logo = None
        if self.logo is not None:
            logo = {"alt": self.logo.alt, "width_mm": self.logo.width_mm}
        return {
            "lines": list(self.lines),
            "rule": self.rule,
            "text_font": list(dict.fromkeys(text)),
            "heading_font": list(dict.fromkeys([*heading, *text])),
            "logo": logo,
        }


OURS: Final = House()


def read_house(data: Path) -> House:
    """
    What lies in a laboratory's data folder.

    Parameters
    ----------
    data : Path

    Returns
    -------
    House
        `OURS` where nothing lies there.

    Raises
    ------
    BadInput
        ``house.…``: the first thing that is wrong, with its key or file and what to do.
    """
    fonts = read_fonts(data / FONTS_FOLDER)
    template = read_template(data / TEMPLATES_FOLDER)
    found = _toml(data / FILE)
    house = House(fonts=fonts, template=template)
    if found is None:
        return house
    return _house(found, data, house)


def read_letterhead(source: str, data: Path, pictures: Path) -> House:
    """What a text for ``letterhead.toml`` would mean in a data folder, with the logo in another; see `read_house`."""
    return _house(_parsed(source), pictures, House(fonts=read_fonts(data / FONTS_FOLDER)))


def _toml(path: Path) -> dict[str, Any] | None:
    if not path.is_file():
        return None
    content = path.read_bytes()
    if len(content) > MOST_BYTES:
        raise BadInput("house.large", file=FILE, limit=MOST_BYTES // 1000)
    try:
        return _parsed(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise BadInput("house.not_toml", file=FILE, why="no UTF-8") from error


def _parsed(source: str) -> dict[str, Any]:
    try:
        return tomllib.loads(source.replace("\r\n", "\n"))
    except (ValueError, RecursionError) as error:
        raise BadInput("house.not_toml", file=FILE, why=str(error)) from error


def _house(found: Mapping[str, Any], data: Path, plain: House) -> House:
    for key in found:
        if key not in _KEYS:
            like = nearest(key, _KEYS)
            raise BadInput("house.like_key" if like else "house.unknown_key", key=key, like=like, known=list(_KEYS))
    language = _one_of(found, "language", "", ("", *LANGUAGES))
    form = cast("Form", _one_of(found, "form", "full", FORMS))
    rule = _text(found, "rule")
    if rule and not _COLOUR.fullmatch(rule):
        raise BadInput("house.colour", key="rule", got=rule)
    fonts = {key: _text(found, key) for key in ("text_font", "heading_font")}
    for key, family in fonts.items():
        if family and family not in plain.fonts.families:
            raise BadInput("house.font_unknown", key=key, family=family, known=list(plain.fonts.families) or ["–"])
    return House(
        language=language,
        form=form,
        lines=_lines(found),
        rule=rule,
        logo=_logo(found, data),
        fonts=plain.fonts,
        template=plain.template,
        **fonts,
    )


def _text(found: Mapping[str, Any], key: str) -> str:
    value = found.get(key, "")
    if not isinstance(value, str):
        raise BadInput("house.not_text", key=key)
    return value.strip()


def _one_of(found: Mapping[str, Any], key: str, default: str, known: tuple[str, ...]) -> str:
    value = _text(found, key) or default
    if value not in known:
        raise BadInput("house.one_of", key=key, got=value, known=[each for each in known if each])
    return value


def _lines(found: Mapping[str, Any]) -> tuple[str, ...]:
    lines = found.get("lines", [])
    if not isinstance(lines, list) or not all(isinstance(each, str) for each in lines):
        raise BadInput("house.not_lines", key="lines")
    if len(lines) > MOST_LINES or any(len(each) > LONGEST_LINE for each in lines):
        raise BadInput("house.long_lines", key="lines", most=MOST_LINES, longest=LONGEST_LINE)
    return tuple(each.strip() for each in lines)


def _logo(found: Mapping[str, Any], data: Path) -> Logo | None:
    name, alt = _text(found, "logo"), _text(found, "logo_alt")
    width = found.get("logo_mm", 32.0)
    if not isinstance(width, int | float) or isinstance(width, bool) or not 5 <= width <= MOST_MM:
        raise BadInput("house.logo_width", key="logo_mm", most=MOST_MM)
    if not name:
        return None
    if not alt:
        raise BadInput("house.logo_alt", key="logo_alt")
    if Path(name).name != name:
        raise BadInput("house.logo_place", key="logo", got=name)
    return read_logo(data / name, alt, float(width))


def read_template(folder: Path) -> Template | None:
    """
    A laboratory's own template, whole; None where there is no folder.

    Raises
    ------
    BadInput
        ``house.template_…``: no main file, a link that leads elsewhere, too much, or a file that brings in another
        than by its name: so no package is fetched from the network.
    """
    if not folder.is_dir():
        return None
    files: dict[str, bytes] = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_symlink():
            raise BadInput("house.template_link", file=name)
        if path.is_file():
            files[name] = path.read_bytes()
        if sum(map(len, files.values())) > MOST_TEMPLATE_BYTES:
            raise BadInput("house.template_large", folder=TEMPLATES_FOLDER, limit=MOST_TEMPLATE_BYTES // 1_000_000)
    if MAIN not in files:
        raise BadInput("house.template_main", folder=TEMPLATES_FOLDER, file=MAIN)
    for name, content in files.items():
        if name.endswith(".typ"):
            _check_closed(name, content)
    digest = hashlib.sha256()
    for name, content in files.items():
        digest.update(f"{name}\n{len(content)}\n".encode() + content)
    return Template(files, digest.hexdigest())


def _check_closed(name: str, content: bytes) -> None:
    try:
        source = content.decode("utf-8")
    except UnicodeDecodeError as error:
        raise BadInput("house.template_text", file=name) from error
    code = _COMMENT.sub("", source)
    if (found := _BRINGS.search(code)) is not None:
        raise BadInput("house.template_brings", file=name, row=code.count("\n", 0, found.start()) + 1)


def example() -> dict[str, bytes]:
    """Files to begin with, by their names in a data folder: a commented letterhead, and our templates."""
    ours = {f"{TEMPLATES_FOLDER}/{name}": (TEMPLATES / name).read_bytes() for name in _CERTIFICATES}
    return {FILE: _EXAMPLE.encode(), **ours}
