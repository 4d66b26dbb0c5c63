"""The letterhead on the page Bench: kept as a file that the sheets are made from, and refused where they could not be."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from labkit.ledger import Actor, save_bench
from labkit.ledger.demo import demo_bench
from labkit.panels.bench.page import BenchView
from labkit.problems import BadInput, Problem
from labkit.sheet.house import FILE, read_house
from labkit.workflow.bench import BenchPage
from labkit.workflow.bench_letterhead import FIELDS, fault_of, keep_letterhead, logo_now, to_toml, typed_now
from labkit.workflow.draft_page import DraftPage
from labkit.workflow.worker import Worker

SVG = b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 10 10"><circle cx="5" cy="5" r="4"/></svg>'
NASTY = """<img src=x onerror="alert('1')">"""
TYPED = {
    "language": "de",
    "form": "summary",
    "lines": 'Invented "Lab" | Tel. 0100 000\\1',
    "rule": "#005a94",
    "logo_alt": "A disc",
    "logo_mm": "25",
}


def test_what_was_typed_is_what_the_sheets_have_and_what_is_typed_again(tmp_path: Path) -> None:
    keep_letterhead(tmp_path, TYPED, ("Our Logo.SVG", SVG))
    house = read_house(tmp_path)
    assert (house.language, house.form, house.rule) == ("de", "summary", "#005a94")
    assert house.lines == ('Invented "Lab"', "Tel. 0100 000\\1")
    assert house.logo is not None and (house.logo.content, house.logo.width_mm) == (SVG, 25.0)
    again = typed_now(tmp_path)
    assert set(again) == set(FIELDS) and again["lines"] == TYPED["lines"] and again["logo_mm"] == "25.0"
    keep_letterhead(tmp_path, again)  # without a new logo the old one stays
    assert read_house(tmp_path) == house and logo_now(tmp_path) == "logo.svg"


def test_nothing_there_is_typed_as_english_and_whole(tmp_path: Path) -> None:
    assert typed_now(tmp_path) == dict.fromkeys(FIELDS, "") | {"language": "en", "form": "full"}


@pytest.mark.parametrize(
    ("change", "logo", "code", "field"),
    [
        ({"rule": "blue"}, None, "house.colour", "rule"),
        ({"logo_mm": "wide"}, None, "house.logo_width", "logo_mm"),
        ({"lines": " | ".join("abcdefgh")}, None, "house.long_lines", "lines"),
        ({"text_font": "Comic"}, None, "house.font_unknown", "text_font"),
        ({"logo_alt": ""}, ("logo.svg", SVG), "house.logo_alt", "logo_alt"),
        ({}, ("logo.svg", SVG.replace(b"<circle", b"<script/><circle")), "house.logo_active", ""),
        ({}, ("logo.exe", SVG), "house.logo_kind", ""),
    ],
)
def test_what_cannot_be_used_is_named_and_not_written(
    tmp_path: Path, change: dict[str, str], logo: Any, code: str, field: str
) -> None:
    with pytest.raises(BadInput) as problem:
        keep_letterhead(tmp_path, TYPED | change, logo)
    assert problem.value.code == code and list(fault_of(problem.value)) == ([field] if field else [])
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("text", ['"', "\\", "\t", "ü", "山", "\x07", "𝛼", "\x7f", "'''"])
def test_any_text_comes_back_from_the_file(text: str) -> None:
    assert tomllib.loads(to_toml({"a": text, "b": [text, text]})) == {"a": text, "b": [text, text]}


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LABKIT_DATA", str(tmp_path))
    save_bench(tmp_path, demo_bench())
    return tmp_path


def opened(data: Path) -> BenchView:
    view = BenchView(BenchPage(data, worker=Worker(inline=True)))
    view.open()
    return view


def test_the_page_keeps_a_letterhead_for_whoever_may_register(data: Path) -> None:
    view = opened(data)
    section = view.letterhead
    assert section.mark() == ("idle", "None yet")
    section._typed("lines", NASTY)
    section._keep()  # nobody has signed in: the door opens, and nothing is written
    assert view.door.root.layout.display == "" and not (data / FILE).exists()
    view.page._actor = Actor("R. Halloran", "engineer", proven=True)
    section._take_logo("logo.svg", SVG)
    section._typed("logo_alt", "A disc")
    section._keep()
    assert read_house(data).lines == (NASTY,) and section.mark() == ("ok", "Your own")
    assert "Kept." in section._said.value


def test_a_technician_may_not_change_it(data: Path) -> None:
    page = BenchPage(data, worker=Worker(inline=True))
    page.begin()
    page.use()
    page._actor = Actor("M. Okonjo", "technician", proven=True)
    with pytest.raises(Problem) as problem:
        page.keep_letterhead(lambda: keep_letterhead(data, TYPED))
    assert problem.value.code == "door.not_allowed" and not (data / FILE).exists()


def test_a_letterhead_that_cannot_be_used_is_said(data: Path) -> None:
    (data / FILE).write_text('language = "xx"\n', encoding="utf-8")
    section = opened(data).letterhead
    assert section.mark() == ("stop", "Cannot be used")
    assert "language in letterhead.toml is xx" in section._said.value


def test_a_page_with_a_draft_says_what_is_wrong_with_it(data: Path) -> None:
    page = DraftPage(data, lambda: "2026-11-25T09:00:00Z")
    page.look_at_house()
    assert page.house_problem is None
    (data / FILE).write_text("language = 3\n", encoding="utf-8")
    page.look_at_house()
    assert page.house_problem is not None and page.house_problem.code == "house.not_text"
