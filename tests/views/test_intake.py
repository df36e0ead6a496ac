"""Files are looked at first, saved when confirmed, and taken back again; nothing of a refused file is saved."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import select
from streamlit.testing.v1 import AppTest

from remakes import flow
from remakes.records import schema
from remakes.records.importers import list_imports
from remakes.records.importers.shapes import remember_map, remembered_maps
from remakes.records.store import open_store
from remakes.views import intake
from tests.views.lab import open_page, table_with, texts

GOOD = b"restoration_id,kind,units,delivered_on\nR1,crown,1,2026-01-05\nR2,bridge,3,2026-01-07\n"
BAD = b"restoration_id,kind,units,delivered_on\nR1,crown,1,2026-01-05\nR2,bridge,none,2026-01-07\n"


def test_files_are_shown_first_and_saved_when_confirmed(empty_lab: Path) -> None:
    page = open_page("lists")
    page.file_uploader(key="files_0").set_value([("restorations.csv", GOOD, "text/csv")]).run()
    assert not page.exception
    assert "2 would be taken" in texts(page)
    store = open_store(str(empty_lab))
    assert flow.brief(store).empty
    page.button(key="confirm_import").click().run()
    assert "restorations.csv: 2 taken, 0 changed, 0 unchanged, 0 refused: saved." in page.success[0].value.replace(
        "\\", ""
    )
    assert flow.brief(store).restorations == 2
    assert [one.file for one in list_imports(store)] == ["restorations.csv"]
    assert "2 restorations" in texts(page)


def test_refused_rows_are_listed_with_what_to_do_and_keep_the_file_out(empty_lab: Path) -> None:
    page = open_page("lists")
    page.file_uploader(key="files_0").set_value([("restorations.csv", BAD, "text/csv")]).run()
    refused = table_with(page, "reason")
    assert list(refused["line of the file"]) == [3]
    assert list(refused["column"]) == ["units"]
    assert refused["what to do"].all()
    page.button(key="confirm_import").click().run()
    assert "nothing of it is saved" in page.error[0].value
    store = open_store(str(empty_lab))
    assert flow.brief(store).empty

    page.file_uploader(key="files_1").set_value([("restorations.csv", BAD, "text/csv")]).run()
    page.checkbox(key="accept_good").check()
    page.button(key="confirm_import").click().run()
    assert flow.brief(store).restorations == 1


def test_a_file_that_cannot_be_read_is_told_in_words(empty_lab: Path) -> None:
    page = open_page("lists")
    page.file_uploader(key="files_0").set_value([("standard.toml", b"steps = [", "application/toml")]).run()
    assert not page.exception
    assert table_with(page, "reason")["reason"].all()


def test_a_name_with_folders_stays_inside_the_folder_of_the_upload(tmp_path: Path) -> None:
    (path,) = intake.written({"../../evil.csv": b""}, str(tmp_path))
    assert path == tmp_path / "evil.csv"


def test_the_day_up_to_which_returns_are_complete_is_set(own_lab: Path) -> None:
    page = open_page("lists")
    next(one for one in page.text_input if one.label == "Complete up to").set_value("15.9.2026")
    next(one for one in page.button if one.label == "Set").click().run()
    assert not page.exception
    assert str(open_store(str(own_lab)).observed_until()) == "2026-09-15"
    assert "15 September 2026" in texts(page)


def test_two_files_of_one_name_are_refused_rather_than_one_dropped(empty_lab: Path) -> None:
    page = open_page("lists")
    page.file_uploader(key="files_0").set_value([("restorations.csv", one, "text/csv") for one in (GOOD, BAD)]).run()
    assert "Two files are called restorations" in page.error[0].value
    assert "confirm_import" not in [button.key for button in page.button]


def test_a_faulty_column_map_is_told_and_hides_nothing_else(own_lab: Path) -> None:
    page = open_page("lists")
    page.file_uploader(key="files_0").set_value([("orders.csv", GOOD, "text/csv")])
    page.file_uploader(key="map_0").set_value(("map.toml", b"[[table]]\nis = 'nothing'\n", "application/toml")).run()
    assert not page.exception
    assert "map.toml" in page.error[0].value
    assert "What was brought in" in [one.value for one in page.subheader]


BENCH = "\n".join(
    [
        "Bench sheet;;;;",
        "No.;Day;Wait min;Uses;Remark",
        "R00001;03.02.2026;3,5;2;",
        "R00002;04.02.2026;2,5;;late",
        "R00003;05.02.2026;;none;",
    ]
).encode()


def use_button(page: AppTest) -> Any:
    return next(one for one in page.button if one.key and one.key.endswith("_use"))


def use(page: AppTest) -> None:
    use_button(page).click().run()


def chosen(page: AppTest, label: str) -> object:
    return next(one for one in page.selectbox if one.label.startswith(label)).value


def test_a_foreign_bench_sheet_is_matched_looked_at_saved_and_known_again(own_clear_lab: Path) -> None:
    store = open_store(str(own_clear_lab))
    before = flow.brief(store).readings
    page = open_page("lists")
    page.file_uploader(key="files_0").set_value([("bench week 9.csv", BENCH, "text/csv")]).run()
    assert not page.exception
    assert "confirm_import" not in [button.key for button in page.button]
    assert next(one for one in page.radio if one.label == "This is a list of").value == "bench_sheet"
    assert chosen(page, "Restoration number") == "No."
    assert chosen(page, "wait_s in s") == "Wait min"
    assert chosen(page, "uses (blasting)") == "Uses"
    assert "03.02.2026 is read as 3 February 2026" in texts(page).replace("\\", "")  # only one way fits: told
    use(page)
    assert not page.exception
    assert "3 would be taken" in texts(page)
    assert list(table_with(page, "reason")["value"]) == ["none"]
    page.checkbox(key="accept_good").check()
    page.button(key="confirm_import").click().run()
    assert "the good rows are saved" in page.warning[1].value
    assert flow.brief(store).readings == before + 3
    (kept,) = remembered_maps(store).values()
    assert {one.reading: one.times for one in kept.block.readings} == {"wait_s": 60, "uses": None}

    mended = BENCH.replace(b"none", b"2")
    page.file_uploader(key="files_1").set_value([("bench week 10.csv", mended, "text/csv")]).run()
    assert "1 would be taken" in texts(page)  # no question: the columns are known
    assert "3 are there already" in texts(page)
    page.button(key="confirm_import").click().run()
    assert flow.brief(store).readings == before + 4


def test_a_day_that_can_be_read_in_two_ways_is_asked_about(own_clear_lab: Path) -> None:
    page = open_page("lists")
    sheet = b"No.;Day;Uses\nR00001;03/02/2026;1\nR00002;04/05/2026;2\n"
    page.file_uploader(key="files_0").set_value([("bench.csv", sheet, "text/csv")]).run()
    assert use_button(page).disabled
    assert "Say how days are written" in texts(page)
    question = next(one for one in page.radio if one.label.startswith("How are days written"))
    assert question.value is None
    assert len(question.options) == 2
    question.set_value("%m/%d/%Y").run()
    assert not use_button(page).disabled
    use(page)
    assert "2 would be taken" in texts(page)


def test_teeth_must_be_declared_and_unknown_kinds_are_translated(empty_lab: Path) -> None:
    page = open_page("lists")
    sheet = "Auftrag;Art;Zähne;Ausgang\nA1;Br;19 20;05.01.2026\nA2;K;8;06.01.2026\nA3;Zz;8;13.01.2026\n".encode()
    page.file_uploader(key="files_0").set_value([("orders.csv", sheet, "text/csv")]).run()
    assert "Say how teeth are counted" in texts(page)
    assert (chosen(page, "Br"), chosen(page, "K (")) == ("bridge", "crown")
    next(one for one in page.radio if one.label.startswith("How are teeth")).set_value("universal").run()
    use(page)
    assert "2 would be taken" in texts(page)
    assert "1 refused" in texts(page)
    next(one for one in page.selectbox if one.label.startswith("Zz")).set_value("onlay").run()
    assert "The answers have changed since" in texts(page)
    use(page)
    page.button(key="confirm_import").click().run()
    with open_store(str(empty_lab)).reader() as connection:
        found = connection.execute(select(schema.restorations.c.kind, schema.restorations.c.teeth)).all()
    assert sorted(map(tuple, found)) == [("bridge", "36 35"), ("crown", "11"), ("onlay", "11")]


def test_a_template_filled_in_with_another_way_of_writing_is_asked_about_not_refused(empty_lab: Path) -> None:
    # The sample file, filled in and saved by a spreadsheet of another language.
    sheet = b"restoration_id;kind;units;delivered_on\nR1;Krone;1;13.01.2026\nR2;Br;3;14.01.2026\n"
    page = open_page("lists")
    page.file_uploader(key="files_0").set_value([("restorations.csv", sheet, "text/csv")]).run()
    assert not page.exception
    assert "confirm_import" not in [button.key for button in page.button]
    assert chosen(page, "Delivered on") == "delivered_on"
    assert (chosen(page, "Krone"), chosen(page, "Br")) == ("crown", "bridge")
    assert "13.01.2026 is read as 13 January 2026" in texts(page).replace("\\", "")
    use(page)
    assert "2 would be taken" in texts(page)
    page.button(key="confirm_import").click().run()
    assert flow.brief(open_store(str(empty_lab))).restorations == 2
    # The next one of that kind needs no questions; one written as ours needs none either.
    later = sheet.replace(b"R2", b"R3")
    page.file_uploader(key="files_1").set_value([("restorations.csv", later, "text/csv")]).run()
    assert "1 would be taken" in texts(page)
    page.file_uploader(key="files_1").set_value([("restorations.csv", GOOD, "text/csv")]).run()
    assert "confirm_import" in [button.key for button in page.button]


def test_a_column_map_in_another_encoding_is_refused_in_words(own_lab: Path) -> None:
    page = open_page("lists")
    page.file_uploader(key="files_0").set_value([("orders.csv", GOOD, "text/csv")])
    column_map = "[[table]]\nfile = 'Aufträge.csv'\n".encode("cp1252")
    page.file_uploader(key="map_0").set_value(("map.toml", column_map, "application/toml")).run()
    assert not page.exception
    assert "is not UTF-8 text" in page.error[0].value.replace("\\", "")


def test_what_cannot_be_read_is_told_and_nothing_of_the_others_is_saved(empty_lab: Path) -> None:
    page = open_page("lists")
    files = [("restorations.csv", GOOD, "text/csv"), ("book.xlsx", b"PK\x03\x04 no workbook", "x/x")]
    page.file_uploader(key="files_0").set_value(files).run()
    assert not page.exception
    assert "cannot be read as a workbook" in page.error[0].value
    assert "confirm_import" not in [button.key for button in page.button]


def test_a_remembered_map_is_changed_and_forgotten(own_lab: Path) -> None:
    store = open_store(str(own_lab))
    block = '[[table]]\nis = "returns"\nfile = "r.csv"\n'
    block += 'columns = { restoration_id = "No", reported_on = "D", defect = "F" }\n'
    remember_map(store, "0" * 16, block, file="r.csv", who="quality")
    page = open_page("lists")
    field = next(one for one in page.text_area if one.label.startswith("How these files"))
    field.set_value(block.replace('"F"', '"G"').replace("is =", "as =")).run()
    page.button(key=f"save_{'0' * 16}").click().run()
    assert "1 mistake" in page.error[0].value or "mistakes" in page.error[0].value
    next(one for one in page.text_area if one.label.startswith("How these files")).set_value(
        block.replace('"F"', '"G"')
    ).run()
    page.button(key=f"save_{'0' * 16}").click().run()
    assert remembered_maps(store)["0" * 16].block.columns["defect"] == "G"
    page.button(key=f"forget_{'0' * 16}").click().run()
    assert not remembered_maps(store)


def test_taking_back_what_later_records_rest_on_is_refused_and_names_them(own_lab: Path) -> None:
    store = open_store(str(own_lab))
    first = next(one for one in list_imports(store) if one.table == "restorations")
    page = open_page("lists")
    box = next(one for one in page.selectbox if one.label == "Import to take back")
    box.set_value(first.import_id).run()
    page.button(key="undo_import").click().run()
    assert "cannot be taken back now" in page.error[0].value
    assert "process" in texts(page)
    assert "confirm_undo" not in [button.key for button in page.button]
