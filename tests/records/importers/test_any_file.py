"""Any file whatever: read, or refused in words, on every way into the records; and what went in comes out again."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from contextlib import suppress
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from remakes.errors import RemakesError
from remakes.records.exports import export_records, read_exports
from remakes.records.importers import import_paths, preview
from remakes.records.importers.mending import mending_csv, mending_workbook, rows_to_mend
from remakes.records.importers.own_writing import written_as_ours
from remakes.records.importers.proposals import KnownCodes, propose_columns, propose_readings, propose_table
from remakes.records.importers.sheets import open_sheets
from remakes.records.importers.spellings import alike, spelling
from remakes.records.importers.ways_of_writing import counted_texts, date_ways, datetime_ways, decimal_ways, teeth_ways
from remakes.records.requirements import ProcessStandard
from remakes.records.rows import COLUMNS
from remakes.records.snapshot import take_snapshot
from remakes.records.store import Store
from tests.new_stores import new_store
from tests.records.importers.lists import STANDARD, everything, write

few = settings(
    derandomize=True,
    deadline=None,
    max_examples=25,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
NAMES = [*COLUMNS["restorations"], *COLUMNS["returns"], "Nr", "Datum", "Patient", "refused: line", "", "-", "=1"]
nasty = st.one_of(
    st.text(max_size=6),
    st.sampled_from(
        ["R1", "crown", "2026-03-02", "02.03.26", "1,5", "1.234", "11 12", "=1+1", "'=1", "\ufeff", "\xa0"]
    ),
    st.sampled_from(["x\ny", '"', ";", "\r", "45000", "2026-W10", "00017", "chipping", "#N/A", "nan", "1e400", "²"]),
)
typed = st.one_of(nasty, st.booleans(), st.integers(-(10**6), 10**6), st.floats(-1e9, 1e9), st.dates(date(1990, 1, 1)))


def as_csv(header: Sequence[str], rows: Sequence[Sequence[str]], separator: str) -> bytes:
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=separator).writerows([header, *rows])
    return out.getvalue().encode()


def as_book(header: Sequence[str], rows: Sequence[Sequence[object]]) -> bytes:
    out = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(out, options) as book:
        sheet = book.add_worksheet("restorations")
        day = book.add_format({"num_format": "dd.mm.yyyy"})
        for line, row in enumerate([header, *rows]):
            for place, cell in enumerate(row):
                if isinstance(cell, date):
                    sheet.write_datetime(line, place, cell, day)
                else:
                    sheet.write(line, place, cell)
    return out.getvalue()


def every_way(store: Store, file: str, data: bytes, tmp: Path) -> None:
    """What the page, the preview and the import do with a file; only errors in words may leave them."""
    with suppress(RemakesError):
        opened = open_sheets(file, data)
        for name in opened.sheets:
            sheet = opened.sheet(name)
            table = propose_table(sheet, ProcessStandard(), KnownCodes())
            propose_readings(sheet, ProcessStandard(), taken=propose_columns(sheet, table, KnownCodes()).values())
            written_as_ours(sheet, "restorations")
            for one in sheet.columns:
                texts = list(counted_texts(sheet.cells(one.name)))
                for ways in (date_ways, datetime_ways, decimal_ways, teeth_ways):
                    ways(texts)
    path = tmp / file
    path.write_bytes(data)
    with suppress(RemakesError):
        found = preview([path], store=store)
        back = rows_to_mend([path], None, found)
        for rows in back:
            mending_csv(rows)
        if back:
            mending_workbook(back)
    with suppress(RemakesError):
        import_paths(store, [path], accept_good_rows=True)


@few
@given(
    data=st.binary(max_size=200),
    head=st.sampled_from(
        [b"", b"PK\x03\x04", b"\xef\xbb\xbf", b"\xff\xfe", b"restoration_id,kind,units,delivered_on\n"]
    ),
    file=st.sampled_from(["restorations.csv", "returns.txt", "list.tsv", "restorations.xlsx", "a.ods", "actions.toml"]),
)
def test_any_bytes_are_read_or_refused_in_words(tmp_path: Path, data: bytes, head: bytes, file: str) -> None:
    every_way(new_store(tmp_path / "lab.sqlite"), file, head + data, tmp_path)


@few
@given(
    header=st.lists(st.sampled_from(NAMES), min_size=1, max_size=6),
    rows=st.lists(st.lists(nasty, max_size=7), max_size=4),
    separator=st.sampled_from(",;\t"),
    needed=st.booleans(),
)
def test_any_text_list_is_read_or_refused_in_words(
    tmp_path: Path, header: list[str], rows: list[list[str]], separator: str, needed: bool
) -> None:
    names = ["restoration_id", "kind", "units", "delivered_on"] if needed else []
    data = as_csv([*names, *header], rows, separator)
    every_way(new_store(tmp_path / "lab.sqlite"), "restorations.csv", data, tmp_path)


@few
@given(
    header=st.lists(st.sampled_from(NAMES), max_size=4) | st.lists(typed, max_size=4),
    rows=st.lists(st.lists(typed, max_size=7), max_size=4),
)
def test_any_workbook_is_read_or_refused_in_words(
    tmp_path: Path, header: list[object], rows: list[list[object]]
) -> None:
    data = as_book(["restoration_id", "kind", "units", "delivered_on", *map(str, header)], rows)
    every_way(new_store(tmp_path / "lab.sqlite"), "lab.xlsx", data, tmp_path)


words = st.text("abÄ 1-/;=é\u200b'", max_size=6).map(str.strip)
days = st.dates(date(2026, 1, 1), date(2026, 6, 1))


@settings(few, max_examples=8)
@given(
    kinds=st.lists(st.sampled_from(["crown", "bridge", "implant crown"]), min_size=1, max_size=4),
    names=st.lists(words, min_size=4, max_size=4),
    delivered=days,
    values=st.lists(st.sampled_from(["", "180", "179.5"]), min_size=4, max_size=4),
    defects=st.lists(st.sampled_from(["chipping", "surface", "transit"]), max_size=3, unique=True),
    extra=words,
)
def test_what_is_imported_is_exported_and_reads_the_same(
    kinds: list[str], names: list[str], delivered: date, values: list[str], defects: list[str], extra: str
) -> None:
    restorations = [
        {"restoration_id": f"R{n}", "kind": kind, "units": "1", "clinic": names[n], "technician": names[-n - 1]}
        | {"delivered_on": (delivered + timedelta(n)).isoformat(), "difficulty": extra, "shade": extra}
        for n, kind in enumerate(kinds)
    ]
    log = [
        {"restoration_id": one["restoration_id"], "step": "bonding", "reading": "bond_wait_s", "value": value}
        | {"operator": one["clinic"], "lot": extra}
        for one, value in zip(restorations, values, strict=False)
    ]
    returns = [
        {"return_id": "Q1", "restoration_id": "R0", "reported_on": "2026-06-05", "defect": defect, "note": extra}
        for defect in defects
    ]
    with TemporaryDirectory() as name:
        tmp = Path(name)
        folder = write(tmp / "lab", standard=STANDARD, restorations=restorations, process_log=log)
        if returns:
            write(folder, returns=returns)
        store = new_store(tmp / "lab.sqlite")
        assert import_paths(store, [folder], today=date(2026, 7, 1)).ok
        before = everything(store)
        export_records(store, tmp / "out", lab="one")
        assert read_exports([tmp / "out"]).snapshot == take_snapshot(store)
        assert import_paths(store, [folder], today=date(2026, 7, 1)).ok
        assert everything(store) == before


@few
@given(st.lists(st.text("aA01 -_\u200b", max_size=5), max_size=6))
def test_codes_alike_are_different_codes_of_one_spelling(codes: list[str]) -> None:
    for group in alike(codes):
        assert len(set(group)) == len(group) > 1
        assert len({spelling(code) for code in group}) == 1
        assert set(group) <= set(codes)


def test_numbers_that_are_parted_otherwise_are_not_spelled_alike() -> None:
    assert spelling("R-0017") == spelling("r17") == spelling("R 17")
    assert len({spelling(code) for code in ("R1-1", "R11", "R1-10", "R101")}) == 4
