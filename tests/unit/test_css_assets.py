"""Pages load nothing from outside the machine, and the style sheets say what they mean."""

import re
from pathlib import Path

import pytest

PANELS = Path(__file__).parents[2] / "labkit" / "panels"
TEXTS = sorted(
    path
    for folder in (PANELS / "assets", PANELS / "share")
    for path in folder.rglob("*")
    if path.suffix in (".css", ".js", ".html", ".j2", ".svg", ".json")
)
NAMESPACES = {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: str(path.relative_to(PANELS)))
def test_no_address_outside_the_machine(path):
    text = path.read_text(encoding="utf-8")
    addresses = set(re.findall(r"https?://[^\s'\"<>)]+", text))
    assert addresses <= NAMESPACES
    assert not re.search(r"(?:src|href|url)\s*[=(]\s*['\"]?//", text)
    assert not re.search(r"@import", text)


def test_every_font_that_is_named_is_there_and_no_other():
    css = (PANELS / "assets" / "css" / "fonts.css").read_text()
    named = set(re.findall(r'url\("\.\./fonts/([^"]+)"\)', css))
    there = {path.name for path in (PANELS / "assets" / "fonts").glob("*.woff2")}
    assert named == there
    for name in there:
        assert (PANELS / "assets" / "fonts" / name).read_bytes()[:4] == b"wOF2"
    assert "SIL OPEN FONT LICENSE Version 1.1" in (PANELS / "assets" / "fonts" / "OFL.txt").read_text()


def test_every_colour_that_is_used_is_a_token():
    css = {path.name: path.read_text() for path in (PANELS / "assets" / "css").glob("*.css")}
    scripts = "".join(path.read_text() for path in (PANELS / "assets" / "js").glob("*.js"))
    set_by_scripts = set(re.findall(r"['\"](--lk-[\w-]+)['\"]", scripts))
    known = set_by_scripts | set(re.findall(r"(--lk-[\w-]+)\s*:", css["tokens.css"]))
    for name, text in css.items():
        defined = known | set(re.findall(r"(--lk-[\w-]+)\s*:", text))
        assert set(re.findall(r"var\((--lk-[\w-]+)", text)) <= defined, name


def test_dark_is_the_same_by_every_way_in():
    css = (PANELS / "assets" / "css" / "tokens.css").read_text()
    blocks = [
        dict(re.findall(r"(--lk-[\w-]+):\s*([^;]+);", block))
        for block in re.findall(r"\{([^{}]*color-scheme: dark;[^{}]*)\}", css)
    ]
    assert len(blocks) == 2
    assert blocks[0] == blocks[1]
