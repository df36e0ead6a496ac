"""How far a finding can be believed, as the page tells it."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from remakes import flow, words
from remakes.errors import FitError
from remakes.evidence.cautions import failed_controls
from remakes.evidence.checks.clusters import Widest
from remakes.evidence.checks.cross_check import CrossCheck
from remakes.evidence.checks.leave_out import LeaveOut
from remakes.evidence.checks.power import MonthsToTell
from remakes.evidence.estimate import Estimate
from remakes.evidence.findings import Finding
from remakes.records.store import Store, open_store
from remakes.views import believed, jobs, sentences
from tests.shared_labs import analysis_of
from tests.views.lab import folded, open_page, put_on_shelf, table_with, texts

LOOK = "look_bond_wait_debonding"


@pytest.fixture(scope="module")
def result(clear_lab_file: Path, tmp_path_factory: pytest.TempPathFactory) -> flow.Analysis:
    found = analysis_of(tmp_path_factory, clear_lab_file)
    put_on_shelf(clear_lab_file, found)
    return found


pytestmark = pytest.mark.usefixtures("result")


@pytest.fixture(scope="module")
def finding(result: flow.Analysis) -> Finding:
    return next(one for one in result.findings if (one.factor, one.defect) == ("bond_wait", "debonding"))


@pytest.fixture(scope="module")
def looked(clear_lab_file: Path, result: flow.Analysis) -> Any:
    return flow.closer_look(open_store(str(clear_lab_file)), result, factor="bond_wait", defect="debonding")


def subheaders(page: AppTest) -> list[str]:
    return [one.value for one in page.subheader]


@pytest.fixture
def opened(clear_lab: Path, looked: Any, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    def closer_look(store: Store, result: flow.Analysis, *, factor: str, defect: str) -> Any:
        assert store.url.endswith(clear_lab.name)
        assert (factor, defect, result.records_version) == ("bond_wait", "debonding", store.figures_version())
        return looked

    # Worked out once, by the same function on the same records.
    monkeypatch.setattr(flow, "closer_look", closer_look)
    page = open_page("steps")
    if any(one.key == LOOK for one in page.button):
        page.button(key=LOOK).click().run()
    assert not page.exception
    return page


def test_before_the_closer_look_the_checks_of_a_reported_finding_are_answered(
    clear_lab: Path, monkeypatch: pytest.MonkeyPatch, finding: Finding
) -> None:
    monkeypatch.setattr("remakes.views.state.closer_look", lambda *_, **__: None)
    page = open_page("steps")
    assert "No check below speaks against it" in folded(page, "Can it be believed?")
    assert not any(one.label.startswith("When returns come") for one in page.expander)
    said = texts(page)
    assert finding.checks is not None
    for one in (*finding.checks.left_out, *finding.checks.clustered, finding.checks.early_late):
        assert words.plain(one.sentence) in said
    assert words.plain("E-value of the interval's end") in said
    assert "month in service" in said
    assert page.button(key=LOOK).label == "Look closer"


def test_the_closer_look_brings_the_reading_the_months_and_the_gaps(opened: AppTest, looked: Any) -> None:
    said = texts(opened)
    assert words.plain(looked.dose.sentence) in folded(opened, "The reading and its limit")
    assert "The material's instruction comes first." in said
    bands = table_with(opened, "readings (s)")
    assert list(bands["returns (n)"]) == [one.returns for one in looked.dose.bands]
    assert list(bands["odds ratio (95 %)"]).count("1 (compared with)") == 1
    months = table_with(opened, "missed: returned (95 %)").set_index("months since delivery")
    assert months.loc["12", "missed: returned (95 %)"] == words.share(looked.incidence["missed"].within(12))
    assert months.loc["12", "kept: still at risk (n)"] == f"{looked.incidence['met'].still_at_risk(12):,}"
    within = words.plain(f"Within 12 months of delivery {words.share(looked.incidence['missed'].within(12))}")
    assert within in folded(opened, "When returns come")
    assert not any(one.key == LOOK for one in opened.button)


def test_the_closer_look_is_there_at_once_for_the_next_visit(opened: AppTest) -> None:
    page = open_page("steps")
    assert folded(page, "When returns come")
    assert not any(one.key == LOOK for one in page.button)


def test_the_restorations_behind_are_counted_and_listed_by_how_the_step_stood(
    clear_lab: Path, finding: Finding
) -> None:
    page = open_page("steps")
    counts, every = finding.counts, len(table_with(page, "step was"))
    # The labels of the choice carry the counts of the finding itself.
    assert page.get("button_group")[0].options == [  # type: ignore[attr-defined]
        f"any ({every})",
        f"missed ({counts.returns_missed})",
        f"kept ({counts.returns_met})",
        f"not recorded ({counts.returns_not_recorded})",
    ]
    page.session_state["these"] = "missed"
    page.run()
    assert set(table_with(page, "step was")["step was"]) == {"missed"}
    assert len(table_with(page, "step was")) == counts.returns_missed


def test_a_refused_closer_look_is_told_in_place_and_leaves_the_page_whole(
    clear_lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise FitError("The model of this pair has no maximum. Record more returns.")

    monkeypatch.setattr("remakes.views.state.closer_look", refuse)
    page = open_page("steps")
    assert "has no maximum" in page.error[0].value
    assert "Show me these" in subheaders(page)
    assert "How sure is this?" in folded(page, "How sure is this?")


@pytest.fixture
def small(small_lab: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    put_on_shelf(small_lab, analysis_of(tmp_path_factory, small_lab))
    return small_lab


def test_a_lab_without_findings_can_still_look_closer_at_a_pair(small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # Another test may have looked at this pair before.
    monkeypatch.setattr(jobs.Shelf, "holds", lambda *_: False)
    page = open_page("steps")
    said = texts(page)
    assert "look closer" in said
    assert "Not looked at yet" in said
    waits = list(table_with(page, "what it would take")["what it would take"])
    assert waits
    assert not any("nan" in one or "None" in one for one in waits)


def test_yes_or_no_requirements_say_that_there_is_no_reading(small: Path) -> None:
    page = open_page("steps")
    pairs = page.selectbox(key="finding").options
    (_, defect), *_ = [one.split("(fit_check) with ") for one in pairs if "(fit_check)" in one]
    page.selectbox(key="finding").set_value(f"fit_check with {defect}").run()
    next(one for one in page.button if one.key.startswith("look_fit_check")).click().run()
    assert not page.exception
    assert "with no number behind it" in texts(page)


def test_what_acts_together_is_asked_for_by_a_button(clear_lab: Path) -> None:
    page = open_page("steps")
    if any(one.key == "compare_two" for one in page.button):
        page.button(key="compare_two").click().run()
    assert not page.exception
    said = texts(page)
    assert "pairs of requirements that may cause the same defect" in said
    assert "None of 1 pair acts together clearly" in said or "No two requirements" in said


@pytest.mark.parametrize(
    ("trees", "says"), [(0.9, "For debonding the trees see something"), (0.6, "No: for no defect"), (None, "too few")]
)
def test_the_other_kind_of_model_is_told_in_words(
    trees: float | None, says: str, clear_lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    check = CrossCheck(defect="debonding", returns_fitted=90, returns_judged=60, logistic=0.58, trees=trees or 0.5)
    found = () if trees is None else (check,)
    monkeypatch.setattr("remakes.views.state.cross_checks", lambda *_, **__: found)
    page = open_page("steps")
    assert says in texts(page)
    if trees:
        assert list(table_with(page, "right by boosted trees")["right by boosted trees"]) == [
            f"{trees:.0%}".replace("%", " %")
        ]


def test_a_finding_reads_as_so_many_times_as_often(result: flow.Analysis, finding: Finding) -> None:
    said = sentences.goes_with(finding, horizon=12)
    ratio = finding.adjusted.risk_missed / finding.adjusted.risk_met
    assert f"about {round(ratio)} times as often" in said
    assert words.interval(sentences.odds_ratio(finding)) in said
    counts = f"{finding.counts.returns_missed} returns on {finding.counts.missed} missed"
    assert counts in sentences.on_how_many(finding)
    assert "cause" not in said


@pytest.mark.parametrize(
    ("ratio", "said"),
    [
        (3.6, "about 4 times as often"),
        (2.54, "about 2.5 times as often"),
        (2.04, "about 2 times as often"),
        (1.04, "about as often"),
        (0.5, "less often"),
        (nan, ""),
        (inf, ""),
    ],
)
def test_a_ratio_as_it_is_said(ratio: float, said: str) -> None:
    assert words.times(ratio) == said


def test_numbers_and_their_nouns() -> None:
    assert words.counted(1, "return") == "1 return"
    assert words.counted(1200, "return") == "1,200 returns"
    assert words.counted(2, "check has", "checks have") == "2 checks have"


def left_out(attribute: str, lowest: float, low: float) -> LeaveOut:
    return LeaveOut(
        attribute=attribute,
        full=Estimate(4.0, 2.0, 8.0),
        levels=5,
        tried=5,
        lowest=lowest,
        highest=4.4,
        lowest_without="T04",
        highest_without="T02",
        worst=Estimate(lowest, low, 9.0),
        worst_without="T04",
    )


def test_a_check_that_a_finding_did_not_stand_is_counted_and_told(result: flow.Analysis, finding: Finding) -> None:
    assert finding.checks is not None
    assert believed.doubts_of(finding) == ()
    assert "No check below speaks against it" in believed.verdict(finding, (), looked=True)
    fallen = replace(finding, checks=replace(finding.checks, left_out=(left_out("technician", 1.1, 0.4),)))
    doubts = believed.doubts_of(fallen)
    assert len(doubts) == 1
    assert "Hangs on technician T04" in doubts[0]
    assert believed.verdict(fallen, doubts, looked=True) == "1 check below speaks against it."
    assert fallen.checks is not None
    assert believed.names_a_person(fallen.checks.left_out)
    assert not believed.names_a_person([left_out("clinic", 1.1, 0.4), left_out("technician", 3.5, 1.7)])


def test_a_finding_that_hangs_on_one_lot_is_doubted_once_it_was_looked_at(
    looked: Any, finding: Finding, result: flow.Analysis
) -> None:
    hanging = replace(looked, sources=(left_out("lot", 1.1, 0.4), left_out("equipment", 3.5, 1.7)))
    assert [one.split(":")[0] for one in believed.doubts_of(finding, hanging)] == ["Hangs on material lot T04"]
    answers = dict(believed.answers(finding, result.findings, hanging))
    assert answers["Does it hang on one material lot?"].startswith("Hangs on material lot T04")
    assert answers["Does it hang on one machine?"].startswith("Whichever machine is left out")


def test_where_clinics_may_be_alike_the_wider_interval_is_told(result: flow.Analysis, finding: Finding) -> None:
    assert finding.checks is not None
    wider = Widest(source="clinic", odds_ratio=Estimate(7.7, 1.3, 44.4), p=0.02)
    told = replace(finding, checks=replace(finding.checks, widest=wider))
    row = sentences.finding_row(told, result.standard, doubts=2)
    assert (row["odds ratio (95 %)"], row["widened for"], row["doubts (n)"]) == ("7.7 (1.3 to 44.4)", "clinic", "2")
    assert "odds ratio 7.7 (1.3 to 44.4)" in sentences.goes_with(told, horizon=12)
    own = replace(told, checks=replace(finding.checks, widest=replace(wider, source="model")))
    assert sentences.widened_for(own) == ""


def test_a_finding_whose_miss_goes_with_what_it_cannot_bring_about_is_doubted(
    result: flow.Analysis, finding: Finding
) -> None:
    def control(defect: str, q_alike: float, ratio: float) -> Finding:
        adjusted = replace(finding.adjusted, odds_ratio=Estimate(ratio, ratio / 2, ratio * 2))
        return replace(finding, defect=defect, plausible=False, q_alike=q_alike, adjusted=adjusted)

    quiet = (finding, control("occlusion", 0.4, 1.2), control("shade", 0.01, 0.4), control("porosity", 1.0, nan))
    assert believed.controls_of("bond_wait", quiet).looked_at == 2
    assert believed.controls_of("bond_wait", quiet).not_estimable == 1
    assert "none goes with it clearly" in believed.controls_of("bond_wait", quiet).sentence
    assert "1 more has too few returns" in believed.controls_of("bond_wait", quiet).sentence
    loud = (*quiet, control("seating", 0.05, 3.0))
    assert believed.controls_of("bond_wait", loud).stand_out == ("seating",)
    # What `find` held against the record of the factor is told beside the checks of the finding.
    said = failed_controls(["seating"])
    assert believed.doubts_of(replace(finding, doubts=(said,))) == (said,)


def test_every_sentence_about_gaps_has_its_line(looked: Any, finding: Finding, result: flow.Analysis) -> None:
    answers = dict(believed.answers(finding, result.findings, looked))
    said = " ".join(answers.values())
    for part in looked.checks.gaps.sentence.split(". "):
        assert part.rstrip(".") in said
    assert looked.checks.early_late.sentence in said


def months(**figures: Any) -> MonthsToTell:
    return MonthsToTell(factor="bond_wait", defect="debonding", odds_ratio=3.0, alpha=0.05, power=0.8, **figures)


@pytest.mark.parametrize(
    ("outlook", "said"),
    [
        (months(months=7, months_if_recorded=7), "about 7 more months"),
        (months(months=1, months_if_recorded=1), "about 1 more month"),
        (months(months=20, months_if_recorded=12), "about 20 more months; 12 with every step recorded"),
        (months(months=0), "long enough for 3 times the odds; a smaller difference may be hidden"),
        (months(), "more than 5 years at this pace"),
        (months(months_if_recorded=40), "more than 5 years at this pace; about 40 months with every step recorded"),
        (months(missing="bond_wait is not recorded"), "cannot be said: bond_wait is not recorded"),
    ],
)
def test_how_long_it_takes_in_a_few_words(outlook: MonthsToTell, said: str) -> None:
    assert sentences.how_long(outlook) == said


def test_what_can_be_told_soon_comes_first_and_what_cannot_be_said_last(finding: Finding) -> None:
    outlooks = [months(missing="x"), months(), months(months=30), months(months=2, months_to_list=9), months(months=2)]
    pairs = [replace(finding, months=one) for one in outlooks]
    ordered = [one.months for one in sorted(pairs, key=sentences.soonest_first)]
    assert ordered == [outlooks[3], outlooks[4], outlooks[2], outlooks[1], outlooks[0]]


def test_a_shelf_knows_what_it_holds_and_forgets_what_failed() -> None:
    shelf = jobs.Shelf()
    assert not shelf.holds("a")
    assert shelf.job("a", lambda _tell: 7).future.result(timeout=5) == 7
    assert shelf.holds("a")

    def fail(_tell: jobs.Tell) -> int:
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        shelf.job("b", fail).future.result(timeout=5)
    assert not shelf.holds("b")
