"""The report on paper, read back."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import cache
from io import BytesIO
from itertools import chain

import pytest
from pypdf import PdfReader
from pypdf.generic import DictionaryObject

from remakes.reports import pdf as pdf_module
from remakes.reports.document import Report, Section
from remakes.reports.letters import printable
from remakes.reports.pdf import to_pdf
from tests.reports.sample_report import HOSTILE, report, row, table


def read(made: Report) -> PdfReader:
    return PdfReader(BytesIO(to_pdf(made)))


@cache
def plain() -> PdfReader:
    """The sample as it is, made once."""
    return read(report())


def text_of(file: PdfReader) -> str:
    return " ".join(" ".join(page.extract_text() for page in file.pages).split())


def structure(file: PdfReader) -> list[DictionaryObject]:
    """All elements of the structure that a screen reader follows."""
    found: list[DictionaryObject] = []
    open_ones = [file.trailer["/Root"]["/StructTreeRoot"]["/K"].get_object()]
    while open_ones:
        one = open_ones.pop()
        if isinstance(one, list):
            open_ones += [child.get_object() for child in one]
        elif isinstance(one, dict) and "/S" in one:
            found.append(DictionaryObject(one))
            if "/K" in one:
                open_ones.append(one["/K"].get_object())
    return found


def test_it_is_tagged_and_says_so() -> None:
    file = plain()
    root = file.trailer["/Root"]
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"]
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert file.metadata is not None
    assert file.metadata.title == "Month in review Plain words."
    assert file.metadata.author is None
    assert "pdfuaid:part" in root["/Metadata"].get_data().decode()


def test_pictures_have_words_and_tables_have_heads() -> None:
    elements = structure(plain())
    pictures = [one for one in elements if one["/S"] == "/Figure"]
    assert {str(one.get("/Alt")) for one in pictures} == {"Returns by month, Plain words.", "A second picture"}
    heads = [one for one in elements if one["/S"] == "/TH"]
    assert len(heads) >= 12
    assert {"/H1", "/H2", "/Table", "/TR", "/TD", "/L", "/Caption"} <= {str(one["/S"]) for one in elements}


@pytest.mark.parametrize("rows", [3, 30, 60])
def test_the_front_is_one_page_however_much_there_is(rows: int) -> None:
    file = read(report(front_rows=rows, words="Some words to fill the page. " * 4))
    first, second = (page.extract_text() for page in file.pages[:2])
    assert "Not clinical advice" in first
    assert second.lstrip().startswith("Details")
    assert float(file.pages[0].mediabox.width) == pytest.approx(595, abs=1)
    assert float(file.pages[0].mediabox.height) == pytest.approx(842, abs=1)


def test_pages_are_counted_and_table_heads_repeated() -> None:
    file = read(report(rows=110))
    assert len(file.pages) > 2
    for number, page in enumerate(file.pages, start=1):
        assert f"page {number} of {len(file.pages)}" in page.extract_text()
    for page in file.pages[1:-1]:
        assert "share returned" in page.extract_text()


def test_records_come_out_as_text() -> None:
    made = report(codes=HOSTILE, words='#read("/etc/passwd") *b*', picture="<script>x</script>")
    found = text_of(read(made)).replace(" ", "")
    for one in HOSTILE:
        assert one.replace(" ", "") in found
    assert "root:" not in found


def test_figures_are_printed_as_figures() -> None:
    found = text_of(plain())
    assert "12.5 %" in found
    assert "1.5 (0.5 to 3.2)" in found
    assert "10.0 % (5.0 % to 20.0 %)" in found
    assert "nan" not in found


def test_the_same_report_is_the_same_file() -> None:
    first = to_pdf(report())
    assert to_pdf(report()) == first
    assert to_pdf(report(made_on=date(2026, 11, 3))) != first


@pytest.mark.parametrize("odd", ["中文", "😀", "ｆ"])
@pytest.mark.parametrize("place", ["words", "picture"])
def test_letters_without_a_font_are_told(odd: str, place: str) -> None:
    found = text_of(read(report(**{place: f"{odd} kept"})))  # type: ignore[arg-type]
    assert "? kept" in found
    assert "printed as a question mark" in found


@pytest.mark.parametrize("odd", ["\x00", "\x07", "\ud800", "\ufffe"])
@pytest.mark.parametrize("place", ["words", "picture"])
def test_signs_no_file_can_hold_spoil_nothing(odd: str, place: str) -> None:
    assert "? kept" in text_of(read(report(**{place: f"{odd} kept"})))  # type: ignore[arg-type]


def test_letters_kept_on_such_a_page_have_a_font(monkeypatch: pytest.MonkeyPatch) -> None:
    """Everything that the second try leaves as it is can be printed in any case."""
    every = (chr(code) for code in chain(range(0x20, 0x2300), range(0x3000, 0x3010)))
    kept = "".join(sign for sign in every if printable(sign) == sign)
    assert "ß" in kept
    assert "≥" in kept
    monkeypatch.setattr(pdf_module, "printable", lambda text: pytest.fail("a letter has no font"))
    to_pdf(replace(report(), front=(Section(heading=kept, sentences=(kept,)),), details=()))


def test_paper_says_what_it_leaves_out() -> None:
    long = table(tuple(row(at) for at in range(12)), on_paper=range(5))
    found = text_of(read(replace(report(), details=(Section(heading="Lots", table=long),))))
    assert "5 of 12 rows; all of them are in the workbook." in found


def test_a_table_that_paper_leaves_out_leaves_its_row_count() -> None:
    alone = table(tuple(row(at) for at in range(12)), on_paper=(), note="Only of use beside rows.")
    sections = (
        Section(heading="Lots", table=alone),
        Section(heading="Not printed", table=alone, workbook_only=True),
    )
    found = text_of(read(replace(report(), details=sections)))
    assert "All 12 rows are in the workbook." in found
    assert "Only of use" not in found
    assert "Not printed" not in found


def test_a_narrow_blank_survives_letters_without_a_font() -> None:
    assert "1 234 ? kept" in text_of(read(report(words="1\u202f234 中 kept")))


def test_a_report_of_nothing() -> None:
    file = read(replace(report(), front=(), details=(), caution=""))
    assert len(file.pages) == 1
