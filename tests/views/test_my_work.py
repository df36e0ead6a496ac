"""A technician's own page, and the same page for those whom the lab lets look at it."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from remakes import flow
from remakes.evidence.estimate import Estimate
from remakes.records.house_settings import set_own_work_seen_by
from remakes.records.store import open_store
from tests.views.lab import open_page, texts


def test_whoever_is_let_in_reads_whose_work_it_is_and_the_same_cautions(own_clear_lab: Path) -> None:
    set_own_work_seen_by(open_store(str(own_clear_lab)), ("manager",), who="manager M1")
    page = open_page("my_work", role="manager")
    assert "Choose a technician" in page.info[0].value
    assert page.selectbox(key="of").label == "Technician"
    page.selectbox(key="of").set_value("T02").run()
    assert not page.exception
    shown = "\n".join([texts(page), *(one.value for one in page.subheader)])
    assert "restorations of T02" in shown
    assert "Misses of T02 beside the lab's" in shown
    assert "Which steps of T02 go with returns" in shown
    assert "misses of T02 (n)" in page.dataframe[0].value.columns
    assert re.findall(r"\b(?:your|yours|my)\b|you missed", shown, re.IGNORECASE) == []
    assert not {"T01", "T03"} & set(re.findall(r"T\d\d", shown))
    mine = open_page("my_work", role="technician", code="T02")
    assert "on your" in texts(mine)
    for caution in ("These figures are no judgement of a person", "Expected: the lab's returns in like cases"):
        assert caution in shown
        assert caution in texts(mine)


def test_somebody_without_a_delivery_is_told_so_and_nobody_elses_code(clear_lab: Path) -> None:
    page = open_page("my_work", role="technician", code="T77")
    assert "No restoration of T77 has been delivered yet" in page.info[0].value
    assert not page.error
    assert "T01" not in texts(page)


@pytest.mark.parametrize(("low", "told"), [(0.25, True), (0.15, False)])
def test_a_step_missed_more_than_in_the_lab_is_named_only_where_the_whole_range_says_so(
    low: float, told: bool, clear_lab: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    compare = flow.own_work

    def planted(result: flow.Analysis, code: str) -> flow.OwnWork:
        own = compare(result, code)
        even = [replace(one, share=one.lab_share) for one in own.factors[1:]]
        first = replace(own.factors[0], share=Estimate(0.42, low, 0.6), lab_share=Estimate(0.19, 0.18, 0.2))
        return replace(own, factors=(first, *even), enough=True)

    monkeypatch.setattr(flow, "own_work", planted)
    page = open_page("my_work", role="technician", code="T02")
    assert not page.exception
    said = "lies wholly above the lab's share of misses here"
    assert (said in texts(page)) == told
    assert ("Of the 2 requirements compared, chance alone would put about 0.1 there" in texts(page)) == told
    assert ("(42 % against 19 %)" in texts(page)) == told
