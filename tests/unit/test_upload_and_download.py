"""The Python side of the file widgets: what the browser checks is checked again."""

from __future__ import annotations

from typing import Any

import pytest

from labkit.panels.download import Download
from labkit.panels.upload import Upload


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
