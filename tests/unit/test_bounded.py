"""A stranger's PDF takes neither all the memory nor all the time there is."""

from __future__ import annotations

import io
import subprocess
import sys
import time
import zlib

import pikepdf
import pytest

from labkit.problems import BadInput
from labkit.sheet.apart import MEMORY_MB, verify_apart
from labkit.sheet.bounded import LARGEST_MB, UNPACKED_MB, bounded
from labkit.sheet.printed import MOST_PAGES, pages_text
from labkit.sheet.verify import verify
from tests.sheets import Laboratory


def with_stream(packed: bytes, dictionary: str = "/Filter /FlateDecode") -> bytes:
    """A PDF with one stream more; broken elsewhere, as a reader would find out later."""
    return b"%PDF-1.7\n1 0 obj\n<< " + dictionary.encode() + b" >>\nstream\n" + packed + b"\nendstream\nendobj\n%%EOF\n"


def bomb(megabytes: int) -> bytes:
    packer = zlib.compressobj(9)
    return b"".join([*(packer.compress(bytes(1_000_000)) for _ in range(megabytes)), packer.flush()])


def test_a_sheet_is_well_within(laboratory: Laboratory) -> None:
    bounded(laboratory.signed)


def test_a_small_file_that_unpacks_to_much_is_not_read() -> None:
    pdf = with_stream(bomb(UNPACKED_MB + 10))
    assert len(pdf) < 200_000
    began = time.perf_counter()
    with pytest.raises(BadInput) as caught:
        verify(pdf, [])
    assert caught.value.code == "verify.large" and time.perf_counter() - began < 30


def test_many_streams_are_counted_together() -> None:
    one = with_stream(bomb(UNPACKED_MB // 4))
    bounded(one * 3)
    with pytest.raises(BadInput):
        bounded(one * 5)


@pytest.mark.parametrize(
    "dictionary",
    [
        "/Filter [/FlateDecode /FlateDecode]",
        "/Filter [ /Fl /Fl ]",
        "/Filter /LZWDecode",
        "/Filter [/ASCIIHexDecode /FlateDecode]",
        "/Filter /RunLengthDecode",
        "/Filter /F#6cateDecode",
        "/F#69lter /FlateDecode",
    ],
)
def test_what_is_packed_as_no_sheet_is_is_not_read(dictionary: str) -> None:
    with pytest.raises(BadInput) as caught:
        bounded(with_stream(zlib.compress(b"hello"), dictionary))
    assert caught.value.code == "verify.large"


def test_a_file_that_is_too_large_is_not_read() -> None:
    with pytest.raises(BadInput) as caught:
        bounded(bytes(LARGEST_MB * 1_000_000 + 1))
    assert caught.value.code == "verify.large"


def test_a_book_is_no_sheet() -> None:
    made = pikepdf.new()
    for _ in range(MOST_PAGES + 1):
        made.add_blank_page()
    out = io.BytesIO()
    made.save(out)
    with pytest.raises(BadInput) as caught:
        pages_text(out.getvalue())
    assert caught.value.code == "verify.many_pages"


def test_a_process_of_its_own_says_the_same(laboratory: Laboratory) -> None:
    assert verify_apart(laboratory.signed, laboratory.trust) == verify(laboratory.signed, laboratory.trust)
    with pytest.raises(BadInput) as caught:
        verify_apart(b"hello", [])
    assert caught.value.code == "verify.not_a_pdf"


def test_a_process_of_its_own_is_ended_when_it_takes_too_long(laboratory: Laboratory) -> None:
    began = time.perf_counter()
    with pytest.raises(BadInput) as caught:
        verify_apart(laboratory.signed, laboratory.trust, seconds=0.05)
    assert caught.value.code == "verify.too_much" and time.perf_counter() - began < 10


@pytest.mark.skipif(sys.platform == "win32", reason="there it has no such limit")
def test_its_memory_has_an_end() -> None:
    code = (
        "import labkit.sheet.apart as a, resource; a._bound();"
        f"assert resource.getrlimit(resource.RLIMIT_AS)[0] == {MEMORY_MB} * 1_000_000;"
        f"bytearray({MEMORY_MB} * 1_000_000)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "MemoryError" in done.stderr
