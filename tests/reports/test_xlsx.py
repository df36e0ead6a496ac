"""The workbook, unzipped and read back by another reader."""

from __future__ import annotations

import re
from dataclasses import replace
from io import BytesIO
from xml.etree import ElementTree
from zipfile import ZipFile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from python_calamine import CalamineWorkbook

from remakes.reports.document import Section
from remakes.reports.xlsx import _sheet_name, _unused, to_xlsx
from tests.reports.sample_report import HOSTILE, report, row, table


def parts(content: bytes) -> dict[str, str]:
    with ZipFile(BytesIO(content)) as book:
        return {name: book.read(name).decode("utf-8") for name in book.namelist()}


def sheets(content: bytes) -> dict[str, list[list[object]]]:
    book = CalamineWorkbook.from_filelike(BytesIO(content))
    return {name: book.get_sheet_by_name(name).to_python() for name in book.sheet_names}  # type: ignore[misc]


def test_cells_are_never_formulas_or_links() -> None:
    content = to_xlsx(report(codes=HOSTILE, words="=1+1"))
    for name, part in parts(content).items():
        if name.startswith("xl/worksheets"):
            kinds = {one.tag.split("}")[1] for one in ElementTree.fromstring(part).iter()}
            assert not kinds & {"f", "hyperlink", "hyperlinks"}
        assert "hyperlink" not in part or name == "xl/styles.xml"
    codes = [line[1] for line in sheets(content)["Lots"][1 : len(HOSTILE) + 1]]
    assert codes == list(HOSTILE)


def test_figures_are_numbers_and_what_cannot_be_had_is_blank() -> None:
    content = to_xlsx(report())
    head, first, *_, blank = sheets(content)["Lots"]
    assert head == [
        "month",
        "code",
        "returns",
        "share",
        "ratio",
        "ratio, from",
        "ratio, to",
        "share returned",
        "share returned, from",
        "share returned, to",
    ]
    assert first == ["2026-01", "L07", 0.0, 0.125, 1.5, 0.5, 3.25, 0.1, 0.05, 0.2]
    assert blank == ["2026-01", "none", *[""] * 8]
    assert "0.0%" in parts(content)["xl/styles.xml"]
    assert "nan" not in parts(content)["xl/worksheets/sheet3.xml"].lower()


def test_the_front_is_there_in_words() -> None:
    lines = [line[0] for line in sheets(to_xlsx(report()))["Report"]]
    assert lines[0] == "Month in review Plain words."
    assert "Harm Plain words." in lines
    assert "• two" in lines
    assert "Returns by month, Plain words." in lines
    assert lines[-1] == "Not clinical advice. Plain words."


def test_heads_stay_in_view_and_can_be_filtered() -> None:
    sheet = parts(to_xlsx(report()))["xl/worksheets/sheet3.xml"]
    assert re.search(r'<pane [^>]*ySplit="1"[^>]*state="frozen"', sheet)
    assert '<autoFilter ref="A1:J5"/>' in sheet
    assert "<cols>" in sheet


def test_nobody_is_named() -> None:
    found = parts(to_xlsx(report()))
    core = found["docProps/core.xml"]
    assert "<dc:creator></dc:creator>" in core
    assert "<cp:lastModifiedBy></cp:lastModifiedBy>" in core
    assert "2026-11-02T00:00:00Z" in core


def test_the_same_report_is_the_same_workbook() -> None:
    assert parts(to_xlsx(report())) == parts(to_xlsx(report()))


def test_tables_of_one_sheet_stand_below_each_other() -> None:
    made = replace(
        report(),
        details=tuple(
            Section(heading=name, table=table((row(1), row(2)), sheet="Months", group=("defect", name)))
            for name in ("Chipping", "=Debonding")
        ),
    )
    found = sheets(to_xlsx(made))
    assert list(found) == ["Report", "This month", "Months"]
    assert found["Months"][0][:2] == ["defect", "month"]
    assert [line[0] for line in found["Months"][1:]] == ["Chipping", "Chipping", "=Debonding", "=Debonding"]


def test_every_row_is_in_the_workbook_whatever_paper_leaves_out() -> None:
    made = replace(
        report(), details=(Section(heading="x", table=table(tuple(row(at) for at in range(50)), on_paper=range(5))),)
    )
    assert len(sheets(to_xlsx(made))["Lots"]) == 51


def test_charts_are_there_in_words_and_sections_of_the_workbook_alone_have_their_sheet() -> None:
    chart = report().details[0]
    only = Section(heading="y", table=table((row(1),), sheet="Only here", on_paper=()), workbook_only=True)
    found = sheets(to_xlsx(replace(report(), charts=(replace(chart, table=None),), details=(only,))))
    assert "A second picture" in [line[0] for line in found["Report"]]
    assert len(found["Only here"]) == 2


def test_odd_names_of_sheets() -> None:
    names = ("a/b?*[c]:d\\", "A B C D", "'quoted'", "x" * 40, "X" * 40, "History", "", "Report")
    made = replace(
        report(),
        front=(),
        details=tuple(Section(heading=name, table=table((row(1),), sheet=name)) for name in names),
    )
    assert len(sheets(to_xlsx(made))) == 1 + len(names)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.text(max_size=40), max_size=6))
def test_any_names_become_allowed_and_different(wanted: list[str]) -> None:
    taken: set[str] = set()
    for one in wanted:
        name = _unused(_sheet_name(one), taken)
        assert name.casefold() not in taken
        assert 0 < len(name) <= 31
        assert not set(name) & set("[]:*?/\\")
        assert not name.startswith("'")
        assert not name.endswith("'")
        taken.add(name.casefold())


@pytest.mark.parametrize("odd", ["\x00", "\x07", "\ud800", "😀", "x" * 40_000, "_x0041_", "  spaces  ", "\n"])
def test_odd_text_does_not_spoil_the_file(odd: str) -> None:
    found = sheets(to_xlsx(report(codes=(odd,))))
    assert len(found["Lots"]) == 5
