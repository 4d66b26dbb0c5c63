"""Letterhead, logo, fonts, language and a template of the laboratory's own; whatever is wrong with them is named."""

from __future__ import annotations

import base64
import copy
import io
import json
import struct
import zlib
from pathlib import Path
from typing import Any

import pikepdf
import pytest

import labkit
from labkit.cli import main
from labkit.paths import sample_data
from labkit.problems import BadInput
from labkit.sheet import render, verify
from labkit.sheet.house import FILE, OURS, House, example, read_house
from labkit.sheet.logo import MOST_BYTES as MOST_LOGO_BYTES
from labkit.sheet.typesetting import FONTS, TEMPLATES, check_characters
from tests.printed import on_one_line
from tests.sheets import Laboratory
from tests.verapdf import FLAVOURS, judge

SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 60 24"><circle cx="12" cy="12" r="11" fill="#005a94"/>{}</svg>'
NAMES = "山田製作所 田中 計測器"
CUT = Path(__file__).parents[1] / "golden" / "fonts" / "cjk-subset.otf"


@pytest.fixture(scope="module")
def record() -> dict[str, Any]:
    folder = sample_data() / "hinge_day"
    readings = labkit.read_readings(folder / "readings.csv", shims=labkit.read_shims(folder / "shims.csv"))
    about = labkit.read_about(sample_data() / "about.toml")
    return labkit.calibrate(readings, working_range=(0.25, 2.5), tolerance=0.01, about=about).to_dict()


def png(width: int = 40, height: int = 16) -> bytes:
    def chunk(kind: bytes, held: bytes) -> bytes:
        return struct.pack(">I", len(held)) + kind + held + struct.pack(">I", zlib.crc32(kind + held))

    rows = b"".join(b"\0" + b"\x00\x5a\x94" * width for _ in range(height))
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def folder(tmp_path: Path, letterhead: str = "", **files: bytes) -> Path:
    """A data folder; in the names of files ``__`` is a folder and ``_`` before the ending a point."""
    if letterhead:
        (tmp_path / FILE).write_text(letterhead, encoding="utf-8")
    for name, content in files.items():
        path = tmp_path.joinpath(*name.split("__"))
        path = path.with_name(".".join(path.name.rsplit("_", 1)))
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return tmp_path


def own_template(tmp_path: Path, name: str = "certificate.typ", change: Any = lambda source: source) -> House:
    for path, content in example().items():
        file = tmp_path / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content)
    changed = tmp_path / "templates" / name
    changed.write_text(change(changed.read_text(encoding="utf-8")), encoding="utf-8")
    return read_house(tmp_path)


def test_a_folder_without_anything_is_as_we_made_it(tmp_path: Path, record: dict[str, Any]) -> None:
    assert read_house(tmp_path) == OURS
    assert render(record, house=read_house(tmp_path)) == render(record)


@pytest.mark.parametrize("kind", ["svg", "png"])
@pytest.mark.parametrize("form", ["full", "summary"])
def test_letterhead_and_logo_stand_on_the_first_page(
    tmp_path: Path, record: dict[str, Any], kind: str, form: Any
) -> None:
    letterhead = (
        f'language = "de"\nform = "{form}"\nlines = ["Invented Lab", "Tel. 0100 000"]\nrule = "#005a94"\n'
        f'logo = "logo.{kind}"\nlogo_alt = "A blue disc"\n'
    )
    picture = {f"logo_{kind}": SVG.format("").encode() if kind == "svg" else png()}
    house = read_house(folder(tmp_path, letterhead, **picture))
    assert (house.language, house.form, house.lines) == ("de", form, ("Invented Lab", "Tel. 0100 000"))
    made = render(record, number="0119", signed=True, form=house.form, house=house)
    text = on_one_line(made)
    assert "Invented Lab" in text and "Tel. 0100 000" in text
    assert made == render(record, number="0119", signed=True, form=house.form, house=house)
    with pikepdf.open(io.BytesIO(made)) as pdf:
        assert pdf.open_metadata()["pdfuaid:part"] == "1"
        assert "A blue disc" in _alternatives(pdf)


def _alternatives(pdf: pikepdf.Pdf) -> set[str]:
    return {str(each["/Alt"]) for each in pdf.objects if isinstance(each, pikepdf.Dictionary) and "/Alt" in each}


LOGO = 'logo = "logo.svg"\nlogo_alt = "A disc"\n'

FAULTS: dict[str, tuple[str, str, str]] = {
    "not TOML": ("lines = [", "house.not_toml", "letterhead.toml"),
    "an unknown key": ('telephone = "1"', "house.unknown_key", "telephone"),
    "a key like another": ('langage = "de"', "house.like_key", "language"),
    "a language that is not there": ('language = "fr"', "house.one_of", "en, de, uk"),
    "a form that is not there": ('form = "half"', "house.one_of", "full, summary"),
    "a number for text": ("language = 3", "house.not_text", "language"),
    "lines that are none": ('lines = "one"', "house.not_lines", "lines"),
    "too many lines": ("lines = [" + '"x",' * 7 + "]", "house.long_lines", "6 lines"),
    "a colour in words": ('rule = "blue"', "house.colour", "#005a94"),
    "a font that is not there": ('text_font = "Comic"', "house.font_unknown", "text_font"),
    "a logo without words": ('logo = "logo.svg"', "house.logo_alt", "logo_alt"),
    "a logo that is not there": (LOGO, "house.logo_missing", "logo.svg"),
    "a logo elsewhere": ('logo = "../logo.svg"\nlogo_alt = "x"', "house.logo_place", "data folder"),
    "a logo too wide": (LOGO + "logo_mm = 300", "house.logo_width", "logo_mm"),
}


@pytest.mark.parametrize("what", FAULTS)
def test_a_fault_in_the_letterhead_names_its_key(tmp_path: Path, what: str) -> None:
    source, code, named = FAULTS[what]
    with pytest.raises(BadInput) as problem:
        read_house(folder(tmp_path, source))
    assert problem.value.code == code and named in str(problem.value)


ACTIVE = {
    "a script": "<script>alert(1)</script>",
    "a handler": '<rect onload="x()"/>',
    "a link": '<a href="https://example.org"><rect/></a>',
    "a picture elsewhere": '<image href="file:///etc/passwd"/>',
    "a use elsewhere": '<use xmlns:x="http://www.w3.org/1999/xlink" x:href="other.svg#a"/>',
    "a style elsewhere": '<rect style="fill:url(http://example.org/a)"/>',
    "an import": "<style>@import 'http://example.org/a.css';</style>",
    "foreign content": "<foreignObject><p/></foreignObject>",
    "an animation": '<rect><animate attributeName="x"/></rect>',
    "a picture within that is SVG": '<image href="data:image/svg+xml;base64,AAAA"/>',
}


@pytest.mark.parametrize("what", ACTIVE)
def test_a_logo_that_does_something_is_refused(tmp_path: Path, what: str) -> None:
    with pytest.raises(BadInput) as problem:
        read_house(folder(tmp_path, LOGO, logo_svg=SVG.format(ACTIVE[what]).encode()))
    assert problem.value.code == "house.logo_active" and "plain SVG" in str(problem.value)


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"<!DOCTYPE svg [<!ENTITY a 'b'>]>" + SVG.format("").encode(), "house.logo_active"),
        (SVG.format("<text>Lab</text>").encode(), "house.logo_text"),
        (b"<svg", "house.logo_broken"),
        (b"<html/>", "house.logo_broken"),
        (SVG.format(" " * MOST_LOGO_BYTES).encode(), "house.logo_large"),
    ],
)
def test_an_svg_that_is_no_logo_is_refused(tmp_path: Path, content: bytes, code: str) -> None:
    with pytest.raises(BadInput) as problem:
        read_house(folder(tmp_path, LOGO, logo_svg=content))
    assert problem.value.code == code


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"no picture", "house.logo_broken"),
        (png()[:60], "house.logo_broken"),
        (png()[:16] + struct.pack(">II", 60_000, 60_000) + png()[24:], "house.logo_"),
    ],
)
def test_a_png_that_is_no_logo_is_refused(tmp_path: Path, content: bytes, code: str) -> None:
    with pytest.raises(BadInput) as problem:
        read_house(folder(tmp_path, LOGO.replace("svg", "png"), logo_png=content))
    assert problem.value.code.startswith(code)


def test_a_picture_within_a_logo_may_be_a_png(tmp_path: Path, record: dict[str, Any]) -> None:
    held = base64.b64encode(png()).decode()
    inside = f'<image width="20" height="10" href="data:image/png;base64,{held}"/>'
    house = read_house(folder(tmp_path, LOGO, logo_svg=SVG.format(inside).encode()))
    assert render(record, house=house)


def in_japanese(record: dict[str, Any]) -> dict[str, Any]:
    found = copy.deepcopy(record)
    found["inputs"]["about"]["customer"]["name"] = NAMES
    found["inputs"]["about"]["conditions"]["own_lines"] = []
    return found


def test_without_a_font_for_them_characters_are_named_before_anything_is_made(record: dict[str, Any]) -> None:
    with pytest.raises(BadInput) as problem:
        render(in_japanese(record))
    assert (problem.value.code, problem.value.params["character"]) == ("sheet.character", "山")


def test_names_in_japanese_print_and_embed_with_a_font_of_ones_own(tmp_path: Path, record: dict[str, Any]) -> None:
    house = read_house(folder(tmp_path, fonts__cut_otf=CUT.read_bytes()))
    assert house.fonts.families == ("Labkit Cut CJK",)
    pdf = render(in_japanese(record), number="0119", signed=True, house=house)
    assert "山田製作所" in on_one_line(pdf)
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        fonts = [each for each in opened.objects if isinstance(each, pikepdf.Dictionary) and "/FontName" in each]
        mine = [each for each in fonts if "LabkitCutCJK" in str(each["/FontName"])]
        assert mine and all("/FontFile3" in each or "/FontFile2" in each for each in mine)
        assert opened.open_metadata()["pdfaid:part"] == "3"
    with pytest.raises(BadInput) as problem:
        check_characters([("the customer", "山鬱")], house.fonts)
    assert problem.value.params["character"] == "鬱"


def test_a_font_of_ones_own_can_be_that_of_the_text(tmp_path: Path, record: dict[str, Any]) -> None:
    """Renamed from one of ours, so that it has every character."""
    from fontTools.ttLib import TTFont

    font = TTFont(FONTS / "SourceSans3-It.ttf")
    for name_id in (1, 16):
        font["name"].setName("House Sans", name_id, 3, 1, 0x409)
    for name_id, name in ((2, "Regular"), (4, "House Sans"), (6, "HouseSans"), (17, "Regular")):
        font["name"].setName(name, name_id, 3, 1, 0x409)
    out = io.BytesIO()
    font.save(out)
    letterhead = 'text_font = "House Sans"\nheading_font = "House Sans"\n'
    house = read_house(folder(tmp_path, letterhead, fonts__house_ttf=out.getvalue()))
    with pikepdf.open(io.BytesIO(render(record, house=house))) as opened:
        fonts = [each for each in opened.objects if isinstance(each, pikepdf.Dictionary) and "/FontName" in each]
        assert any("HouseSans" in str(each["/FontName"]) for each in fonts)


def test_a_font_that_is_none_or_may_not_be_embedded_is_refused(tmp_path: Path) -> None:
    from fontTools.ttLib import TTFont

    with pytest.raises(BadInput) as problem:
        read_house(folder(tmp_path, fonts__a_ttf=b"no font"))
    assert problem.value.code == "house.font_broken" and "a.ttf" in str(problem.value)
    font = TTFont(FONTS / "SourceSans3-It.ttf")
    font["OS/2"].fsType = 2
    font.save(tmp_path / "fonts" / "a.ttf")
    with pytest.raises(BadInput) as problem:
        read_house(tmp_path)
    assert problem.value.code == "house.font_closed"


def test_an_own_template_takes_the_place_of_ours_and_its_digest_is_printed(
    tmp_path: Path, record: dict[str, Any]
) -> None:
    same = own_template(tmp_path)
    other = own_template(tmp_path, change=lambda source: source + "\nOur own closing words.\n")
    assert same.template is not None and other.template is not None
    assert same.template.sha256 != other.template.sha256
    pdf = render(record, number="0119", signed=True, house=other)
    text = on_one_line(pdf)
    assert "Our own closing words." in text
    assert f"own template {other.template.sha256[:16]}" in text
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert json.loads(opened.attachments["calibration.json"].get_file().read_bytes()) == record


def test_a_template_that_fails_says_file_line_and_column(tmp_path: Path, record: dict[str, Any]) -> None:
    house = own_template(tmp_path, "look.typ", lambda source: "#let broken = nowhere\n" + source)
    with pytest.raises(BadInput) as problem:
        render(record, house=house)
    assert problem.value.code == "house.template_fails"
    assert "look.typ, line 1, column" in str(problem.value) and "nowhere" in str(problem.value)


@pytest.mark.parametrize("path", ["/etc/passwd", "../../../../../../etc/passwd", "/../letterhead.toml"])
def test_a_template_reads_nothing_outside_of_its_folder(tmp_path: Path, record: dict[str, Any], path: str) -> None:
    house = own_template(tmp_path, change=lambda source: source + f'\n#read("{path}")\n')
    with pytest.raises(BadInput) as problem:
        render(record, house=house)
    assert problem.value.code == "house.template_fails"
    assert "root:" not in str(problem.value)


def test_a_template_reads_what_lies_beside_it(tmp_path: Path, record: dict[str, Any]) -> None:
    (tmp_path / "templates").mkdir()
    (tmp_path / "templates" / "words.txt").write_text("Beside it.", encoding="utf-8")
    house = own_template(tmp_path, change=lambda source: source + '\n#read("words.txt")\n')
    assert "Beside it." in on_one_line(render(record, house=house))


@pytest.mark.parametrize(
    "line",
    [
        '#import "@preview/cetz:0.3.0"',
        '#import\n"@local/x:1.0.0"',
        '#import /* a */ "@preview/x:1.0.0"',
        '#import "\\u{40}preview/x:1.0.0"',
        '#let p = "@preview/x:1.0.0"\n#import p: *',
        '#include("@preview/x:1.0.0")',
        '#eval("1 + 1")',
    ],
)
def test_a_template_fetches_no_package(tmp_path: Path, line: str) -> None:
    with pytest.raises(BadInput) as problem:
        own_template(tmp_path, change=lambda source: f"{source}\n{line}\n")
    assert problem.value.code == "house.template_brings" and "certificate.typ, line" in str(problem.value)


def test_a_template_that_leads_elsewhere_or_has_no_main_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "templates").mkdir()
    with pytest.raises(BadInput) as problem:
        read_house(tmp_path)
    assert problem.value.code == "house.template_main" and "--example" in str(problem.value)
    own_template(tmp_path)
    (tmp_path / "templates" / "secret.txt").symlink_to("/etc/passwd")
    with pytest.raises(BadInput) as problem:
        read_house(tmp_path)
    assert problem.value.code == "house.template_link"


def test_a_template_without_the_data_makes_nothing(tmp_path: Path, record: dict[str, Any]) -> None:
    house = own_template(tmp_path, change=lambda source: source.replace("#attach(sheet.attached, sys.inputs)", ""))
    with pytest.raises(BadInput) as problem:
        render(record, house=house)
    assert problem.value.code == "house.template_data" and "calibration.json" in str(problem.value)


def test_the_example_is_ours_and_is_read_as_it_stands(tmp_path: Path, record: dict[str, Any], capsys: Any) -> None:
    assert main(["letterhead", "--example", str(tmp_path / "new")]) == 0
    for name in ("certificate.typ", "look.typ"):
        assert (tmp_path / "new" / "templates" / name).read_bytes() == (TEMPLATES / name).read_bytes()
    house = read_house(tmp_path / "new")
    assert house.lines[0] == "Your laboratory"
    assert render(record, house=house)
    assert main(["letterhead", "--example", str(tmp_path / "new")]) == 2
    assert "nothing was written" in capsys.readouterr().err
    assert main(["letterhead", "--data", str(tmp_path / "new")]) == 0
    assert house.template is not None and house.template.sha256 in capsys.readouterr().out


def test_the_command_makes_the_sheet_in_the_house_of_the_data_folder(tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    folder(data, 'language = "de"\nlines = ["Invented Lab"]\n')
    hinge = sample_data() / "hinge_day"
    sheet, record = tmp_path / "sheet.pdf", tmp_path / "record.json"
    files = [str(hinge / "readings.csv"), "--shims", str(hinge / "shims.csv")]
    assert main(["calibrate", *files, "--sheet", str(sheet), "--json", str(record), "--data", str(data)]) == 0
    text = on_one_line(sheet.read_bytes())
    assert "Invented Lab" in text and "Kalibrierblatt" in text
    assert json.loads(record.read_text(encoding="utf-8"))["inputs"]["about"]["language"] == "de"


def test_a_sheet_with_all_of_it_is_an_archive_and_accessible(
    tmp_path: Path, record: dict[str, Any], laboratory: Laboratory
) -> None:
    """Own template, letterhead, logos of both kinds, a font for Japanese names, German: signed."""
    letterhead = 'language = "de"\nlines = ["山田製作所"]\nrule = "#005a94"\nlogo_alt = "A disc"\n'
    own_template(tmp_path)
    data = folder(tmp_path, fonts__cut_otf=CUT.read_bytes(), logo_svg=SVG.format("").encode(), logo_png=png())
    made = in_japanese(record)
    made["inputs"]["about"]["language"] = "de"
    signed = {}
    for kind in ("svg", "png"):
        house = read_house(folder(data, f'{letterhead}logo = "logo.{kind}"\n'))
        signed[kind] = laboratory.sign(render(made, number="0119", signed=True, house=house))
    judged = judge(signed, tmp_path)
    assert len(judged) == 2 * len(FLAVOURS)
    assert [f"{kind}: {found.broken}" for kind, found in judged.items() if not found.passes] == []


def test_an_own_template_makes_a_genuine_sheet(tmp_path: Path, record: dict[str, Any], laboratory: Laboratory) -> None:
    house = own_template(tmp_path / "one", change=lambda source: source + "\nOur own closing words.\n")
    signed = laboratory.sign(render(record, number="0119", signed=True, house=house))
    assert verify(signed, laboratory.trust).verdict == "genuine"
    hidden = own_template(
        tmp_path / "other", change=lambda source: source.replace("#sections(sheet.sections,", "#sections((),")
    )
    without = laboratory.sign(render(record, number="0119", signed=True, house=hidden))
    assert verify(without, laboratory.trust).verdict != "genuine"
