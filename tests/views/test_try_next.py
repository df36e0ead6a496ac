"""What to try next, part by part, without a browser; the whole life of a decision on a copy of the clear lab."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from remakes import flow, words
from remakes.actions.limits.study import LimitStudy
from remakes.flow.records import set_observed_until
from remakes.records.decisions import Decision, JudgingRule, decide, judge, list_decisions, propose, start, withdraw
from remakes.records.store import Store, open_store
from remakes.records.trial_plans import KeptPlan, give_up, keep_plan, list_plans, load_plan
from remakes.views import cautions, state
from remakes.views.server import DATABASE_VARIABLE
from remakes.views.try_parts import wording
from tests.sample_follow_up import FOUND
from tests.shared_labs import analysis_of
from tests.views.lab import open_page, put_on_shelf, table_with, texts

PARTS = (wording.WORTH, wording.DECIDED, wording.FOLLOWED, wording.TRIAL, wording.LIMITS)
RULE = JudgingRule(factors=("bond_wait",), defects=("debonding",))
COMES_FIRST = "licensed practice come first: no action may go against them"


@pytest.fixture
def writable(
    clear_lab_file: Path, clear_result: flow.Analysis, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Store]:
    """A copy of the clear lab for one test; decisions change none of its findings, which are not sought anew."""
    monkeypatch.setattr(state, "analysis", lambda: clear_result)
    copy = tmp_path / "own_clear.sqlite"
    shutil.copyfile(clear_lab_file, copy)
    monkeypatch.setenv(DATABASE_VARIABLE, str(copy))
    store = open_store(str(copy))
    yield store
    store.close()


@pytest.fixture(scope="module")
def clear_result(clear_lab_file: Path, tmp_path_factory: pytest.TempPathFactory) -> flow.Analysis:
    result = analysis_of(tmp_path_factory, clear_lab_file)
    put_on_shelf(clear_lab_file, result)
    return result


pytestmark = pytest.mark.usefixtures("clear_result")


def opened(part: str, *, role: str = "manager", **chosen: Any) -> AppTest:
    """The page as an address that names the part opens it."""
    app = AppTest.from_function(_page, default_timeout=60)
    for name, value in {"role": role, "code": "M1", "part": part, **chosen}.items():
        app.session_state[name] = value
    return quiet(app.run())


def _page() -> None:
    from remakes.views import frame, try_next

    frame.page("What to try next", try_next.body)()


def quiet(page: AppTest) -> AppTest:
    assert not page.exception
    assert [one.value for one in page.error if "Something went wrong" in one.value] == []
    return page


def control(page: AppTest, key: str) -> Any:
    return next(one for one in page.get("button_group") if one.key == key)


def charts_of(page: AppTest) -> int:
    return len(page.get("arrow_vega_lite_chart") or page.get("vega_lite_chart"))


def only(store: Store) -> Decision:
    (one,) = list_decisions(store)
    return one


def running(store: Store, *, began: date = date(2025, 6, 2)) -> Decision:
    """The timer, decided and begun in the middle of the lab's year."""
    before = began - timedelta(days=7)
    one = propose(store, action="bond_timer", who="manager M1")
    one = decide(
        store,
        one.decision_id,
        owner_role="quality",
        owner_code="Q1",
        starts_on=began,
        due_on=date(2026, 12, 1),
        rule=RULE,
        who="manager M1",
        role="manager",
        version=one.version,
        today=before,
        correction="Four crowns bonded anew",
    )
    return start(store, one.decision_id, who="quality Q1", version=one.version, today=began)


@pytest.mark.parametrize("part", PARTS)
def test_every_part_says_that_the_instructions_come_first(part: str, clear_lab: Path) -> None:
    said = texts(opened(part))
    assert COMES_FIRST in said
    assert cautions.SAFETY_LINE in said
    assert "nan" not in said.split()
    assert "causes" not in said


@pytest.mark.parametrize("part", PARTS)
def test_every_part_of_an_empty_store_says_what_to_do_next(part: str, empty_lab: Path) -> None:
    page = opened(part)
    assert not page.error
    assert "no records yet" in texts(page)


@pytest.mark.parametrize("role", ["technician", "quality"])
@pytest.mark.parametrize("part", PARTS)
def test_another_role_is_refused_in_every_part(part: str, role: str, clear_lab: Path) -> None:
    page = opened(part, role=role)
    assert "This page is for the role manager" in page.error[0].value
    assert not page.dataframe


def test_worth_shows_pictures_break_even_and_what_is_worth_measuring(
    clear_lab: Path, clear_result: flow.Analysis
) -> None:
    page = opened(wording.WORTH)
    (action,) = clear_result.actions
    assert page.header[0].value.startswith("Start with: “Timer at the bonding bench”.")
    assert charts_of(page) == 2
    row = table_with(page, "pays in").iloc[0]
    most = action.break_even_cost_per_month
    assert row["may cost a month, EUR (95 %)"] == f"{most.estimate:,.0f} ({most.low:,.0f} to {most.high:,.0f})"
    assert "The lab's own figures" in texts(page)
    assert "What is worth measuring" in [one.value for one in page.subheader]
    # Figures that are not needed to decide are folded; the warning and the reasons are not.
    folded = [one.label for one in page.expander]
    assert "All figures, action by action" in folded
    assert not any("instructions and licensed practice" in one.value for fold in page.expander for one in fold.warning)
    # Requirements in words, their codes behind; each said once.
    assert "(bond_wait)" in texts(page).replace("\\", "")
    assert "(“" not in texts(page)


def test_reasons_beyond_the_first_and_without_a_finding_are_folded(
    clear_lab: Path, clear_result: flow.Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    (action,) = clear_result.actions
    backed = [replace(action, action=f"backed_{n}", title=f"Backed {n}", rank=n) for n in range(1, 6)]
    bare = replace(action, action="bare", title="Bare", rank=6, because=())
    many = replace(clear_result, actions=(*backed, bare))
    choices = state.choices(clear_result)
    monkeypatch.setattr(state, "analysis", lambda: many)
    monkeypatch.setattr(state, "choices", lambda _: choices)
    page = opened(wording.WORTH)
    lines = {one.label: [button.key for button in one.button] for one in page.expander}
    assert lines["2 more actions with a finding behind them, further down the list"] == [
        "propose_backed_4",
        "propose_backed_5",
    ]
    assert lines["1 more action: no finding stands behind it yet"] == ["propose_bare"]
    folded = {key for keys in lines.values() for key in keys}
    assert {f"propose_backed_{n}" for n in (1, 2, 3)} <= {str(one.key) for one in page.button} - folded


def test_what_if_answers_anew_says_so_and_is_taken_back(clear_lab: Path) -> None:
    page = opened(wording.WORTH)
    own = table_with(page, "pays in")
    page.slider(key="what_if_kept_up").set_value(50).run()
    quiet(page)
    assert page.slider(key="what_if_each_bond_timer").value == 50
    assert page.header[0].value.startswith("If things were so, start with: “Timer")
    assert "What if, not the lab's own figures: actions kept up at 50" in texts(page)
    half = table_with(page, "pays in")
    assert not half.equals(own)
    page.slider(key="what_if_return").set_value(0).run()
    assert page.header[0].value == "No step with a finding behind it pays if things were so."
    page.button(key="what_if_reset").click().run()
    quiet(page)
    assert table_with(page, "pays in").equals(own)
    assert "What if, not" not in texts(page)


def test_what_if_needs_no_new_analysis(clear_lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = opened(wording.WORTH)

    def fail(*_: object, **__: object) -> None:
        raise AssertionError("analyzed again")

    monkeypatch.setattr(flow, "analyze", fail)
    monkeypatch.setattr(flow, "prepare_choices", fail)
    for key, value in (("what_if_costs", 2.0), ("what_if_horizon", 24), ("what_if_each_bond_timer", 20)):
        page.slider(key=key).set_value(value).run()
        quiet(page)
    said = texts(page)
    assert "the actions cost 2 times their entries" in said
    assert "24 months of service count" in said


def test_what_if_outlasts_a_look_at_another_part(clear_lab: Path) -> None:
    page = opened(wording.WORTH)
    page.slider(key="what_if_horizon").set_value(24).run()
    control(page, wording.PART).set_value(wording.DECIDED).run()
    assert "nothing is decided" in page.header[0].value
    control(page, wording.PART).set_value(wording.WORTH).run()
    assert quiet(page).slider(key="what_if_horizon").value == 24


def test_without_actions_worth_says_where_they_are_brought_in(
    clear_lab: Path, clear_result: flow.Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(state, "analysis", lambda: replace(clear_result, actions=()))
    assert "The records hold no corrective actions yet" in texts(opened(wording.WORTH))


def test_a_decision_lives_from_proposal_to_verdict(writable: Store) -> None:
    page = opened(wording.WORTH)
    page.button(key="propose_bond_timer").click().run()
    one = only(writable)
    assert (one.status, one.history[0].who) == ("proposed", "manager M1")
    assert one.history[0].note == "Because “Left to react for 3 minutes” (bond_wait) goes with debonding."
    # The next step is shown at once.
    assert "Proposed: Timer at the bonding bench, number 1." in quiet(page).success[0].value
    assert page.header[0].value == "The one action put up so far is proposed."
    assert page.multiselect(key="factors_1").value == ["bond_wait"]
    assert page.multiselect(key="defects_1").value == ["debonding"]

    page.text_input(key="owner_code_1").set_value("Q1")
    page.text_input(key="returns_1").set_value("40")
    page.text_area(key="correction_1").set_value("Four crowns bonded anew")
    page.button(key="save_decide_1").click().run()
    one = only(writable)
    assert quiet(page).success[0].value.startswith("Decided: Timer")
    assert (one.status, one.owner_role, one.owner_code, one.starts_on) == ("decided", "quality", "Q1", date.today())
    assert one.rule == JudgingRule(factors=("bond_wait",), defects=("debonding",), returns_down_by=0.4)
    assert one.correction == "Four crowns bonded anew"
    said = texts(page)
    assert "**Correction** (what was done about the restorations at hand): Four crowns bonded anew" in said
    assert "returns with debonding by 40 % to be worth having" in said.replace("\\", "")

    page.button(key="save_start_1").click().run()
    assert only(writable).status == "running"
    assert "Running: Timer" in quiet(page).success[0].value
    # On its first day nothing can be judged, and the refusal is told in words.
    page.radio(key="verdict_1").set_value("no effect")
    page.text_area(key="judge_note_1").set_value("Nothing seen")
    page.button(key="save_judge_1").click().run()
    assert "nothing can have been seen" in quiet(page).error[0].value
    assert only(writable).status == "running"


def test_judging_offers_the_verdict_by_the_rule_and_lets_the_manager_differ(
    writable: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    running(writable)
    monkeypatch.setattr(state, "follow_up", lambda _: FOUND)
    page = opened(wording.DECIDED)
    assert page.header[0].value == "The one action put up so far is running."
    assert page.radio(key="verdict_1").value == FOUND.verdict == "on the way"
    assert page.text_area(key="judge_note_1").value == FOUND.sentence
    page.radio(key="verdict_1").set_value("no effect")
    page.text_area(key="judge_note_1").set_value("Looked at the bench as well")
    page.button(key="save_judge_1").click().run()
    one = only(writable)
    assert (one.status, one.verdict) == ("judged", "no effect")
    assert one.note == "By the rule: on the way. Looked at the bench as well"
    assert "Judged: Timer at the bonding bench, no effect." in quiet(page).success[0].value
    assert list(table_with(page, "what was done")["what was done"]) == [
        "proposed",
        "proposed to decided",
        "decided to running",
        "running to judged",
    ]


def test_a_judgement_without_a_note_is_refused_and_nothing_is_lost(
    writable: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    running(writable)
    monkeypatch.setattr(state, "follow_up", lambda _: FOUND)
    page = opened(wording.DECIDED)
    page.radio(key="verdict_1").set_value("no effect")
    page.text_area(key="judge_note_1").set_value(" ")
    page.button(key="save_judge_1").click().run()
    assert "Write what the verdict rests on" in quiet(page).error[0].value
    assert only(writable).status == "running"
    assert page.radio(key="verdict_1").value == "no effect"


def test_a_clash_is_told_in_words_and_writes_nothing(writable: Store) -> None:
    one = propose(writable, action="bond_timer", who="manager M1")
    page = opened(wording.DECIDED)
    page.text_input(key="owner_code_1").set_value("Q1")
    page.text_area(key="correction_1").set_value("Four crowns, bonded anew")
    # Meanwhile another manager gives it up.
    withdraw(writable, one.decision_id, why="Too dear", who="manager M2", role="manager", version=one.version)
    page.button(key="save_decide_1").click().run()
    told = quiet(page).error[0].value.replace("\\", "")
    assert "was changed meanwhile by manager M2; it is withdrawn now" in told
    # The form is gone with the state it was for; what was typed is not.
    assert "You had typed: Pseudonym of the owner: Q1" in told
    assert "Four crowns, bonded anew" in told
    after = only(writable)
    assert (after.status, after.note) == ("withdrawn", "Too dear")
    assert "Given up because: Too dear" in texts(page)
    assert [event.to_status for event in after.history] == ["proposed", "withdrawn"]


def test_withdrawing_needs_a_reason(writable: Store) -> None:
    propose(writable, action="bond_timer", who="manager M1")
    page = opened(wording.DECIDED)
    page.button(key="save_withdraw_1").click().run()
    assert "Write why it is given up" in quiet(page).error[0].value
    page.text_input(key="why_1").set_value("Another lab tries it")
    page.button(key="save_withdraw_1").click().run()
    assert only(writable).status == "withdrawn"
    # What was given up can be proposed anew.
    assert quiet(opened(wording.WORTH)).button(key="propose_bond_timer")


def test_a_rule_without_defects_is_refused_in_words(writable: Store) -> None:
    propose(writable, action="bond_timer", who="manager M1")
    page = opened(wording.DECIDED)
    page.text_input(key="owner_code_1").set_value("Q1")
    page.multiselect(key="defects_1").set_value([])
    page.button(key="save_decide_1").click().run()
    assert "It names no defect" in quiet(page).error[0].value
    assert only(writable).status == "proposed"


def test_numbers_of_the_rule_are_read_as_people_type_them(writable: Store) -> None:
    propose(writable, action="bond_timer", who="manager M1")
    page = opened(wording.DECIDED)
    assert page.text_input(key="error_1").label.startswith("How often may we call it a success when nothing has")
    page.text_input(key="owner_code_1").set_value("Q1")
    page.text_input(key="error_1").set_value("2,5")
    page.text_input(key="months_1").set_value("12,5")
    page.button(key="save_decide_1").click().run()
    assert any("counted whole" in one.value for one in quiet(page).error)
    page.text_input(key="months_1").set_value("40")
    page.button(key="save_decide_1").click().run()
    assert any("40 is above 36" in one.value for one in quiet(page).error)
    page.text_input(key="months_1").set_value("")
    page.button(key="save_decide_1").click().run()
    assert any("“Longest time to look, months” is blank" in one.value for one in quiet(page).error)
    assert only(writable).status == "proposed"
    page.text_input(key="months_1").set_value("9")
    page.button(key="save_decide_1").click().run()
    quiet(page)
    one = only(writable)
    assert one.rule is not None
    assert (one.rule.months, one.rule.error, one.rule.miss_share_down_by) == (9, 0.025, 0.5)


def test_a_name_for_the_owner_is_refused(writable: Store) -> None:
    propose(writable, action="bond_timer", who="manager M1")
    page = opened(wording.DECIDED)
    page.text_input(key="owner_code_1").set_value("Two Words")
    page.button(key="save_decide_1").click().run()
    assert "names are not kept" in quiet(page).error[0].value
    assert only(writable).status == "proposed"


def _a_press_refused() -> None:
    import streamlit as st

    from remakes.records.typed_text import pseudonym
    from remakes.texts import speaking
    from remakes.views.try_parts import wording

    # As in the app: a press is carried out before the page knows what its reader reads.
    st.button("press", on_click=wording.saved, args=(lambda _who: pseudonym("Two Words", "code"),))
    with speaking("de"):
        wording.tell_saved()


def test_a_refused_press_is_told_in_the_language_of_the_page(writable: Store) -> None:
    page = AppTest.from_function(_a_press_refused, default_timeout=60)
    page.session_state["role"], page.session_state["code"] = "manager", "M1"
    quiet(page.run()).button[0].click().run()
    (told,) = [one.value for one in quiet(page).error]
    assert "enthält ein Leerzeichen" in told


def test_a_press_in_another_role_writes_nothing(writable: Store) -> None:
    propose(writable, action="bond_timer", who="manager M1")
    page = opened(wording.DECIDED)
    page.text_input(key="owner_code_1").set_value("Q1")
    page.session_state["role"] = "quality"
    page.button(key="save_decide_1").click().run()
    assert any("This page is for the role manager" in one.value for one in page.error)
    assert only(writable).status == "proposed"


def test_an_action_under_way_is_not_proposed_twice(writable: Store) -> None:
    running(writable)
    page = opened(wording.WORTH)
    assert [one.key for one in page.button if str(one.key).startswith("propose_")] == []
    assert "running already" in texts(page)


def test_nothing_running_yet(clear_lab: Path) -> None:
    page = opened(wording.FOLLOWED)
    assert page.header[0].value == "Nothing is running yet, so there is nothing to follow."
    assert not page.dataframe


def test_did_it_work_gives_the_verdict_its_meaning_and_both_pictures(
    writable: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    running(writable)
    monkeypatch.setattr(state, "follow_up", lambda _: FOUND)
    page = opened(wording.FOLLOWED)
    said = texts(page).replace("\\", "")
    assert page.header[0].value == "Timer at the bonding bench: on the way."
    assert "“On the way” means: at the bench it is kept up" in said
    assert "Seen so far: 2.0 months. About 5 more to a verdict" in said
    assert "delivered since 16 March 2026, 3 came back" in said
    misses = table_with(page, "as the rule asks").set_index("requirement")
    assert misses.loc["bond_wait", "since (n)"] == "4 of 80"
    assert misses.loc["bond_wait", "what it says"]
    assert "Misses of “" in said
    looks = table_with(page, "came back (n)")
    assert list(looks["came back (n)"]) == [3, 1]
    assert list(looks["a fall is shown at or under"]) == ["0", "no count yet"]
    assert charts_of(page) == 2
    assert "Other technicians do the work than before." in said
    assert "bad months are followed by better ones" in said


def test_the_page_says_what_the_follow_up_found(writable: Store) -> None:
    running(writable)
    page = opened(wording.FOLLOWED)
    found = state.follow_up(only(writable))
    assert page.header[0].value == f"Timer at the bonding bench: {found.verdict}."
    (change,) = found.misses
    row = table_with(page, "as the rule asks").iloc[0]
    assert row["since (n)"] == f"{change.missed_after} of {change.recorded_after}"


def test_one_of_several_is_picked_running_ones_first(writable: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(state, "follow_up", lambda _: FOUND)
    one = running(writable)
    judge(
        writable,
        one.decision_id,
        verdict="no effect",
        note="Seen",
        who="manager M1",
        role="manager",
        version=one.version,
        today=date(2026, 7, 1),
    )
    running(writable, began=date(2025, 8, 4))
    page = opened(wording.FOLLOWED)
    assert page.selectbox(key="followed").value == 2
    page.selectbox(key="followed").set_value(1).run()
    assert "Judged on 1 July 2026: **no effect**. Seen Above is what the records say by now" in texts(quiet(page))


def test_a_start_after_the_end_of_observation_is_too_early(writable: Store) -> None:
    running(writable, began=date(2026, 11, 2))
    page = opened(wording.FOLLOWED)
    assert page.header[0].value.endswith("too early.")
    assert "nan" not in texts(page).split()


def test_a_trial_is_planned_when_asked_for(clear_lab: Path) -> None:
    page = opened(wording.TRIAL)
    assert page.selectbox(key="trial_factor").value == "bond_wait"
    assert page.multiselect(key="trial_defects_bond_wait").value == ["debonding"]
    assert not page.dataframe
    assert page.header[-1].value == "Planned trials"
    page.slider(key="trial_effect").set_value(60)
    page.button(key="plan_trial").click().run()
    quiet(page)
    said = texts(page)
    assert "How it will be read" in [one.value for one in page.subheader]
    assert "60 %" in page.header[0].value.replace(" ", " ")
    assert COMES_FIRST in said
    needed = table_with(page, "the trial takes")
    assert "60 %" in [text.replace(" ", " ") for text in needed["if returns fell by"]]


def test_a_trial_without_defects_asks_for_one(clear_lab: Path) -> None:
    page = opened(wording.TRIAL)
    page.multiselect(key="trial_defects_bond_wait").set_value([]).run()
    assert page.header[0].value.startswith("Name at least one defect")
    assert [one.key for one in page.button] == []


def test_a_trial_shows_who_works_how_in_which_week(
    clear_lab: Path, clear_result: flow.Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    from remakes.actions.trial.plan import plan_trial

    plan = plan_trial(
        clear_result.table, factor="bond_wait", defects=("debonding",), effect=0.9, restorations_per_month=400
    )
    assert plan.calendar
    monkeypatch.setattr(state, "trial_plan", lambda *_, **__: plan)
    page = opened(wording.TRIAL)
    weeks = table_with(page, "week")
    groups = [name for name in weeks if name not in ("week", "from")]
    assert len(groups) == len(plan.groups)
    assert weeks["from"].iloc[0] == plan.starts_on
    for group, name in zip(plan.groups, groups, strict=True):
        spans = [span for span in plan.calendar if span.group == group.name]
        for day, works in zip(weeks["from"], weeks[name], strict=True):
            (span,) = [span for span in spans if span.begins <= day <= span.ends]
            assert (works == "with the action") == span.with_action
    assert charts_of(page) == 2


def test_limits_are_compared_when_asked_for_and_laxer_ones_not_proposed(
    clear_lab: Path, clear_result: flow.Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = flow.limit_study(open_store(str(clear_lab)), clear_result, factor="bond_wait", defect="debonding")
    asked = []

    def limit_study(store: Store, result: flow.Analysis, *, factor: str, defect: str) -> LimitStudy:
        asked.append((store.url.endswith(clear_lab.name), result.records_version, factor, defect))
        return study

    monkeypatch.setattr(flow, "limit_study", limit_study)
    page = opened(wording.LIMITS)
    assert page.selectbox(key="limit_factor").value == "bond_wait"
    assert page.selectbox(key="limit_defect_bond_wait").value == "debonding"
    page.button(key="compare_bond_wait_debonding").click().run()
    quiet(page)
    assert asked == [(True, clear_result.records_version, "bond_wait", "debonding")]
    table = table_with(page, "it is").set_index("limit")
    assert list(table["flagged a month"]) == [f"{one.flagged_per_month:.1f}" for one in study.points]
    laxer = [one for one in study.points if one.standing == "laxer"]
    assert laxer
    for one in laxer:
        assert table.loc[f"at least {one.limit:g} s", "it is"] == "laxer: not proposed"
    assert "Laxer limits are not proposed: the material's instructions decide." in texts(page)
    assert table.loc["at least 180 s", "it is"] == "present"
    assert charts_of(page) == 2


def test_limits_without_a_numeric_requirement(clear_lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from remakes.views.try_parts import limits

    monkeypatch.setattr(limits, "_numeric", lambda _: [])
    assert opened(wording.LIMITS).header[0].value.endswith("so there is none to move.")


def test_days_in_sentences_are_spelled_out() -> None:
    assert wording.said("since 2026-05-01 (2026-06)") == "since 1 May 2026 \\(June 2026\\)"
    assert wording.said("code 2026-13-45") == "code 2026\\-13\\-45"


def test_the_page_opens_on_what_it_is_worth(clear_lab: Path) -> None:
    page = open_page("try_next")
    assert page.header[0].value.startswith("Start with")
    assert control(page, wording.PART).value == wording.WORTH


def kept_trial(store: Store, result: flow.Analysis, *, starts_on: date = date(2025, 3, 3)) -> KeptPlan:
    """A trial of the lab's own year, kept before it began."""
    plan = flow.plan_trial(result, factor="bond_wait", defects=("debonding",), effect=0.9, starts_on=starts_on)
    assert plan.calendar
    return keep_plan(store, plan, "Timer, every other week", "manager M1", today=starts_on)


def test_a_plan_is_kept_and_stands_in_the_list(writable: Store, clear_result: flow.Analysis) -> None:
    page = opened(wording.TRIAL)
    assert "No trial has been saved yet" in texts(page)
    page.slider(key="trial_effect").set_value(90)
    page.button(key="plan_trial").click().run()
    first = flow.trial_start(clear_result)
    assert page.text_input(key="trial_starts").value == first.isoformat()
    page.text_input(key=f"trial_title_bond_wait_{first.isoformat()}").set_value("Timer, every other week")
    page.button(key="keep_trial").click().run()
    assert "Kept: Timer, every other week." in quiet(page).success[0].value
    (kept,) = list_plans(writable)
    assert (kept.title, kept.starts_on, kept.kept_by) == ("Timer, every other week", first, "manager M1")
    listed = table_with(page, "stands")
    assert list(listed["stands"]) == ["not begun"]
    changes = table_with(page, "works from then on")
    spans = flow.kept_trial(kept).calendar
    assert len(changes) == len(spans)
    assert set(changes["works from then on"]) == {"with the action", "without"}
    assert min(changes["day"]) == first


def test_a_start_that_is_past_is_not_kept(writable: Store) -> None:
    page = opened(wording.TRIAL)
    page.slider(key="trial_effect").set_value(90)
    page.text_input(key="trial_starts").set_value("3.3.2025").run()
    page.button(key="plan_trial").click().run()
    page.button(key="keep_trial").click().run()
    assert "which is past" in quiet(page).error[0].value
    assert list_plans(writable) == ()


def test_a_running_trial_shows_its_log_and_no_difference(writable: Store, clear_result: flow.Analysis) -> None:
    one = kept_trial(writable, clear_result)
    set_observed_until(writable, one.ends_on - timedelta(days=20), who="quality Q1")
    page = opened(wording.TRIAL)
    said = texts(page)
    assert "Too early, until returns are entered up to" in said
    assert "both sides together" in said
    assert "Is the log it needs being kept?" in said
    log = table_with(page, "share not recorded")
    assert log["with the action (n)"].sum() + log["without (n)"].sum() > 100
    assert [key for key in (button.key for button in page.button) if key == f"read_{one.plan_id}"] == []
    assert "Returns with the action to returns without" not in said
    assert not [frame for frame in page.dataframe if "returns" in frame.value]


def test_a_trial_at_its_end_is_read_once_and_leads_to_a_decision(writable: Store, clear_result: flow.Analysis) -> None:
    one = kept_trial(writable, clear_result)
    page = opened(wording.TRIAL)
    assert list(table_with(page, "stands")["stands"]) == ["to be read"]
    page.button(key=f"read_{one.plan_id}").click().run()
    quiet(page)
    (read,) = list_plans(writable)
    assert read.reading is not None
    # On the page the sign for per cent stands apart from its number.
    assert read.reading["sentence"].replace("%", " %") in texts(page).replace("\\", "")
    sides = table_with(page, "side")
    assert list(sides["returns"]) == read.reading["returns"]
    assert f"read_{one.plan_id}" not in [button.key for button in page.button]
    assert f"save_give_up_{one.plan_id}" not in [button.key for button in page.button]
    page.button(key=f"propose_{one.plan_id}_bond_timer").click().run()
    quiet(page)
    proposed = only(writable)
    assert (proposed.status, proposed.action) == ("proposed", "bond_timer")
    assert f"Trial {one.plan_id}, “Timer, every other week”." in proposed.note
    assert page.multiselect(key="defects_1").value == ["debonding"]


def test_two_give_a_trial_up_and_the_second_reads_both_reasons(writable: Store, clear_result: flow.Analysis) -> None:
    one = kept_trial(writable, clear_result)
    page = opened(wording.TRIAL)
    page.text_input(key=f"give_up_why_{one.plan_id}").set_value("Two benches are ill")
    give_up(writable, one.plan_id, why="No material", who="manager M7", version=one.version)
    page.button(key=f"save_give_up_{one.plan_id}").click().run()
    told = page.error[0].value
    assert "was given up meanwhile by manager M7, because\\: No material" in told
    assert "You had typed\\: Why the trial is given up\\: Two benches are ill" in told
    assert load_plan(writable, one.plan_id).given_up_why == "No material"


def test_a_trial_is_given_up_with_the_reason(writable: Store, clear_result: flow.Analysis) -> None:
    one = kept_trial(writable, clear_result)
    page = opened(wording.TRIAL)
    page.button(key=f"save_give_up_{one.plan_id}").click().run()
    assert "Write why the trial is given up" in quiet(page).error[0].value
    page.text_input(key=f"give_up_why_{one.plan_id}").set_value("Two benches are ill")
    page.button(key=f"save_give_up_{one.plan_id}").click().run()
    assert "Given up because: Two benches are ill" in texts(quiet(page))
    assert [each.given_up_why for each in list_plans(writable)] == ["Two benches are ill"]


def decided_later(store: Store) -> Decision:
    one = propose(store, action="bond_timer", who="manager M1")
    return decide(
        store,
        one.decision_id,
        owner_role="quality",
        owner_code="Q1",
        starts_on=date.today() + timedelta(days=3),
        due_on=date.today() + timedelta(days=368),
        rule=RULE,
        who="manager M1",
        role="manager",
        version=one.version,
    )


def test_a_decided_action_is_postponed_with_its_verdict(writable: Store) -> None:
    before = decided_later(writable)
    page = opened(wording.DECIDED)
    assert f"begins on {words.day(before.starts_on)}, to be judged by" in texts(page)
    assert "{" not in texts(page)
    # The usual delay, and the verdict with it, stand there already.
    later = date.today() + timedelta(days=17)
    assert page.text_input(key="later_start_1").value == later.isoformat()
    page.text_input(key="later_why_1").set_value("The timer is not there yet")
    page.button(key="save_postpone_1").click().run()
    assert "Postponed: Timer at the bonding bench" in quiet(page).success[0].value
    after = only(writable)
    assert (after.status, after.starts_on, after.due_on) == ("decided", later, date.today() + timedelta(days=382))
    assert after.rule == before.rule
    assert list(table_with(page, "what was done")["what was done"])[-1] == "postponed"


def test_a_day_that_is_no_day_or_too_short_a_time_is_refused(writable: Store) -> None:
    decided_later(writable)
    page = opened(wording.DECIDED)
    page.text_input(key="later_why_1").set_value("The timer is not there yet")
    page.text_input(key="later_due_1").set_value((date.today() + timedelta(days=100)).isoformat())
    page.button(key="save_postpone_1").click().run()
    assert "are fewer" in quiet(page).error[0].value
    page.text_input(key="later_due_1").set_value("soon")
    page.button(key="save_postpone_1").click().run()
    assert only(writable).version == 2
