"""A foreign sheet: its header, its shape, the proposal, the ways of writing that fit, and maps remembered for it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from io import BytesIO
from pathlib import Path

import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st

from remakes.errors import FileError, MapError, NotAllowedError
from remakes.records.importers import ColumnMap, TableMap, import_paths, list_imports, preview, undo_effect, undo_import
from remakes.records.importers.column_map import ReadingColumn
from remakes.records.importers.column_map_reading import parse_column_map
from remakes.records.importers.conversions import DATE_FORMATS, parsed_moment
from remakes.records.importers.examples import example_bench_sheet
from remakes.records.importers.proposals import (
    KnownCodes,
    known_codes,
    propose_columns,
    propose_readings,
    propose_table,
)
from remakes.records.importers.shapes import (
    as_toml,
    block_for,
    forget_map,
    remember_map,
    remembered_maps,
    standing_for,
)
from remakes.records.importers.sheets import open_sheets, shape_of
from remakes.records.importers.ways_of_writing import (
    counted_texts,
    date_ways,
    datetime_ways,
    decimal_ways,
    teeth_ways,
    unknown_words,
)
from remakes.records.permissions import Actor
from remakes.records.requirements import ProcessStandard
from remakes.records.standard import load_standard
from remakes.records.store import Store
from tests.records.importers.lists import ACTIONS, STANDARD, restoration, small_lab, write

steady = settings(derandomize=True, deadline=None)
NAMES = st.text(alphabet=st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=8).filter(
    lambda text: text.strip() == text != ""
)


def book(rows: Sequence[Sequence[object]], *, sheets: int = 1) -> bytes:
    file = BytesIO()
    workbook = xlsxwriter.Workbook(file)
    for _ in range(sheets):
        sheet = workbook.add_worksheet()
        for number, row in enumerate(rows):
            sheet.write_row(number, 0, row)
    workbook.close()
    return file.getvalue()


def test_the_header_is_found_below_titles_and_can_be_changed() -> None:
    text = b"Bench;;\n;;\nNo.;Who;Day\nR1;T1;02.03.2026\nR2;T1;03.03.2026\n"
    sheet = open_sheets("b.csv", text).sheet("")
    assert sheet.grid.rows[sheet.header][0] == 3
    assert [one.first_cells for one in sheet.columns] == [("R1", "R2"), ("T1", "T1"), ("02.03.2026", "03.03.2026")]
    assert "Titles above line 3 are not read." in sheet.oddities
    other = open_sheets("b.csv", text).sheet("", header_line=4)
    assert [one.name for one in other.columns] == ["R1", "T1", "02.03.2026"]


def test_two_header_rows_doubled_names_and_patients_are_told() -> None:
    text = b"No.;Time;Time;Patient\nunit;min;min;x\nR1;3;4;N\nR2;5;6;N\nR3;5;6;N\n"
    sheet = open_sheets("b.csv", text).sheet("")
    assert any("second header row" in one for one in sheet.oddities)
    assert any("Patient" in one for one in sheet.oddities)
    assert "'Time'" in sheet.faults[0] or "Time more than once" in sheet.faults[0]
    assert "Patient" not in [one.name for one in sheet.columns]


@pytest.mark.parametrize(
    ("file", "data", "said"),
    [
        ("a.csv", b"  \n", "is empty"),
        ("a.pdf", b"%PDF", "is no list"),
        ("a.csv", book([["a"]]), "is a workbook, not a CSV file"),
        ("a.xlsx", b"nonsense", "cannot be read as a workbook"),
        ("a.xls", b"\xd0\xcf\x11\xe0" + b"\x00" * 600 + "EncryptedPackage".encode("utf-16-le"), "password"),
    ],
)
def test_what_is_no_list_is_told_in_words(file: str, data: bytes, said: str) -> None:
    with pytest.raises(FileError, match=said):
        open_sheets(file, data)


def test_an_empty_sheet_is_told() -> None:
    opened = open_sheets("a.xlsx", book([]))
    with pytest.raises(FileError, match="is empty"):
        opened.sheet("Sheet1")


@steady
@given(st.lists(NAMES, min_size=1, max_size=5), st.randoms())
def test_the_shape_is_that_of_the_names_in_any_order(names: list[str], order: object) -> None:
    shuffled = [f" {name.upper()}" if name.upper().lower() == name.lower() else name for name in names]
    order.shuffle(shuffled)  # type: ignore[attr-defined]
    assert shape_of([*names, "refused: line", "Patient name"]) == shape_of(names)
    assert shape_of([*names, "one more column"]) != shape_of(names)
    assert shape_of(reversed(names)) == shape_of(names)


def test_the_proposal_by_names_and_by_content(store: Store, tmp_path: Path) -> None:
    import_paths(store, [small_lab(tmp_path / "lab")])
    text = b"X;P;Y;Bond wait min;Thin\nR1;T1;02.03.2026;3,5;x\nR2;T2;02.03.2026;3;y\nR3;T1;02.03.2026;3;z\n"
    sheet = open_sheets("b.csv", text).sheet("")
    known, standard = known_codes(store), load_standard(store)
    assert propose_table(sheet, standard, known) == "bench_sheet"
    assert propose_columns(sheet, "bench_sheet", known) == {"restoration_id": "X", "technician": "P"}
    found = propose_readings(sheet, standard, taken=("X", "P"))
    assert found["bond_wait_s"].column == "Bond wait min"
    assert found["bond_wait_s"].times == Decimal(60)
    assert "Thin" not in [one.column for one in found.values()]


@pytest.mark.parametrize(
    ("header", "table"),
    [
        ("Auftrag;Art;Ausgang;Einheiten", "restorations"),
        ("Auftrag;gemeldet;Fehler", "returns"),
        ("Auftrag;Schritt;Merkmal;Wert", "process_log"),
        ("Auftrag;Wer;Tag;Haft", "bench_sheet"),
    ],
)
def test_the_kind_of_list_is_proposed(header: str, table: str) -> None:
    sheet = open_sheets("b.csv", f"{header}\n1;2;3;4\n".encode()).sheet("")
    assert propose_table(sheet, ProcessStandard(), KnownCodes()) == table


@steady
@given(st.lists(st.dates(date(2001, 1, 1), date(2060, 12, 31)), min_size=1, max_size=12), st.sampled_from(DATE_FORMATS))
def test_the_true_format_is_always_offered_and_every_offer_fits_all(days: list[date], form: str) -> None:
    texts = list(dict.fromkeys(day.strftime(form) for day in days))
    ways = date_ways(texts)
    assert form in [way.form for way in ways]
    read = {way.form: [parsed_moment(text, way.form) for text in texts] for way in ways}
    for way in ways:
        assert way.misfits == 0
        assert None not in read[way.form]
        assert way.read_as == parsed_moment(way.example, way.form)
    if len(set(map(tuple, read.values()))) > 1:
        assert len({way.read_as for way in ways}) > 1  # the example shows the difference


def test_where_no_format_fits_all_the_best_is_offered_with_its_misfits() -> None:
    (way,) = date_ways(["31.01.2026", "28.02.2026", "soon"])
    assert (way.form, way.misfits) == ("%d.%m.%Y", 1)
    assert date_ways(["soon"]) == ()
    assert [way.form for way in datetime_ways(["13.01.2026 14:30"])] == ["%d.%m.%Y %H:%M"]


def test_decimal_signs_teeth_and_words() -> None:
    assert decimal_ways(["1", "20"]) == ()
    assert decimal_ways(["1.5", "2"]) == ()  # nothing to ask: that is how the records write it
    assert decimal_ways(["1.5", "2"]) == ()  # nothing to ask: that is how the records write it
    assert [way.sign for way in decimal_ways(["1.234"])] == [",", "."]
    assert [way.sign for way in decimal_ways(["1,234"])] == [",", "."]
    assert teeth_ways(["11 12", "32"])["iso3950"] == 0
    assert teeth_ways(["19 20"])["iso3950"] == 1
    counted = counted_texts(["Br", "br", "crown", None, 3, "K"])
    assert unknown_words(counted, ("crown", "bridge")) == {"Br": 2, "K": 1}


@steady
@given(st.data())
def test_a_block_written_and_read_is_the_same(data: st.DataObject) -> None:
    texts = data.draw(st.lists(NAMES, min_size=4, max_size=4, unique_by=lambda text: " ".join(text.split()).casefold()))
    number = data.draw(st.decimals(min_value="0.01", max_value=999, places=2).filter(lambda one: one > 0))
    block = TableMap(
        table="bench_sheet",
        file=data.draw(NAMES.filter(lambda text: not set(text) & {"/", "\\"})),
        sheet=data.draw(NAMES),
        columns={"restoration_id": texts[0]},
        readings=(ReadingColumn(reading="a_s", column=texts[1], times=number), ReadingColumn(reading="b", column="B")),
        dates=data.draw(st.sampled_from(DATE_FORMATS)),
        decimal=data.draw(st.sampled_from([",", ".", None])),
        teeth=data.draw(st.sampled_from(["iso3950", "universal", "palmer"])),
        values={"b": {" ".join(texts[2].split()).casefold(): texts[3]}},
        yes=("x",),
        no=("-",),
    )
    (found,) = parse_column_map(as_toml([block]), file="m").tables
    assert found == block


def test_a_block_is_for_one_file_whatever_signs_its_name_has() -> None:
    block = block_for(TableMap(table="returns", file="x", columns={}), "a[1]*?.csv", "S")
    assert block.fits("a[1]*?.csv")
    assert not block.fits("a1xx.csv")


def test_maps_are_remembered_once_changed_with_a_version_and_move_no_figure(store: Store) -> None:
    toml = '[[table]]\nis = "returns"\nfile = "r.csv"\n'
    toml += 'columns = { restoration_id = "A", reported_on = "B", defect = "C" }\n'
    before = store.figures_version()
    assert remember_map(store, "s1", toml, file="r.csv", who="quality Q1")
    version = store.data_version()
    assert not remember_map(store, "s1", toml, file="other.csv", who="quality Q2")
    assert store.data_version() == version
    kept = remembered_maps(store)["s1"]
    assert (kept.who, kept.block.table) == ("quality Q1", "returns")
    changed = toml.replace('"C"', '"D"')
    with pytest.raises(MapError, match="quality Q1 changed this map"):
        remember_map(store, "s1", changed, file="r.csv", who="quality Q2")
    assert remember_map(store, "s1", changed, file="r.csv", who="quality Q2", version=kept.version)
    with pytest.raises(MapError, match="one block"):
        remember_map(store, "s2", toml + toml.replace("r.csv", "q.csv"), file="r.csv", who="q")
    forget_map(store, "s1", who="quality Q1")
    assert not remembered_maps(store)
    assert store.figures_version() == before


def test_a_technician_remembers_nothing(store: Store) -> None:
    acting = store.acting_as(Actor(code="T1", roles=frozenset({"technician"})))
    toml = as_toml(
        [
            TableMap(
                table="bench_sheet",
                file="b",
                columns={"restoration_id": "A"},
                readings=(ReadingColumn(reading="x", column="X"),),
            )
        ]
    )
    with pytest.raises(NotAllowedError):
        remember_map(acting, "s", toml, file="b", who="T1")


def test_quality_brings_lists_in_and_the_standard_waits(store: Store, tmp_path: Path) -> None:
    folder = write(tmp_path / "lists", standard=STANDARD, actions=ACTIONS, restorations=[restoration("R1")])
    acting = store.acting_as(Actor(code="Q1", roles=frozenset({"quality"})))
    tables = {one.table: one for one in import_paths(acting, [folder]).tables}
    assert tables["restorations"].saved
    assert tables["restorations"].taken == 1
    for name in ("standard", "actions"):
        assert not tables[name].saved
        assert "Q1 holds the role quality" in tables[name].refused[0].reason
    assert not load_standard(store).requirements

    import_paths(store, [folder])
    again = {one.table: one for one in import_paths(acting, [folder]).tables}
    assert again["standard"].saved  # the same again changes nothing and needs no right
    standard = next(one for one in list_imports(store) if one.table == "standard")
    with pytest.raises(NotAllowedError):
        undo_import(acting, standard.import_id, who="quality Q1")


def test_the_preview_counts_what_saving_gives(store: Store, tmp_path: Path) -> None:
    import_paths(store, [small_lab(tmp_path / "lab")])
    rows = [restoration("R1"), restoration("R2", technician="T9"), restoration("R9"), restoration("R10", units="no")]
    folder = write(tmp_path / "next", restorations=rows)
    (seen,) = preview([folder], store=store)
    assert (seen.taken, seen.changed, seen.unchanged, seen.refused_rows) == (1, 1, 1, 1)
    assert seen.refused_lines == (5,)
    (saved,) = import_paths(store, [folder], accept_good_rows=True).tables
    assert (saved.taken, saved.changed, saved.unchanged, saved.refused_lines) == (1, 1, 1, (5,))
    effect = undo_effect(store, saved.import_id or 0)
    assert (effect.removed, effect.restored, effect.obstacles) == (1, 1, ())
    undo_import(store, saved.import_id or 0, who="quality Q1")
    assert list_imports(store)[0].undone_by == "quality Q1"
    first = next(one for one in list_imports(store) if one.table == "restorations" and not one.undone_at)
    assert undo_effect(store, first.import_id).obstacles


def test_the_example_sheet_can_be_matched_and_brought_in(store: Store, tmp_path: Path) -> None:
    import_paths(store, [small_lab(tmp_path / "lab")])
    file = tmp_path / "bench.xlsx"
    file.write_bytes(example_bench_sheet(store))
    opened = open_sheets("bench.xlsx", file.read_bytes())
    assert (opened.sheets, opened.hidden) == (("Bench 2026",), ("old",))
    sheet = opened.sheet("Bench 2026")
    known, standard = known_codes(store), load_standard(store)
    assert propose_table(sheet, standard, known) == "bench_sheet"
    readings = propose_readings(sheet, standard, taken=())
    assert set(readings) == {"bond_wait_s", "veneer_min_mm", "polished"}
    block = TableMap(
        table="bench_sheet",
        file="bench.xlsx",
        columns=propose_columns(sheet, "bench_sheet", known),
        readings=tuple(
            ReadingColumn(reading=name, column=one.column, times=one.times) for name, one in readings.items()
        ),
        dates="%d.%m.%Y",
        decimal=",",
        yes=("x",),
        no=("-",),
    )
    report = import_paths(store, [file], column_map=ColumnMap(file="m", tables=(block,)))
    assert report.ok
    assert report.tables[0].taken > 3


def test_sheets_named_as_ours_stand_beside_mapped_ones() -> None:
    header = ["restoration_id", "kind", "units", "delivered_on"]
    sheet = open_sheets("a.xlsx", book([header, ["R1", "crown", 1, "2026-03-02"]])).sheet("Sheet1")
    assert sheet.holds("restorations")
    block = standing_for(sheet, "restorations", "a.xlsx")
    assert dict(block.columns) == {name: name for name in header}
    assert block.sheet == "Sheet1"
