"""Sheets in every language: catalogues whole and in step, no English left, numbers and dates as the language has them."""

from __future__ import annotations

import copy
import io
import re
import string
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime
from typing import Any

import pikepdf
import pytest

import labkit
from labkit import format as text_of
from labkit.language import LANGUAGES, day_in_words, in_figures, language_of, moment_in_words, say, say_count, speaking
from labkit.paths import sample_data
from labkit.problems import BadFile, Caution, Where
from labkit.sentences import SENTENCES
from labkit.sheet import render
from labkit.sheet.check_content import check_content
from labkit.sheet.content import content
from labkit.sheet.picture import picture
from labkit.sheet.printed import in_pages, pages_text
from tests.catalogues import catalogue, codes, placeholders, texts
from tests.printed import on_one_line
from tests.sheets import Laboratory
from tests.unit.test_check_sheet import checked

OTHERS = [code for code in LANGUAGES if code != "en"]
SAMPLES = ("hinge_day", "raw_ball", "mislabelled", "indication_disc_inch", "ends_only")


def record_of(name: str) -> dict[str, Any]:
    folder = sample_data() / name
    readings = labkit.read_readings(next(folder.glob("readings.*")), shims=labkit.read_shims(folder / "shims.csv"))
    about = labkit.read_about(sample_data() / "about.toml") if name == "hinge_day" else None
    made = labkit.calibrate(readings, tolerance=0.01, about=about, process=(0.0, 0.002))
    if name == "hinge_day":
        made.monte_carlo()
    return made.to_dict()


@pytest.fixture(scope="module")
def records() -> dict[str, dict[str, Any]]:
    return {**{name: record_of(name) for name in SAMPLES}, "check": checked().to_dict()}


def in_language(record: dict[str, Any], code: str) -> dict[str, Any]:
    found = copy.deepcopy(record)
    found["inputs"]["about"]["language"] = code
    return found


def said(record: dict[str, Any], **more: Any) -> str:
    """Every word of a sheet."""
    make = check_content if record["schema"].startswith("labkit.check/") else content
    return "\n".join(_texts(make(record, **more).to_dict()))


def _texts(found: Any) -> Iterator[str]:
    if isinstance(found, str):
        yield found
    elif isinstance(found, dict):
        for each in found.values():
            yield from _texts(each)
    elif isinstance(found, list | tuple):
        for each in found:
            yield from _texts(each)


@pytest.mark.parametrize("code", OTHERS)
def test_every_text_and_sentence_of_a_sheet_is_translated(code: str) -> None:
    known = {message.id: message for message in catalogue(code) if message.id}
    wanted, reach = texts(), codes()
    assert [f"{where}: {text}" for text, where in wanted.items() if text not in known] == []
    assert sorted(each for each in reach if each not in known) == []
    assert sorted(str(each) for each in known if each not in wanted and each not in reach) == []  # nothing left over
    for message in known.values():
        forms = message.string if isinstance(message.string, tuple) else (message.string,)
        assert all(form.strip() for form in forms), message.id
        assert not message.fuzzy, message.id


@pytest.mark.parametrize("code", OTHERS)
def test_a_translation_names_what_its_original_names(code: str) -> None:
    for message in catalogue(code):
        if not message.id:
            continue
        forms = message.string if isinstance(message.string, tuple) else (message.string,)
        original = message.id[1] if isinstance(message.id, tuple) else SENTENCES.get(message.id, message.id)
        for form in forms:
            assert placeholders(form) == placeholders(original), message.id


@pytest.mark.parametrize("code", OTHERS)
def test_the_english_above_a_sentence_is_that_of_today(code: str) -> None:
    """Who changes a sentence looks at its translations."""
    for message in catalogue(code):
        if isinstance(message.id, str) and message.id in SENTENCES:
            assert " ".join(message.auto_comments) == " ".join(SENTENCES[message.id].split()), message.id


@pytest.mark.parametrize("code", OTHERS)
def test_plural_forms_are_those_of_the_language(code: str) -> None:
    found = catalogue(code)
    assert found.num_plurals == {"de": 2, "uk": 3}[code]
    pairs = [message for message in found if isinstance(message.id, tuple)]
    assert pairs and all(len(message.string) == found.num_plurals for message in pairs)


@pytest.mark.parametrize(
    ("code", "count", "expected"),
    [("en", 1, "1 point"), ("de", 1, "1 Punkt"), ("de", 2, "2 Punkte")]
    + [
        ("uk", n, f"{n} {form}") for n, form in ((1, "точка"), (3, "точки"), (5, "точок"), (12, "точок"), (22, "точки"))
    ],
)
def test_a_count_takes_its_form(code: str, count: int, expected: str) -> None:
    with speaking(code):
        assert say_count("{count} point", "{count} points", count) == expected


@pytest.mark.parametrize("code", OTHERS)
@pytest.mark.parametrize("name", [*SAMPLES, "check"])
def test_no_english_is_left_on_a_sheet(records: dict[str, dict[str, Any]], name: str, code: str) -> None:
    english = {
        part for text in texts() for each in ([text] if isinstance(text, str) else text) for part in _parts(each)
    }
    english |= {part for each in codes() for part in _parts(SENTENCES[each])}
    for signed in (False, True):
        there, here = (
            said(each, number="0119", ledger_head=(7, "ab" * 32), signed=signed)
            for each in (records[name], in_language(records[name], code))
        )
        used = [part for part in english if part in there]
        assert len(used) > 15
        assert [part for part in used if part in here] == []


def _parts(template: str) -> list[str]:
    """What stands between the names of a template, as far as it has more than two words."""
    parts = (part for part, _, _, _ in string.Formatter().parse(template))
    return [part for part in parts if len(re.findall(r"[A-Za-z]{2,}", part)) > 2]


@pytest.mark.parametrize("code", OTHERS)
def test_numbers_have_the_decimal_sign_and_the_record_keeps_its_own(
    records: dict[str, dict[str, Any]], code: str
) -> None:
    record = in_language(records["hinge_day"], code)
    before = copy.deepcopy(record)
    here = said(record)
    assert record == before
    for row in record["printed"]["table"]:
        for printed in row.values():
            assert "." in printed and in_figures(printed, code) == printed.replace(".", ",")
            assert in_figures(printed, code) in here
    for check in record["printed"]["checks"]:
        assert in_figures(check["deviation"], code) in here
    for table in (block for section in content(record).sections for block in section.blocks if block.kind == "table"):
        for row in table.rows:
            for cell in (cell for column, cell in zip(table.columns, row, strict=True) if column.right):
                assert not re.search(r"\d\.\d", "".join(run.text for run in cell))


def test_what_was_typed_stays_as_it_was_typed(records: dict[str, dict[str, Any]]) -> None:
    record = in_language(records["hinge_day"], "de")
    here = said(record)
    for row in record["inputs"]["readings"]["rows"]:
        assert row["typed"] in here
    assert "ball 1.5 mm" in here


@pytest.mark.parametrize(
    ("code", "day", "moment"),
    [
        ("en", "4 Mar 2027", "4 Mar 2027, 07:05"),
        ("de", "04.03.2027", "04.03.2027, 07:05"),
        ("uk", "04.03.2027", "04.03.2027, 07:05"),
    ],
)
def test_days_are_written_as_the_language_has_them(code: str, day: str, moment: str) -> None:
    with speaking(code):
        assert (day_in_words(date(2027, 3, 4)), moment_in_words(datetime(2027, 3, 4, 7, 5))) == (day, moment)


def test_figures_alone_change() -> None:
    assert in_figures("−1.25 µm", "de") == "−1,25 µm"
    assert in_figures("−1.25 µm", "en") == "−1.25 µm"
    assert in_figures("labkit.", "de") == "labkit."
    with speaking("de"):
        assert text_of.number(0.5, 1) == "0,5" and text_of.number(0.5, 1, decimal_sign=".") == "0.5"
        assert (text_of.probability(0.99999), text_of.percent(0.9999)) == ("> 99,9 %", "> 99,9 %")
        assert text_of.significant(1.25e-9, 3) == "1,25·10^−9"
    assert text_of.number(0.5, 1) == "0.5"


def test_a_finding_says_its_place_in_the_language() -> None:
    caution = Caution("shims.two_uncertainties", {}, Where("shims.csv", row=3, column="U"))
    assert str(caution) == "shims.csv, row 3, column U: U was used, not the tolerance."
    with speaking("de"):
        assert str(caution) == "shims.csv, Zeile 3, Spalte U: Verwendet wurde U, nicht die Toleranz."


def test_sheets_in_several_languages_are_made_at_once(records: dict[str, dict[str, Any]]) -> None:
    wanted = {code: said(in_language(records["hinge_day"], code)) for code in LANGUAGES}
    assert len(set(wanted.values())) == len(LANGUAGES)
    asked = [code for _ in range(4) for code in LANGUAGES]
    with ThreadPoolExecutor(6) as pool:
        made = list(pool.map(lambda code: said(in_language(records["hinge_day"], code)), asked))
    assert made == [wanted[code] for code in asked]
    assert say("Laboratory") == "Laboratory"


def test_a_fault_in_the_middle_leaves_no_language_behind() -> None:
    with pytest.raises(ZeroDivisionError), speaking("de"):
        raise ZeroDivisionError
    assert say("Laboratory") == "Laboratory"


@pytest.mark.parametrize("code", LANGUAGES)
@pytest.mark.parametrize("name", ["hinge_day", "check"])
def test_the_pdf_says_its_language_and_its_words(records: dict[str, dict[str, Any]], name: str, code: str) -> None:
    pdf = render(in_language(records[name], code), number="0119", signed=True)
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        assert str(opened.Root.Lang).split("-")[0] == code
    text = on_one_line(pdf)
    page = {"en": "Page 1 of ", "de": "Seite 1 von ", "uk": "Сторінка 1 з "}[code]
    certificate = {"en": "Calibration certificate 0119", "de": "Kalibrierschein 0119"}
    assert page in text
    if name == "hinge_day" and code in certificate:
        assert certificate[code] in text
    assert picture(pdf, 1)[1] >= 1


def test_the_language_is_among_the_particulars() -> None:
    found = labkit.read_about('[laboratory]\nlanguage = "uk"\n')
    assert found.language == "uk" and labkit.About.from_dict(found.to_dict()) == found
    with pytest.raises(BadFile) as problem:
        labkit.read_about('[laboratory]\nlanguage = "xx"\n')
    assert problem.value.code == "about.language" and "en, de, uk" in str(problem.value)


def test_a_record_without_a_language_is_english() -> None:
    assert language_of({"inputs": {"about": {}}}) == "en"
    assert language_of({"schema": "labkit.calibration/1"}) == "en"


@pytest.fixture(scope="module")
def decided() -> list[dict[str, Any]]:
    """Records with every outcome among them."""
    folder = sample_data() / "hinge_day"
    readings = labkit.read_readings(folder / "readings.csv", shims=labkit.read_shims(folder / "shims.csv"))
    made = [
        labkit.calibrate(readings, "polynomial-3", (0.25, 2.5), tolerance, reason="for the test").to_dict()
        for tolerance in ((-0.0002, 0.0001), (0.003, 0.004), 0.01)
    ]
    outcomes = {check["decision"] for record in made for check in record["printed"]["checks"]}
    assert outcomes == {"pass", "conditional pass", "conditional fail", "fail"}
    return made


@pytest.mark.parametrize("code", OTHERS)
@pytest.mark.parametrize("form", ["full", "summary"])
def test_verifying_finds_every_number_and_decision_in_the_pages(
    decided: list[dict[str, Any]], code: str, form: Any
) -> None:
    """The longest outcomes too: a word that is hyphenated within a decision would not be found."""
    for record in (in_language(each, code) for each in decided):
        found = in_pages(record, pages_text(render(record, number="0119", signed=True, form=form)))
        assert found.whole, found


def test_a_signature_speaks_the_language_of_its_sheet(
    records: dict[str, dict[str, Any]], laboratory: Laboratory
) -> None:
    signed = laboratory.sign(render(in_language(records["check"], "de"), number="0094-09", signed=True))
    assert "Elektronisch signiert" in on_one_line(signed)
    with pikepdf.open(io.BytesIO(signed)) as opened:
        assert [str(field.TU) for field in opened.Root.AcroForm.Fields] == ["Signatur von M. Okonjo"]
    english = laboratory.sign(render(records["check"], number="0094-09", signed=True))
    assert "Signed electronically" in on_one_line(english)
