"""Which form a certificate has, and what is printed for the bench: on the pages and from the command."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from labkit import ledger
from labkit.cli import main
from labkit.commands.demo import prepare_demo
from labkit.panels.calibrate.section_sheet import SheetSection
from labkit.paths import sample_data
from labkit.problems import BadInput
from labkit.sheet import verify
from labkit.sheet.verify import trusted_here
from labkit.workflow import record_files
from tests.calibrate_pages import finished_state, new_page
from tests.printed import text_of


def direct(act: Callable[..., None], **_more: Any) -> Callable[..., None]:
    """A guard that lets problems through."""
    return act


def pages(pdf: bytes) -> int:
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        return len(opened.pages)


# ---- the command ----


@pytest.fixture
def command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    monkeypatch.setenv("LABKIT_PASSPHRASE", "pw")
    folder = sample_data() / "hinge_day"
    found = ["calibrate", str(folder / "readings.csv"), "--shims", str(folder / "shims.csv")]
    return [*found, "--about", str(sample_data() / "about.toml"), "--data", str(tmp_path / "data")]


def test_a_summary_with_label_and_card_comes_from_one_command(command: list[str], tmp_path: Path) -> None:
    identity = tmp_path / "me.p12"
    assert main(["identity", "M. Okonjo", "--out", str(identity)]) == 0
    files = {name: tmp_path / f"{name}.pdf" for name in ("sheet", "label", "card")}
    outputs = [part for name, path in files.items() for part in (f"--{name}", str(path))]
    assert main([*command, "--sign", str(identity), "--form", "summary", *outputs]) == 0
    sheet, label, card = (files[name].read_bytes() for name in ("sheet", "label", "card"))
    found = verify(sheet, [tmp_path / "authority.pem"])
    assert found.verdict == "genuine" and pages(sheet) == 1
    assert f"Certificate {found.number}" in text_of(label)
    assert f"Certificate {found.number}" in text_of(card)


@pytest.mark.parametrize("name", ["--label", "--card"])
def test_a_label_without_a_certificate_is_refused(
    name: str, command: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*command, "--sheet", str(tmp_path / "s.pdf"), name, str(tmp_path / "x.pdf")]) == 2
    assert "they need --sign" in capsys.readouterr().err
    assert not (tmp_path / "x.pdf").exists() and not (tmp_path / "s.pdf").exists()


def test_a_draft_has_both_forms(command: list[str], tmp_path: Path) -> None:
    counts = []
    for form in ("summary", "full"):
        assert main([*command, "--sheet", str(tmp_path / "s.pdf"), "--form", form]) == 0
        counts.append(pages((tmp_path / "s.pdf").read_bytes()))
    assert counts[0] == 1 < counts[1]


# ---- the pages ----


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    data = tmp_path_factory.mktemp("forms")
    prepare_demo(data)
    return data


def test_the_form_that_is_chosen_is_shown_and_signed(demo: Path) -> None:
    page = new_page(demo, finished_state() | {"id": ledger.new_id()})
    section = SheetSection(page, direct)
    section.show()
    assert section._label.layout.display == section._card.layout.display == "none"  # nothing leads anywhere yet
    section._draw(None)
    assert section._preview.value.count("<img") > 1
    section._form.value = "summary"
    assert section._preview.value.count("<img") == 1
    assert pages(section._unsigned()) == 1
    section._finish("demo")
    section.show()
    assert section._form.disabled and section._label.layout.display == ""
    pdf = page.signed_pdf()
    assert pages(pdf) == 1 and verify(pdf, trusted_here(demo)).verdict == "genuine"
    assert f"Certificate {page.number}" in text_of(section._gauge_label())
    assert f"Certificate {page.number}" in text_of(section._correction_card())


def test_the_records_page_prints_label_and_card(demo: Path) -> None:
    page = new_page(demo, finished_state() | {"id": ledger.new_id()})
    SheetSection(page, direct)._finish("demo")
    entry = ledger.find(demo, page.number)
    assert f"Certificate {entry.number}" in text_of(record_files.gauge_label(demo, entry))
    assert f"Certificate {entry.number}" in text_of(record_files.correction_card(demo, entry))
    with pytest.raises(BadInput) as caught:
        record_files.gauge_label(demo, replace(entry, kind="check"))
    assert caught.value.code == "records.no_label"


def test_what_waits_for_its_second_signature_has_no_label(demo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = new_page(demo, finished_state() | {"id": ledger.new_id()})
    SheetSection(page, direct)._finish("demo")
    entry = ledger.find(demo, page.number)
    monkeypatch.setattr(record_files, "standings", lambda _data, ids: {ids[0]: record_files.Standing(waits=True)})
    for make in (record_files.gauge_label, record_files.correction_card):
        with pytest.raises(BadInput) as caught:
            make(demo, entry)
        assert caught.value.code == "records.label_waits"


def test_the_adjustment_that_was_typed_is_on_the_sheet(demo: Path) -> None:
    page = new_page(demo, finished_state() | {"id": ledger.new_id()})
    page.set_field("adjusted", "the zero was set anew")
    assert page.record()["inputs"]["about"]["statements"]["adjusted"] == "the zero was set anew"
