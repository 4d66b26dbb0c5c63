"""The Python side of the file widgets: what the browser checks is checked again."""

from __future__ import annotations

from typing import Any

import pytest

from labkit.panels.download import Download, LongDownload
from labkit.panels.upload import Upload
from labkit.problems import BadInput
from tests.calibrate_pages import Later


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    messages: list[dict[str, Any]] = []
    for widget in (Upload, Download):
        monkeypatch.setattr(widget, "send", lambda self, content, buffers=None: messages.append(content))
    return messages


@pytest.mark.parametrize(
    ("name", "size", "text"),
    [
        ("large.csv", 1_000_001, "This file has 2 MB; the limit is 1 MB."),
        ("page.html", 3, "page.html is not a CSV, TSV, TXT or XLSX file."),
    ],
)
def test_an_upload_that_no_browser_of_ours_would_send(
    sent: list[dict[str, Any]], name: str, size: int, text: str
) -> None:
    taken: list[str] = []
    upload = Upload(lambda text: None, lambda name, data: taken.append(name), limit_mb=1)
    upload._handle_custom_msg({"type": "file", "name": name, "send": 1}, [memoryview(bytes(size))])
    assert taken == []
    assert [(message["state"], message["text"]) for message in sent] == [("stop", text)]


def test_a_download_that_is_off_is_not_built(sent: list[dict[str, Any]]) -> None:
    built: list[int] = []
    download = Download(lambda: built.append(1) or b"", "sheet.pdf", enabled=False)
    download._handle_custom_msg({"type": "build", "press": 1}, [])
    assert (built, sent) == ([], [])


def test_the_builder_may_name_the_file(sent: list[dict[str, Any]]) -> None:
    def build() -> bytes:
        download.file_name = "0119.pdf"
        return b"%PDF"

    download = Download(build, "sheet.pdf")
    download._handle_custom_msg({"type": "build", "press": 4}, [])
    assert sent == [{"press": 4, "type": "file", "name": "0119.pdf", "kind": "application/pdf"}]


def test_a_long_download_is_made_beside_the_page_and_answers_when_it_is_done(sent: list[dict[str, Any]]) -> None:
    later = Later()
    download = LongDownload(lambda: lambda: ("two.zip", b"PK"), "records.zip", "Download", later)
    download._handle_custom_msg({"type": "build", "press": 2}, [])
    assert sent == [] and len(later.asked) == 1
    later.catch_up()
    assert sent == [{"press": 2, "type": "file", "name": "two.zip", "kind": "application/zip"}]


def test_what_a_long_download_cannot_do_is_said_and_a_fault_is_named(sent: list[dict[str, Any]]) -> None:
    def none_chosen() -> tuple[str, bytes]:
        raise BadInput("records.none_chosen")

    def broken() -> tuple[str, bytes]:
        raise RuntimeError

    for job in (none_chosen, broken):
        later = Later()
        LongDownload(lambda job=job: job, "x.zip", "Download", later)._handle_custom_msg({"type": "build"}, [])
        later.catch_up()
    assert [message["type"] for message in sent] == ["refused", "refused"]
    assert sent[0]["text"] == "Tick a record first, or open one." and "fault" in sent[1]["text"]
