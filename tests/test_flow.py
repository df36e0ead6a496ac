"""The composed answers on a small lab, and on none."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from remakes import flow
from remakes.errors import EntryError, InputError, NothingToAnalyzeError, ProcessStandardError
from remakes.records.store import Store, open_store
from remakes.trends.poisson import poisson_interval
from tests.published.cases import published
from tests.shared_labs import analysis_of, clear_lab, large_lab, months_of

Told = tuple[str, int, int]


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return large_lab(tmp_path_factory)


@pytest.fixture(scope="module")
def store(lab: Path) -> Iterator[Store]:
    opened = open_store(str(lab))
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def analysis(lab: Path, tmp_path_factory: pytest.TempPathFactory) -> flow.Analysis:
    return analysis_of(tmp_path_factory, lab)


@pytest.fixture(scope="module")
def clear(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A lab with two requirements that is analyzed in a second."""
    return clear_lab(tmp_path_factory)


def test_progress_is_told_to_the_end(clear: Path) -> None:
    seen: list[Told] = []
    flow.analyze(open_store(str(clear)), progress=lambda what, done, total: seen.append((what, done, total)))
    compared = [one for one in seen if one[0] == "comparing"]
    assert compared[-1][1] == compared[-1][2] == 2 * len({done for _what, done, _total in compared})
    what, done, total = seen[-1]
    assert (what, done) == ("can it be believed", total)


def test_the_restorations_behind_a_number_are_as_many_as_it_says(store: Store, analysis: flow.Analysis) -> None:
    for finding in analysis.findings[:5:2]:
        rows = flow.restorations_behind(store, factor=finding.factor, defect=finding.defect)
        by_status = [sum(row.status == word for row in rows) for word in ("met", "missed", "not recorded")]
        counts = finding.counts
        assert by_status == [counts.returns_met, counts.returns_missed, counts.returns_not_recorded]
    with pytest.raises(ProcessStandardError, match="no factor 'nonsense'"):
        flow.restorations_behind(store, factor="nonsense", defect="chipping")


@pytest.fixture(scope="module")
def months(lab: Path) -> flow.Months:
    return months_of(lab)


def test_months_add_up_to_all_returns(months: flow.Months, analysis: flow.Analysis) -> None:
    every, *each = months.report_months.defects
    assert every.defect == "all"
    assert sum(month.returns for month in every.months) == analysis.returns
    assert {one.defect: sum(month.returns for month in one.months) for one in each} == {
        defect: int(analysis.table.returns_by_pattern(defect).sum()) for defect in analysis.table.defects
    }
    shares = {one.month: one for one in months.delivery_shares if one.defect == "all" and one.within_months == 12}
    assert sum(one.delivered for one in shares.values()) <= analysis.restorations
    assert not shares[max(shares)].mature


def test_a_month_is_held_against_the_months_before(months: flow.Months) -> None:
    review = months.review()
    assert review.month == months.latest
    changed = review.changed["all"]
    assert changed.after[-1] == review.month
    assert len(changed.before) == len(changed.after) == 3
    assert sum(part.returns.estimate for part in changed.parts) == pytest.approx(changed.difference.estimate)
    earlier = months.review(months.months[-4])
    assert earlier.changed["all"].after[-1] == months.months[-4]
    # A month that is under way would look like a fall.
    assert months.review(months.months[-1]).changed["all"].after[-1] == months.latest
    assert all(one.month == review.month for one in review.harm)
    with pytest.raises(InputError, match="name one of these"):
        months.review("2019-01")


def test_months_as_json_have_what_other_programs_rely_on(months: flow.Months) -> None:
    whole = json.loads(json.dumps(months.as_json(), allow_nan=False))
    assert (whole["format"], whole["observed_until"]) == (1, months.observed_until.isoformat())
    keys = {
        "by_report_month": "month defect returns returns_expected_late at_risk_months expected low high signals",
        "by_delivery_month": "month defect delivered within_months share low high mature",
        "lots_and_machines": "what code step defect restorations observed expected ratio low high q stands_out",
    }
    for name, needed in keys.items():
        assert whole[name], name
        assert all(set(needed.split()) <= set(row) for row in whole[name]), name
    changed = whole["what_changed"]
    assert changed["from"] < changed["to"]
    assert changed["parts"][-1]["part"] == "rest"
    assert sum(part["returns"] for part in changed["parts"]) == pytest.approx(changed["difference"])


def test_the_restorations_made_with_a_lot_can_be_listed(store: Store, months: flow.Months) -> None:
    one = max((figure for figure in months.sources.figures if figure.what == "lot"), key=lambda f: f.restorations)
    rows = flow.restorations_from(store, what="lot", code=one.code, step=one.step)
    assert len(rows) == one.restorations
    assert sum(row.in_service for row in rows) == one.still_in_service
    with pytest.raises(InputError, match="No delivered restoration"):
        flow.restorations_from(store, what="lot", code="no such lot", step=one.step)


def test_poisson_limits_are_the_published_ones() -> None:
    # Garwood's exact limits, computed in R (P-h12): observed 10, 4 and 0 against an expectation.
    case = published("P-h12")
    for count, expected in zip(case.data["observed"], case.data["expected"], strict=True):
        low, high = poisson_interval(count)
        case.check(**{f"O{count}_exact_lo": low / expected, f"O{count}_exact_hi": high / expected})


def test_own_work_is_set_beside_the_lab(analysis: flow.Analysis) -> None:
    people = analysis.table.attributes["technician"].levels
    works = [flow.own_work(analysis, person) for person in people]
    assert sum(work.delivered for work in works) == analysis.restorations
    assert sum(work.returned for work in works) == analysis.returns
    # The lab as a whole is as expected: the expectation comes from it.
    assert sum(work.expected for work in works) == pytest.approx(analysis.returns)
    for work in works:
        assert work.ratio.low < work.ratio.estimate < work.ratio.high
        raw = work.returned / work.expected
        # Drawn towards 1, never away from it.
        assert abs(work.ratio.estimate - 1) <= abs(raw - 1) + 1e-12
        assert all(one.missed <= one.recorded and one.recorded <= one.lab_recorded for one in work.factors)
    with pytest.raises(InputError, match="no restoration by 'T99'"):
        flow.own_work(analysis, "T99")


def test_the_brief_counts_and_flags(store: Store) -> None:
    brief = flow.brief(store)
    assert brief.restorations >= 1200
    assert brief.requirements == 21
    assert not brief.empty


def test_the_end_of_observation_moves_the_figures(
    clear: Path, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    analysis = analysis_of(tmp_path_factory, clear)
    shutil.copyfile(clear, tmp_path / "copy.sqlite")
    copy = open_store(str(tmp_path / "copy.sqlite"))
    flow.set_observed_until(copy, date(2025, 9, 30), who="test")
    earlier = flow.analyze(copy)
    assert earlier.observed_until == date(2025, 9, 30)
    assert 0 < earlier.restorations < analysis.restorations
    assert 0 < earlier.returns < analysis.returns


def test_returns_are_not_complete_up_to_a_day_to_come(clear: Path, tmp_path: Path) -> None:
    shutil.copyfile(clear, tmp_path / "copy.sqlite")
    copy = open_store(str(tmp_path / "copy.sqlite"))
    before = copy.setting("observed_until")
    with pytest.raises(EntryError, match="2036-09-30 is still to come"):
        flow.set_observed_until(copy, date(2036, 9, 30), who="Q1", today=date(2026, 9, 30))
    assert copy.setting("observed_until") == before
    flow.set_observed_until(copy, date(2036, 9, 30), who="Q1", today=date(2036, 9, 30))
    assert copy.observed_until() == date(2036, 9, 30)
    # Records may lie ahead of the calendar of this machine.
    flow.set_observed_until(copy, date(2026, 1, 31), who="Q1", today=date(2000, 1, 1))
    copy.close()


def test_an_empty_store_is_told_what_to_do(tmp_path: Path) -> None:
    empty = open_store(str(tmp_path / "empty.sqlite"))
    for ask in (flow.analyze, flow.count_months):
        with pytest.raises(NothingToAnalyzeError, match="remakes import FOLDER"):
            ask(empty)
    assert flow.brief(empty).empty
