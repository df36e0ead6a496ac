"""Files are looked at first, saved when confirmed, and taken back again; nothing of a refused file is saved."""

from __future__ import annotations

from pathlib import Path

from remakes import flow
from remakes.records.importers import list_imports
from remakes.records.store import open_store
from remakes.views import intake
from tests.views.lab import open_page, texts

GOOD = b"restoration_id,kind,units,delivered_on\nR1,crown,1,2026-01-05\nR2,bridge,3,2026-01-07\n"
BAD = b"restoration_id,kind,units,delivered_on\nR1,crown,1,2026-01-05\nR2,bridge,none,2026-01-07\n"


def test_files_are_shown_first_and_saved_when_confirmed(empty_lab: Path) -> None:
    page = open_page("lists")
    page.file_uploader(key="files_0").set_value([("restorations.csv", GOOD, "text/csv")]).run()
    assert not page.exception
    assert "2 good rows" in texts(page)
    store = open_store(str(empty_lab))
    assert flow.brief(store).empty
    page.button(key="confirm_import").click().run()
    assert "restorations.csv: 2 taken, 0 unchanged, 0 refused: saved." in page.success[0].value.replace("\\", "")
    assert flow.brief(store).restorations == 2
    assert [one.file for one in list_imports(store)] == ["restorations.csv"]
    assert "2 restorations" in texts(page)


def test_refused_rows_are_listed_with_what_to_do_and_keep_the_file_out(empty_lab: Path) -> None:
    page = open_page("lists")
    page.file_uploader(key="files_0").set_value([("restorations.csv", BAD, "text/csv")]).run()
    refused = page.dataframe[0].value
    assert list(refused["line"]) == [3]
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
    assert page.dataframe[0].value["reason"].all()


def test_a_name_with_folders_stays_inside_the_folder_of_the_upload(tmp_path: Path) -> None:
    (path,) = intake.written({"../../evil.csv": b""}, str(tmp_path))
    assert path == tmp_path / "evil.csv"


def test_the_day_up_to_which_returns_are_complete_is_set(own_lab: Path) -> None:
    page = open_page("lists")
    page.date_input[0].set_value("2026-09-15")
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
