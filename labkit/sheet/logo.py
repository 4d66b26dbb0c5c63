"""A laboratory's logo: a picture that does nothing but be seen."""

from __future__ import annotations

import base64
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal
from xml.etree import ElementTree

from labkit.problems import BadInput

MOST_BYTES: Final = 500_000
MOST_MM: Final = 80.0
MOST_PIXELS: Final = 16_000_000

_ACTIVE: Final = frozenset(
    ("script", "foreignobject", "iframe", "audio", "video", "animate", "animatemotion", "animatetransform", "set", "a")
)
"""Elements that do something, or show what a picture cannot; typst would leave them out without a word."""

_DATA: Final = re.compile(r"data:image/(?:png|jpeg);base64,")
_ELSEWHERE: Final = re.compile(r"@import|url\(\s*['\"]?(?!#)|expression\(|javascript:", re.IGNORECASE)


@dataclass(frozen=True)
class Logo:
    """
    A picture for the letterhead.

    Attributes
    ----------
    content : bytes
    format : "svg" or "png"
    alt : str
        What it shows, for those who cannot see it.
    width_mm : float
    """

    content: bytes
    format: Literal["svg", "png"]
    alt: str
    width_mm: float

    @property
    def svg(self) -> str:
        """As an SVG, in which typst takes every picture that comes as text."""
        if self.format == "svg":
            return self.content.decode("utf-8-sig")
        from PIL import Image

        with Image.open(io.BytesIO(self.content), formats=["PNG"]) as image:
            size = f'width="{image.width}" height="{image.height}"'
        held = base64.b64encode(self.content).decode()
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" {size}><image {size} href="data:image/png;base64,{held}"/></svg>'
        )


def read_logo(path: Path, alt: str, width_mm: float) -> Logo:
    """
    Read a logo and look that it is inert.

    Parameters
    ----------
    path : Path
        SVG or PNG.
    alt : str
    width_mm : float

    Raises
    ------
    BadInput
        ``house.logo_…``: no such file, too large, no picture, or an SVG that does more than show something.
    """
    if not path.is_file():
        raise BadInput("house.logo_missing", file=path.name)
    if path.stat().st_size > MOST_BYTES:
        raise BadInput("house.logo_large", file=path.name, limit=MOST_BYTES // 1000)
    content = path.read_bytes()
    match path.suffix.lower():
        case ".svg":
            _check_svg(content, path.name)
            return Logo(content, "svg", alt, width_mm)
        case ".png":
            _check_png(content, path.name)
            return Logo(content, "png", alt, width_mm)
    raise BadInput("house.logo_kind", file=path.name)


def _check_png(content: bytes, name: str) -> None:
    from PIL import Image

    try:
        with Image.open(io.BytesIO(content), formats=["PNG"]) as image:
            if image.width * image.height > MOST_PIXELS:
                raise BadInput("house.logo_pixels", file=name, limit=MOST_PIXELS // 1_000_000)
            image.load()
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        if isinstance(error, BadInput):
            raise
        raise BadInput("house.logo_broken", file=name) from error


def _check_svg(content: bytes, name: str) -> None:
    """
    Refuse whatever reaches out of the file or acts.

    References
    ----------
    W3C, SVG 2, 2.2 "secure static mode" (from memory): no scripts, no animation, no references to other files.
    """
    if b"<!DOCTYPE" in content.upper() or b"<!ENTITY" in content.upper() or content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise BadInput("house.logo_active", file=name, what="DOCTYPE")
    try:
        root = ElementTree.fromstring(content)
    except (ElementTree.ParseError, ValueError, LookupError) as error:
        raise BadInput("house.logo_broken", file=name) from error
    if _local(root.tag) != "svg":
        raise BadInput("house.logo_broken", file=name)
    for element in root.iter():
        tag = _local(element.tag)
        if tag in _ACTIVE:
            raise BadInput("house.logo_active", file=name, what=tag)
        if tag in ("text", "tspan", "textpath"):
            raise BadInput("house.logo_text", file=name)
        if tag == "style" and _ELSEWHERE.search(element.text or ""):
            raise BadInput("house.logo_active", file=name, what="style")
        for key, value in element.attrib.items():
            attribute = _local(key)
            linked = attribute in ("href", "src") and not value.startswith("#") and not _DATA.match(value)
            if attribute.startswith("on") or linked or _ELSEWHERE.search(value):
                raise BadInput("house.logo_active", file=name, what=f"{tag} {attribute}")


def _local(name: object) -> str:
    """A name without its namespace, in lower case; comments and processing instructions have none."""
    return name.rpartition("}")[2].lower() if isinstance(name, str) else "processing instruction"
