"""The report of `labkit validate` as a PDF: every value, its attachment, what does not agree, and its structure."""

from __future__ import annotations

import copy
import io
import json
import subprocess
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from labkit.sheet.validation_report import obtained_text, render_validation, validation_content
from labkit.validation import cases, run
from tests.printed import layout, on_one_line


@pytest.fixture(scope="module")
def report() -> dict[str, Any]:
    return run(["line", "nist_linear", "gum"]).to_dict()


def altered(report: dict[str, Any]) -> dict[str, Any]:
    """The same report, as if one value and one whole case had not agreed."""
    found = copy.deepcopy(report)
    for case in (found["topics"][0]["cases"][0], found["topics"][1]["cases"][0]):
        case["verdict"] = found["verdict"] = "does not agree"
    one, other = found["topics"][0]["cases"][0], found["topics"][1]["cases"][0]
    one["values"][0] |= {"obtained": 99.5, "digits": 0.0, "verdict": "does not agree"}
    other["error"] = "could not be computed: a singular matrix ∰ (LinAlgError)"
    for value in other["values"]:
        value |= {"obtained": None, "digits": None, "verdict": "does not agree"}
    return found


def test_every_value_is_in_the_text(report: dict[str, Any]) -> None:
    text = on_one_line(render_validation(report))
    counts = report["counts"]
    assert f"All {counts['values']} values of the {counts['cases']} cases that were run agree" in text
    for topic in report["topics"]:
        assert topic["covers"].split()[0] in text
        for case in topic["cases"]:
            assert case["name"] in text
            for value in case["values"]:
                printed = value["expected"].replace("-", "−")
                short = obtained_text(value["expected"], value["obtained"])
                assert f"{value['name']} {printed} {short}" in text  # more digits may follow
    assert report["files_sha256"] in text
    assert f"numpy {report['machine']['numpy']}" in text
    assert "A part of the cases: Straight lines" in text
    assert "What does not agree" not in text
    assert text.count("From memory. Source:") == counts["cases_from_memory"] > 0
    assert "Not printed. Source:" not in text


def test_what_does_not_agree_comes_first_and_in_full(report: dict[str, Any]) -> None:
    found = altered(report)
    content = validation_content(found)
    assert [section.title for section in content.sections][:3] == [
        "How it was judged",
        "Summary",
        "What does not agree",
    ]
    found["topics"][0]["cases"][1]["printed"] = False
    text = on_one_line(render_validation(found))
    assert text.count("Not printed. Source:") == 1
    first = found["topics"][0]["cases"][0]
    assert f"{first['name']} {first['values'][0]['name']}" in text
    assert "99.5" in text
    # a sign that the fonts lack does not stop the report
    assert text.count("could not be computed: a singular matrix ? (LinAlgError).") == 2


def test_the_attachment_is_the_report(report: dict[str, Any]) -> None:
    with pikepdf.open(io.BytesIO(render_validation(report))) as pdf:
        assert list(pdf.attachments) == ["validation.json"]
        assert json.loads(pdf.attachments["validation.json"].get_file().read_bytes()) == report


def test_the_same_report_gives_the_same_bytes(report: dict[str, Any]) -> None:
    assert render_validation(report) == render_validation(copy.deepcopy(report))


def test_the_structure_is_tagged_and_the_fonts_are_in_it(report: dict[str, Any], tmp_path: Path) -> None:
    content = render_validation(report)
    (tmp_path / "report.pdf").write_bytes(content)
    with pikepdf.open(io.BytesIO(content)) as pdf:
        assert pdf.Root.MarkInfo.Marked
        assert str(pdf.Root.Lang) == "en-GB"
        metadata = pdf.Root.Metadata.read_bytes().decode()
        pages = len(pdf.pages)
    assert "<pdfaid:part>3</pdfaid:part>" in metadata
    assert "<pdfuaid:part>1</pdfuaid:part>" in metadata
    assert f"Page {pages} of {pages}" in on_one_line(content)
    listed = subprocess.run(["pdffonts", str(tmp_path / "report.pdf")], capture_output=True, text=True, check=True)
    fonts = listed.stdout.splitlines()[2:]
    assert fonts
    assert all(line.split()[-5] == "yes" for line in fonts)


def test_heads_of_tables_come_again_on_the_next_page(report: dict[str, Any]) -> None:
    long = copy.deepcopy(report)
    case = long["topics"][1]["cases"][0]
    case["values"] = case["values"] * 8
    inside = [page for page in layout(render_validation(long)).split("\f") if page.count(case["values"][0]["name"]) > 1]
    assert len(inside) > 2
    assert all("Published" in page for page in inside)


@pytest.mark.parametrize(
    ("expected", "obtained", "digits", "shown"),
    [
        ("1.68", 1.68016, 4.0, "1.68016"),
        ("0.1", 0.1, 14.0, "0.10000000000000"),
        ("1.20E-5", 1.2e-5, 7.0, "1.200000E−5"),
        ("0.0029", 0.00287761, 0.0, "0.0028776"),
        ("107", 106.18, 0.0, "106.180"),
        ("-0.930", -0.93043, 0.0, "−0.930430"),
        ("7.27E-6", 7.2746e-6, 0.0, "7.27460E−6"),
        ("0.000429796848199937", 0.00042979684819993, 0.0, "0.0004297968481999300"),
        ("-2316.37108160893", -2316.371081608911, 0.0, "−2316.371081608911"),
        ("0.00000000000000", 5.6e-11, 0.0, "0.00000000005600000"),
        ("0.00000000000000", 0.0, 0.0, "0.00000000000000000"),
        ("0", 2e-13, 8.0, "0.00000000"),
        ("50", None, 0.0, "–"),
    ],
)
def test_obtained_is_shown_in_the_form_of_what_is_published(
    expected: str, obtained: float | None, digits: float, shown: str
) -> None:
    assert obtained_text(expected, obtained, digits) == shown


def test_every_source_can_be_printed() -> None:
    from labkit.sheet.typesetting import substituted

    for case in cases():
        for text in (case.source, case.note, case.description):
            assert substituted(text) == " ".join(text.split())
