"""Reports as files."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from remakes.errors import InputError
from remakes.reports import writing
from remakes.reports.writing import make, write_report
from tests.reports.sample_report import report


@pytest.mark.parametrize(
    ("name", "start"), [("a.pdf", b"%PDF-"), ("b.HTML", b"<!DOCTYPE html>"), ("c.xlsx", b"PK\x03\x04")]
)
def test_the_ending_says_the_form(tmp_path: Path, name: str, start: bytes) -> None:
    path = tmp_path / name
    path.write_bytes(b"older")
    write_report(report(), path)
    assert path.read_bytes().startswith(start)
    assert [one.name for one in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize("name", ["a.docx", "report", "a.pdf.txt"])
def test_other_endings_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match=r"\.pdf, \.html or \.xlsx"):
        write_report(report(), tmp_path / name)
    assert not [*tmp_path.iterdir()]


def test_a_folder_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "x.pdf"
    folder.mkdir()
    with pytest.raises(InputError, match="is a folder"):
        write_report(report(), folder)
    with pytest.raises(InputError, match="does not exist"):
        write_report(report(), tmp_path / "no" / "x.pdf")


def test_a_place_that_cannot_be_written_to_keeps_the_older_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.html"
    path.write_text("older")

    def full(self: Path, target: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(InputError, match=re.escape("cannot be written")):
        write_report(report(), path)
    assert path.read_text() == "older"
    assert [one.name for one in tmp_path.iterdir()] == ["a.html"]


def test_forms_are_named_where_one_is_unknown() -> None:
    assert set(writing.FORMS) == {"pdf", "html", "xlsx"}
    with pytest.raises(InputError, match="Name it"):
        make(report(), "docx")
