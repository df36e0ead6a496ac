"""The column map: every mistake at once, with its line; and what a sound one says."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from types import MappingProxyType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from remakes.errors import MapError
from remakes.records.importers.column_map import (
    BENCH_COLUMNS,
    ColumnMap,
    ColumnMapError,
    ReadingColumn,
    TableMap,
)
from remakes.records.importers.column_map_file import column_map_as_toml
from remakes.records.importers.column_map_reading import column_map_of_bytes, load_column_map, parse_column_map
from remakes.records.importers.grids import column_key

steady = settings(derandomize=True, deadline=None)

SOUND = """
[[table]]
is = "restorations"
file = "orders*.xlsx"
sheet = "Jobs 2026"
columns = { restoration_id = "Job", kind = "Art", units = "Einheiten", delivered_on = "Out" }
dates = "%d.%m.%Y"
decimal = ","
teeth = "universal"
encoding = "cp1250"
values = { kind = { "Br" = "bridge", "K" = "crown", "?" = "" } }

[[table]]
is = "bench_sheet"
file = "bench.csv"
columns = { restoration_id = "No.", technician = "Who", recorded_at = "Day" }
datetimes = "%d.%m.%y %H:%M"
readings = { bond_wait_s = { column = "Bond min", times = 60 }, polished = { column = "P", step = "end" }, x = "Thin" }
yes = ["X", "ok"]
no = ["-"]
"""


def test_a_sound_map() -> None:
    found = parse_column_map(SOUND, file="map.toml")
    orders, bench = found.tables
    assert (orders.table, orders.sheet, orders.dates, orders.decimal) == ("restorations", "Jobs 2026", "%d.%m.%Y", ",")
    assert (orders.teeth, orders.encoding) == ("universal", "cp1250")
    assert orders.columns["delivered_on"] == "Out"
    assert orders.values["kind"] == {"br": "bridge", "k": "crown", "?": ""}
    assert bench.readings == (
        ReadingColumn(reading="bond_wait_s", column="Bond min", times=Decimal(60)),
        ReadingColumn(reading="polished", column="P", step="end"),
        ReadingColumn(reading="x", column="Thin"),
    )
    assert (bench.yes, bench.no, bench.teeth, bench.decimal) == (("x", "ok"), ("-",), "iso3950", None)
    assert [block.table for block in found.blocks_for("Orders 2026.XLSX")] == ["restorations"]
    assert found.blocks_for("other.csv") == ()
    assert bench.known_names == {"no.", "who", "day", "bond min", "p", "thin"}


def table(**changes: str) -> str:
    lines = {
        "is": '"returns"',
        "file": '"r.csv"',
        "columns": '{ restoration_id = "A", reported_on = "B", defect = "C", severity = "D" }',
    }
    return "[[table]]\n" + "\n".join(f"{key} = {value}" for key, value in (lines | changes).items() if value)


BENCH = {"is": '"bench_sheet"', "columns": '{ restoration_id = "A" }', "readings": '{ x = "X" }'}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "needed is at least one block"),
        ("not = [toml", "no readable TOML"),
        ("table = 3", "blocks that begin with"),
        ('other = 1\n[[table]]\nis = "returns"', "no such key here; known are table"),
        (table(**{"is": '"return"'}), "Did you mean returns"),
        (table(**{"is": ""}), "needed is one of restorations"),
        (table(file=""), 'a pattern such as "orders'),
        (table(file='"exports/r.csv"'), "the name alone"),
        (table(sepa='";"'), "no such key here"),
        (table(columns=""), 'such as { restoration_id = "Job" }'),
        (table(columns='{ restoration_id = "A", defect = "C" }'), "also needs: reported_on"),
        (table(columns='{ restoration_id = "A", reported_on = "B", defect = " " }'), "defect needs a text"),
        (table(columns='{ restoration_id = "A", reported_on = "B", defect = "C", sevrity = "D" }'), "mean severity"),
        (
            table(**{"is": '"restorations"', "columns": '{ restoration_id = "A", kind = "B", delivered_on = "C" }'}),
            "units or of teeth",
        ),
        (table(dates='"%d.%m."'), "day, month and year"),
        (table(dates='"%m/%Y"'), "day, month and year"),
        (table(dates='"%d.%d.%Y"'), "day, month and year"),
        (table(dates='"day"'), "day, month and year"),
        (table(datetimes='"%d.%m.%Y"'), "hour and minute"),
        (table(datetimes='"%d.%m.%Y %I:%M"'), "hour and minute"),  # morning or afternoon is lost
        (table(decimal='";"'), "one of , ."),
        (table(teeth='"fdi"'), "iso3950 universal palmer"),
        (table(values="3"), "theirs"),
        (table(values='{ note = { "a" = "b" } }'), "note is none of the mapped columns"),
        (table(values='{ defect = "chipping" }'), "defect needs"),
        (table(values='{ defect = { "A" = "chiping" } }'), "Did you mean chipping"),
        (table(values='{ severity = { "hoch" = 7 } }'), "severity takes one of: 1, 2, 3, 4, 5"),
        (table(values='{ defect = { "A" = true } }'), "needs a text"),
        (table(values='{ defect = { "A" = "chipping", "a" = "other" } }'), "stands there twice"),
        (table(yes='["ja"]', no='["Ja"]'), "ja cannot count as yes and as no"),
        (table(yes='["a\\u0000"]'), "without NUL"),
        (table(encoding='"utf-9"'), "no such encoding"),
        (table(encoding='"hex"'), "no such encoding"),
        (table(readings='{ x = "X" }'), "only a bench_sheet has readings"),
        (table(**BENCH | {"readings": ""}), "at least one reading"),
        (table(**BENCH | {"readings": "{ x = 3 }"}), "x needs a column name"),
        (table(**BENCH | {"readings": "{ x = { times = 2 } }"}), "x needs a column"),
        (table(**BENCH | {"readings": '{ x = { column = "X", times = 0 } }'}), "above 0"),
        (table(**BENCH | {"readings": '{ x = { column = "X", unit = "s" } }'}), "known are column, times, step"),
        (table(**BENCH | {"columns": '{ restoration_id = "A", technician = "T", operator = "O" }'}), "are the same"),
        (table(**BENCH | {"is": '"restorations"', "yes": '["x"]'}), "no column of restorations holds yes or no"),
        (table() + "\n" + table(), "block 1 reads the same rows"),
    ],
)
def test_each_mistake_is_told_in_words(text: str, words: str) -> None:
    with pytest.raises(ColumnMapError) as caught:
        parse_column_map(text, file="map.toml")
    assert words in str(caught.value)
    assert str(caught.value).startswith("map.toml: ")


def test_all_mistakes_are_told_at_once_with_their_lines() -> None:
    with pytest.raises(ColumnMapError) as caught:
        parse_column_map('[[table]]\nis = "returns"\ncolumns = {}\ndates = "%d"\nfile = "r.csv"', file="m.toml")
    assert [(mistake.line, mistake.key) for mistake in caught.value.mistakes] == [(3, "columns"), (4, "dates")]


def test_a_map_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(MapError, match="cannot be read"):
        load_column_map(tmp_path / "nothing.toml")
    (tmp_path / "map.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(MapError, match="not UTF-8"):
        load_column_map(tmp_path / "map.toml")
    with pytest.raises(MapError, match="not UTF-8"):  # not read with signs that stand for the lost letters
        column_map_of_bytes('[[table]]\nfile = "aufträge.csv"\n'.encode("cp1252"), file="map.toml")


def test_a_map_may_have_a_byte_order_mark() -> None:
    assert column_map_of_bytes(b"\xef\xbb\xbf" + SOUND.encode(), file="m.toml") == parse_column_map(
        SOUND, file="m.toml"
    )


@settings(steady, max_examples=25)
@given(data=st.binary(max_size=60))
def test_any_bytes_are_a_map_or_refused(data: bytes) -> None:
    with pytest.raises(MapError):
        column_map_of_bytes(data, file="map.toml")


@steady
@given(text=st.text())
def test_any_text_is_a_map_or_refused(text: str) -> None:
    with pytest.raises(ColumnMapError):
        parse_column_map(text, file="map.toml")
    with pytest.raises(ColumnMapError):
        parse_column_map("[[table]]\n" + text, file="map.toml")


# Names begin and end with a letter: blanks around them are no part of a name.
words = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=8).map(
    lambda text: f"n{text}n"
)


@steady
@given(
    file=words.filter(lambda name: "/" not in name and "\\" not in name),
    columns=st.dictionaries(
        st.sampled_from([one for one in BENCH_COLUMNS if one not in ("operator", "restoration_id")]), words
    ),
    readings=st.dictionaries(words, st.tuples(words, st.none() | st.integers(1, 10**6), st.none() | words), min_size=1),
    values=st.dictionaries(words.map(column_key), words, max_size=3),
    ticks=st.lists(words.map(column_key), unique=True, max_size=4),
    decimal=st.sampled_from([None, ",", "."]),
)
def test_a_written_map_reads_as_the_same(
    file: str,
    columns: dict[str, str],
    readings: dict[str, tuple[str, int | None, str | None]],
    values: dict[str, str],
    ticks: list[str],
    decimal: str | None,
) -> None:
    first = next(iter(readings))
    block = TableMap(
        table="bench_sheet",
        file=file,
        columns=MappingProxyType({"restoration_id": "No."} | columns),
        readings=tuple(
            ReadingColumn(reading=name, column=column, times=None if times is None else Decimal(times) / 8, step=step)
            for name, (column, times, step) in readings.items()
        ),
        decimal=decimal,
        values=MappingProxyType({first: MappingProxyType(values)} if values else {}),
        yes=tuple(ticks[::2]),
        no=tuple(ticks[1::2]),
    )
    written = column_map_as_toml(ColumnMap(file="m", tables=(block,)))
    assert parse_column_map(written, file="m") == ColumnMap(file="m", tables=(block,))


def test_a_written_map_of_lists_reads_as_the_same() -> None:
    found = parse_column_map(SOUND, file="map.toml")
    assert parse_column_map(column_map_as_toml(found), file="map.toml") == found
