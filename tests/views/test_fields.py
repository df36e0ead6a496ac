"""Fields as people fill them in: what stands in them reads back as what it was."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from streamlit.testing.v1 import AppTest

from remakes.errors import EntryError
from remakes.records.typed_values import read_number
from remakes.texts import speaking
from remakes.views.fields import _as_typed, number_within


@pytest.mark.parametrize("code", ["en", "de"])
@pytest.mark.parametrize("value", [0.0, 1.5, 1.234, -1.234, 12.345, 1234567.0, 123456.78, 0.125, 1e15, 1e-7, -0.5])
def test_a_number_shown_in_a_field_reads_back_as_the_same(code: str, value: float) -> None:
    with speaking(code):
        assert read_number(_as_typed(value)) == value


@given(st.integers(-(10**9), 10**9), st.integers(0, 4))
def test_no_decimal_number_is_changed_by_being_shown(digits: int, decimals: int) -> None:
    value = digits / 10**decimals
    assert read_number(_as_typed(value)) == value


def test_a_number_outside_is_told_in_the_signs_of_the_reader() -> None:
    assert number_within("2,5", low=0, high=3) == 2.5
    assert number_within("  ") is None
    with speaking("de"), pytest.raises(EntryError, match="3,5 liegt über 3"):
        number_within("3.5", high=3)
    with pytest.raises(EntryError, match=r"0\.5 is below 1"):
        number_within("0,5", low=1)


def _files() -> None:
    from remakes.texts import speaking
    from remakes.views.fields import file_field

    with speaking("de"):
        file_field("Fotos", types=["png"], several=True, most=10, taken=12, key="photos_Q*1")
        file_field("Liste", types=["csv"], key="list")


def test_a_field_for_files_speaks_the_readers_language_and_tells_the_limit_that_counts() -> None:
    page = AppTest.from_function(_files).run()
    assert not page.exception
    photos, one = (str(found.proto.body) for found in page.get("html"))
    assert '"Dateien wählen"' in photos
    assert "je Datei bis 10 Megabyte" in photos
    # As the toolkit names the part of the page by this key.
    assert ".st-key-photos_Q-1 " in photos
    assert "bis 200 Megabyte" in one
    assert [found.proto.max_upload_size_mb for found in page.get("file_uploader")] == [12, 200]
