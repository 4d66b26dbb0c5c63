"""Fonts of a laboratory's own: what they are called, what they can print, and that they may be embedded."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

from labkit.problems import BadInput

KINDS: Final = (".ttf", ".otf", ".ttc", ".otc")
MOST_BYTES: Final = 200_000_000
"""Of all of them: the large families of Chinese, Japanese and Korean have 20 MB a file."""

_RESTRICTED: Final = 0x0002
"""OS/2 fsType: embedding is not allowed (OpenType 1.9, "OS/2": bits 0 to 3; from memory)."""


@dataclass(frozen=True)
class OwnFonts:
    """
    Fonts in a laboratory's data folder.

    Attributes
    ----------
    folder : Path or None
    families : tuple of str
        As typst and the letterhead call them.
    characters : frozenset of str
        What one of them can print.
    files : tuple of Path
    stamp : tuple
        Changes whenever a file does.
    """

    folder: Path | None
    families: tuple[str, ...]
    characters: frozenset[str]
    files: tuple[Path, ...] = ()
    stamp: tuple[tuple[str, int, int], ...] = ()


NO_FONTS: Final = OwnFonts(None, (), frozenset())


def read_fonts(folder: Path) -> OwnFonts:
    """
    The fonts of a folder.

    Raises
    ------
    BadInput
        ``house.font_…``: one cannot be read, does not allow embedding, or all are too large.
    """
    if not folder.is_dir():
        return NO_FONTS
    files = sorted(each for each in folder.iterdir() if each.suffix.lower() in KINDS and each.is_file())
    if not files:
        return NO_FONTS
    stats = [(each, each.stat()) for each in files]
    if sum(stat.st_size for _, stat in stats) > MOST_BYTES:
        raise BadInput("house.fonts_large", folder=folder.name, limit=MOST_BYTES // 1_000_000)
    return _read(folder, tuple((str(each), stat.st_mtime_ns, stat.st_size) for each, stat in stats))


@lru_cache(maxsize=8)
def _read(folder: Path, stamp: tuple[tuple[str, int, int], ...]) -> OwnFonts:
    import typst
    from fontTools.ttLib import TTCollection, TTFont, TTLibError

    characters: set[str] = set()
    for name, _, _ in stamp:
        file = Path(name)
        try:
            collected = file.suffix.lower() in (".ttc", ".otc")
            fonts = TTCollection(file, lazy=True).fonts if collected else [TTFont(file, lazy=True)]
            for font in fonts:
                if "OS/2" in font and font["OS/2"].fsType & 0x000F == _RESTRICTED:
                    raise BadInput("house.font_closed", file=file.name)
                characters |= set(map(chr, font.getBestCmap() or {}))
        except (TTLibError, OSError, ValueError, KeyError, AttributeError, AssertionError) as error:
            if isinstance(error, BadInput):
                raise
            raise BadInput("house.font_broken", file=file.name) from error
    found = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(folder)])
    families = tuple(sorted(found.families()))
    return OwnFonts(folder, families, frozenset(characters), tuple(Path(name) for name, _, _ in stamp), stamp)
