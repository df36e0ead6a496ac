"""Process standard, costs, copies and change log in the set-up, by the hands of a manager."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher
from streamlit.testing.v1 import AppTest

from remakes.charts.limit_preview import readings_and_limits
from remakes.flow.standard_preview import LastYear, last_year, preview_limit
from remakes.records import people
from remakes.records.change_log import read_changes
from remakes.records.corrective_actions import load_actions, load_costs, parse_actions
from remakes.records.cost_edits import actions_as_toml
from remakes.records.house_settings import own_work_seen_by
from remakes.records.requirements import Requirement, Rule
from remakes.records.sessions import idle_limit
from remakes.records.standard import load_standard, parse_standard
from remakes.records.standard_edits import reword_requirement
from remakes.records.standard_text import standard_as_toml
from remakes.records.store import Store, open_store
from tests.views.lab import table_with, texts

TOMORROW = date.today() + timedelta(days=1)


def _show(name: str) -> None:
    from importlib import import_module

    from remakes.views import frame

    frame.page("A part", import_module(f"remakes.views.setup_parts.{name}").show)()


def part(name: str, *, role: str = "manager", query: dict[str, str] | None = None) -> AppTest:
    app = AppTest.from_function(_show, default_timeout=60, kwargs={"name": name})
    app.session_state["role"] = role
    app.session_state["code"] = "M1"
    for key, value in (query or {}).items():
        app.query_params[key] = value
    return app.run()


def field(app: AppTest, kind: str, label: str) -> Any:
    return next(one for one in getattr(app, kind) if one.label == label)


@pytest.fixture
def records(own_lab: Path) -> Iterator[Store]:
    store = open_store(str(own_lab))
    yield store
    store.close()


@pytest.fixture
def small(small_lab: Path) -> Iterator[Store]:
    """Only read."""
    store = open_store(str(small_lab))
    yield store
    store.close()


def bond_wait(store: Store) -> Requirement:
    return next(one for one in load_standard(store).requirements if one.factor == "bond_wait")


def chosen(what: str = "limit") -> AppTest:
    app = part("standard")
    field(app, "selectbox", "Requirement").select("bond_wait").run()
    app.session_state["standard_change"] = what
    return app.run()


@pytest.mark.parametrize("name", ["standard", "costs", "backup", "changes"])
@pytest.mark.usefixtures("small_lab")
def test_every_part_opens_for_a_manager_only(name: str) -> None:
    app = part(name)
    assert not app.exception
    assert app.error == []
    assert app.header[0].value
    for role in ("quality", "technician"):
        refused = part(name, role=role)
        assert "manager" in refused.error[0].value
        assert refused.header == []


@pytest.mark.usefixtures("empty_lab")
@pytest.mark.parametrize("name", ["standard", "costs", "backup", "changes"])
def test_every_part_says_what_to_do_in_an_empty_lab(name: str) -> None:
    app = part(name)
    assert app.error == []
    assert not app.exception


def test_columns_that_say_the_same_of_all_requirements_are_left_out(records: Store) -> None:
    before = table_with(part("standard"), "says")
    assert not {"stands", "until"} & set(before.columns)
    bond_wait(records)
    app = chosen()
    field(app, "text_input", "At least").input("200").run()
    field(app, "button", "Save the new limit").click().run()
    after = table_with(app, "stands")
    assert set(after["stands"]) == {"in force", "planned"}
    assert (TOMORROW - timedelta(days=1)).isoformat() in set(after["until"])


def test_a_new_limit_is_looked_at_and_saved(records: Store) -> None:
    old = bond_wait(records)
    app = chosen()
    field(app, "text_input", "At least").input("200,5").run()
    said = texts(app)
    assert "Flagged anew" in said
    assert "no legible reading" in said
    field(app, "button", "Save the new limit").click().run()
    assert "bond" in app.success[0].value
    new = load_standard(records).requirements
    assert replace(old, valid_until=TOMORROW - timedelta(days=1)) in new
    assert replace(old, rule=Rule(kind="at_least", low=200.5), valid_from=TOMORROW) in new
    line = read_changes(records).changes[0]
    assert (line.who, line.what) == ("manager M1", "change requirement")


def test_a_laxer_limit_is_warned_of_and_refused_without_a_source(records: Store) -> None:
    old = load_standard(records)
    app = chosen()
    field(app, "text_input", "At least").input("100").run()
    assert any("laxer" in one.value for one in app.warning)
    field(app, "button", "Save the new limit").click().run()
    assert "source" in app.error[0].value
    assert load_standard(records) == old
    # What was typed is still there.
    assert field(app, "text_input", "At least").value == "100"


def test_two_managers_see_both_versions(records: Store) -> None:
    old = bond_wait(records)
    app = chosen("words")
    field(app, "text_input", "What it says at the bench").input("Mine").run()
    reword_requirement(records, old, says="Theirs", source="x", may_cause=old.may_cause, who="M2")
    app.run()
    assert any("M2" in one.value for one in app.warning)
    field(app, "button", "Save words and source").click().run()
    assert "M2" in app.error[0].value
    assert bond_wait(records).says == "Theirs"
    assert field(app, "text_input", "What it says at the bench").value == "Mine"
    field(app, "button", "Go on with mine").click().run()
    field(app, "button", "Save words and source").click().run()
    assert bond_wait(records).says == "Mine"


def test_ending_needs_a_reason(records: Store) -> None:
    app = chosen("end")
    field(app, "button", "End the requirement").click().run()
    assert "reason" in app.error[0].value
    field(app, "text_input", "Why it ends").input("no longer used").run()
    field(app, "button", "End the requirement").click().run()
    assert bond_wait(records).valid_until == date.today()


def test_a_first_standard_by_hand(empty_lab: Path) -> None:
    app = part("standard")
    field(app, "text_area", "Working steps, one a line, in the order of the work").input("blasting\nbonding").run()
    field(app, "button", "Save steps and title").click().run()
    field(app, "text_input", "Short name of the requirement").input("bond_wait")
    field(app, "selectbox", "Working step").select("bonding")
    field(app, "text_input", "Reading in the process log").input("wait_s").run()
    field(app, "text_input", "At least").input("180")
    field(app, "text_input", "Holds from").input("2024-01-01").run()
    field(app, "button", "Add the requirement").click().run()
    store = open_store(str(empty_lab))
    standard = load_standard(store)
    store.close()
    assert standard.steps == ("blasting", "bonding")
    assert [(one.factor, one.rule) for one in standard.requirements] == [("bond_wait", Rule(kind="at_least", low=180))]


def test_costs_are_saved(records: Store) -> None:
    app = part("costs")
    before = load_costs(records)
    field(app, "text_input", "One minute of work").input("0,9").run()
    assert any("minutes" in one.value for one in app.info)
    field(app, "text_input", "Chipping").input("").run()
    field(app, "button", "Save costs").click().run()
    after = load_costs(records)
    assert after.per_minute == 0.9
    assert dict(after.per_return) == {name: n for name, n in before.per_return.items() if name != "chipping"}
    field(app, "text_input", "One minute of work").input("much").run()
    assert field(app, "button", "Save costs").disabled


def test_an_action_is_changed_ended_and_taken_up_again(records: Store) -> None:
    one = next(action for action in load_actions(records) if action.action == "bond_timer")
    app = part("costs")
    field(app, "selectbox", "Action to change").select("bond_timer").run()
    field(app, "text_input", "Misses of bond_wait removed, %").input("50").run()
    field(app, "button", "Save the action").click().run()
    assert {**one.corrects, "bond_wait": 0.5} in [dict(action.corrects) for action in load_actions(records)]
    field(app, "text_input", "Why it leaves the list").input("dear").run()
    field(app, "button", "End the action").click().run()
    assert "bond_timer" not in [action.action for action in load_actions(records)]
    field(app, "selectbox", "Action to take up again").select("bond_timer").run()
    field(app, "button", "Take it up again").click().run()
    assert "bond_timer" in [action.action for action in load_actions(records)]


def test_a_copy_is_made_from_the_page(records: Store, tmp_path: Path) -> None:
    app = part("backup")
    assert any("No copy" in one.value for one in app.warning)
    field(app, "button", "Copy now").click().run()
    assert "whole path" in app.error[0].value
    app.text_input[0].input(str(tmp_path)).run()
    field(app, "button", "Copy now").click().run()
    assert "found sound" in app.success[0].value
    assert len(list(tmp_path.glob("remakes-*.sqlite"))) == 1
    assert "M1" in app.header[0].value
    assert app.warning == []
    assert records.figures_version() < records.data_version()


def test_settings_are_set(records: Store) -> None:
    app = part("backup")
    field(app, "text_input", "Minutes without a visit after which a person is signed out").input("12").run()
    field(app, "button", "Set the minutes").click().run()
    field(app, "multiselect", "Who may see a technician's own page, besides the technician").select("manager").run()
    field(app, "button", "Set who may see").click().run()
    assert idle_limit(records) == timedelta(minutes=12)
    assert own_work_seen_by(records) == ("manager",)


def newest_told(app: AppTest) -> int:
    return int(str(field(app, "selectbox", "One change, closely").options[0]).split(":")[0])


def test_a_line_of_the_log_is_a_sentence_with_its_reason_and_a_link(records: Store) -> None:
    with records.writer(may="import lists") as connection:
        detail = {"return_id": "Q0416", "restoration_id": "R-1 (b)", "note": "*dentist* told"}
        records.note(
            connection, who="quality Q02", what="deal with harm", table="harm_notes", key="Q0416", detail=detail
        )
    app = part("changes")
    first = app.table[0].value.iloc[0]
    assert first["what was done"].startswith("Dealt with the report of possible harm on return Q0416, restoration R")
    # What was typed stays text.
    assert first["what was done"].endswith(r"\*dentist\* told.")
    assert first["restoration"].endswith("no=R-1%20%28b%29)")
    assert first["who"] == "quality Q02"
    assert "Dealt with the report" in app.header[0].value


def test_the_log_is_filtered_by_the_address_and_paged(records: Store) -> None:
    with records.writer(may="import lists") as connection:
        for n in range(70):
            records.note(
                connection, who="Q7", what="try", table="people", detail={"before": {"n": n}, "after": {"n": 1}}
            )
    app = part("changes", query={"log_who": "Q7"})
    table = app.table[0].value
    assert len(table) == 50
    assert set(table["who"]) == {"Q7"}
    latest = read_changes(records).changes[0].number
    assert newest_told(app) == latest
    field(app, "button", "Older").click().run()
    assert len(app.table[0].value) == 20
    assert newest_told(app) == latest - 50
    field(app, "selectbox", "One change, closely").select(latest - 60).run()
    assert list(app.dataframe[0].value["before"]) == ["9"]
    field(app, "button", "Latest").click().run()
    assert newest_told(app) == latest
    assert app.query_params["log_who"] in ("Q7", ["Q7"])


def test_what_stands_in_the_address_is_no_order(small: Store) -> None:
    app = part("changes", query={"before": "1; drop", "log_month": "x", "log_who": "nobody"})
    assert app.error == []
    assert len(app.table[0].value) == len(read_changes(small).changes)


def test_the_preview_counts_as_the_records_do(small: Store) -> None:
    one = bond_wait(small)
    year = last_year(small, step=one.step, reading=one.reading)
    new = replace(one, rule=Rule(kind="at_least", low=200.0))
    found = preview_limit(year, one, new)
    mine = [each for each in year.readings if one.applies_to(each.attributes)]
    numbers = [float(each.value) for each in mine if one.rule.met(each.value) is not None]
    assert found.recorded == len(numbers)
    assert found.recorded + found.not_recorded == len(mine)
    assert found.flagged == sum(number < 200 for number in numbers)
    assert found.flagged_now == sum(number < 180 for number in numbers)
    assert found.anew == sum(180 <= number < 200 for number in numbers)
    assert found.no_longer == 0
    assert found.flagged_share.low < found.flagged / found.recorded < found.flagged_share.high
    assert sum(one.restorations for one in found.groups) == len(mine)
    assert json.dumps(found.as_json())
    back = preview_limit(year, new, one)
    assert (back.anew, back.no_longer) == (0, found.anew)


def test_readings_of_one_value_are_said(small: Store) -> None:
    one = bond_wait(small)
    year = last_year(small, step=one.step, reading=one.reading)
    same = LastYear(
        readings=tuple(replace(each, value="180") for each in year.readings), after=year.after, until=year.until
    )
    found = preview_limit(same, one, one)
    assert found.heaped
    assert found.commonest == "180"
    # However it was written down.
    written = [replace(each, value=("180", "180.0", "180.00")[k % 3]) for k, each in enumerate(same.readings)]
    assert preview_limit(replace(same, readings=tuple(written)), one, one).commonest_share == found.commonest_share
    assert not preview_limit(replace(year, readings=()), None, one).heaped


@pytest.mark.parametrize("values", [[(180.0, 3)], [(1.0, 2), (2.5, 1)], [(float(n), 1) for n in range(100)]])
def test_the_chart_shows_all_restorations_and_both_limits(values: list[tuple[float, int]]) -> None:
    present, new = Rule(kind="at_least", low=2.0), Rule(kind="between", low=3.0, high=9.0)
    chart = readings_and_limits(values, present, new, name="wait", unit="s").to_dict()
    layers = chart["layer"]
    shown = [row for rows in chart["datasets"].values() for row in rows]
    assert sum(row.get("restorations", 0) for row in shown) == sum(n for _, n in values)
    assert {"present: at least 2 s", "new: at least 3 s", "new: at most 9 s"} <= {row.get("says") for row in shown}
    assert len(readings_and_limits(values, None, new, name="wait", unit="").to_dict()["layer"]) == len(layers) - 2


def test_the_files_of_the_page_come_back(small: Store) -> None:
    standard = load_standard(small)
    assert parse_standard(standard_as_toml(standard), file="standard.toml") == standard
    actions, costs = load_actions(small), load_costs(small)
    assert parse_actions(actions_as_toml(actions, costs), file="actions.toml") == (actions, costs)


def test_signs_in_the_code_of_a_person_are_no_format(records: Store) -> None:
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    people.add_first_manager(records, "M1", "four words in a row", hasher=cheap)
    people.add_person(
        records,
        "*Q*",
        ["quality"],
        "four words in a row",
        who="M1",
        hasher=cheap,
    )
    app = part("people")
    field(app, "selectbox", "Person").select("*Q*").run()
    assert any("Roles of \\*Q\\*" in one.label for one in app.multiselect)
    field(app, "multiselect", "Roles of \\*Q\\*").set_value(["quality", "technician"]).run()
    field(app, "button", "Save the roles").click().run()
    assert "The roles of \\*Q\\* are saved." in app.success[0].value
