"""A foreign bench sheet in the browser: from the file to saved rows; refused rows mended and brought in again."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from remakes import flow
from remakes.records.importers.grids import open_workbook
from remakes.records.store import open_store
from tests.views.serving import BROWSER, served, settle, visiting

pytestmark = BROWSER


def bench_sheet() -> bytes:
    file = BytesIO()
    book = xlsxwriter.Workbook(file)
    book.add_worksheet("Notes").write_string(0, 0, "Nothing here")
    sheet = book.add_worksheet("Week 9")
    rows = [
        ["Bench, week 9"],
        [],
        ["No.", "Who", "Day", "Wait min", "Uses"],
        ["R00001", "T01", "03/02/2026", "3,5", "2"],
        ["R00002", "T02", "04/02/2026", "2,5", "many"],
    ]
    for number, row in enumerate(rows):
        for place, text in enumerate(row):
            sheet.write_string(number, place, text)
    book.close()
    return file.getvalue()


@pytest.fixture(scope="module")
def lab(clear_lab_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    copy = tmp_path_factory.mktemp("lists_browser") / "lab.sqlite"
    shutil.copyfile(clear_lab_file, copy)
    return copy


@pytest.fixture
def page(chromium: Any, lab: Path) -> Iterator[Any]:
    with served(lab) as at, visiting(chromium, at, viewport={"width": 1280, "height": 1000}) as one:
        yield one


def choose_file(page: Any, file: Path) -> None:
    page.locator("input[type=file]").first.set_input_files(str(file))


def mended(data: bytes) -> bytes:
    """The same rows with the one faulty word corrected, as a person saves them."""
    opened = open_workbook("m.xlsx", data)
    file = BytesIO()
    book = xlsxwriter.Workbook(file)
    for name in opened.visible:
        sheet = book.add_worksheet(name)
        for number, (_, cells) in enumerate(opened.grid(name).rows):
            sheet.write_row(
                number, 0, ["4" if cell == "many" and place > 4 else cell for place, cell in enumerate(cells)]
            )
    book.close()
    return file.getvalue()


def test_a_foreign_sheet_is_matched_saved_and_its_refused_rows_mended(page: Any, lab: Path, tmp_path: Path) -> None:
    before = flow.brief(open_store(str(lab))).readings
    file = tmp_path / "bench week 9.xlsx"
    file.write_bytes(bench_sheet())
    page.goto("/lists?role=quality")
    page.get_by_text("Sample files").wait_for()
    settle(page)
    choose_file(page, file)
    page.get_by_text("bench week 9.xlsx: what does it hold?").wait_for()
    settle(page)
    page.get_by_role("combobox", name="Sheet").click()
    page.get_by_role("option", name="Week 9").click()
    page.get_by_text("Say how days are written").wait_for()
    settle(page)
    assert page.get_by_role("button", name="Look at what this gives").is_disabled()
    page.get_by_text("(day, month, year)").click()
    page.get_by_role("button", name="Look at what this gives").and_(page.locator(":enabled")).click()
    page.get_by_text("2 would be taken").wait_for()
    settle(page)
    page.get_by_text("Save the good rows of a file").click()
    settle(page)
    page.get_by_role("button", name="Save these rows").click()
    page.get_by_text("the good rows are saved").wait_for()
    settle(page)
    assert flow.brief(open_store(str(lab))).readings == before + 2

    with page.expect_download() as download:
        page.get_by_role("button", name="Download the refused rows to mend (XLSX)").click()
    back = tmp_path / "rows to mend.xlsx"
    back.write_bytes(mended(Path(download.value.path()).read_bytes()))
    choose_file(page, back)
    page.get_by_text("read with the answers given before").wait_for()
    page.get_by_text("2 would be taken").wait_for()
    settle(page)
    page.get_by_role("button", name="Save these rows").click()
    page.get_by_text("rows to mend.xlsx: 2 taken").wait_for()
    assert flow.brief(open_store(str(lab))).readings == before + 4
    for width in (820, 390):
        page.set_viewport_size({"width": width, "height": 1000})
        settle(page)
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
