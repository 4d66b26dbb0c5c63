"""Rows are hashed as RFC 8785 writes them, though another hand writes."""

from __future__ import annotations

import rfc8785
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.ledger.canonical import row_digest, sha256

_keys = st.text(alphabet="abcdefghijklmnopqrstuvwxyz_0123456789", min_size=1, max_size=8)
_values = st.text() | st.integers(-(2**53) + 1, 2**53 - 1) | st.lists(st.lists(st.text() | st.integers(-9, 9)))


@settings(max_examples=300)
@given(st.dictionaries(_keys, _values))
def test_a_row_is_hashed_as_rfc_8785_writes_it(row: dict[str, object]) -> None:
    assert row_digest(row) == sha256(rfc8785.dumps(row))  # type: ignore[arg-type]
