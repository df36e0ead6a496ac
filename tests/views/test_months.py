"""Month in review, part by part, without a browser; on a review made by hand and on the small lab's own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from remakes.evidence.estimate import Estimate
from remakes.records.harm import HarmReport
from remakes.trends.months.report_months import ReportMonths
from remakes.views import cautions, months, state
from remakes.views.month_parts import wording
from tests import sample_months as sample
from tests.views.lab import open_page, table_with, texts

PARTS = ("Is it different?", "What changed", "Deliveries", "Still to be entered", "Lots and machines", "At the bench")


@pytest.fixture
def show(small_lab: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    """Opens one part of the page on a review made by hand."""

    monkeypatch.setattr(state, "restorations_from", lambda *_: ())

    def opened(part: str, review: Any = None, *, defect: str = "") -> AppTest:
        made = review or sample.review()
        monkeypatch.setattr(
            state, "months", lambda month=None: SimpleNamespace(**vars(made) | {"month": month or made.month})
        )
        page = opened_at(part, **({"defect": defect} if defect else {}))
        assert not page.exception
        assert [one.value for one in page.error if "Something went wrong" in one.value] == []
        return page

    return opened


def _months() -> None:
    from remakes.views import frame, months

    frame.page("Month in review", months.body)()


def opened_at(part: str, **chosen: str) -> AppTest:
    """The page as an address that names the part opens it."""
    app = AppTest.from_function(_months, default_timeout=60)
    for name, value in {"role": "quality", "part": part, **chosen}.items():
        app.session_state[name] = value
    return app.run()


def control(page: AppTest, key: str) -> Any:
    return next(one for one in page.get("button_group") if one.key == key)


def charts_of(page: AppTest) -> int:
    return len(page.get("arrow_vega_lite_chart") or page.get("vega_lite_chart"))


def test_the_first_part_answers_whether_the_month_is_different_and_since_when(show: Callable[..., AppTest]) -> None:
    page = show("Is it different?")
    said = texts(page)
    assert page.header[0].value == "More returns than expected, most likely since May 2026."
    assert "July 2026: 19 returns; 10.2 were to be expected, 3 to 18 is common variation: above the limit" in said
    table = table_with(page, "restoration-months in service").set_index("month")
    assert table.loc["2026-07", "against its limits"] == "above the limit, slow rise"
    assert table.loc["2026-08", "against its limits"] == "still coming in"
    assert table.loc["2025-01", "against its limits"] == "not judged"
    assert "one false signal in about 60 months on average" in said
    # Two series: 1 / (1/60 + 1/40).
    assert "2 such series are looked at each month; together they give one false signal in about 24 months" in said
    assert "“slow rise”: month by month" in said
    assert "cause" not in said
    by_defect = table_with(page, "defect")
    assert list(by_defect["defect"]) == ["Chipping"]


def test_a_month_still_coming_in_is_not_judged_in_words(show: Callable[..., AppTest]) -> None:
    page = show("Is it different?")
    page.selectbox(key="month").set_value("2026-08").run()
    assert page.header[0].value.startswith("August 2026: 9 returns so far, and about 3.4 still to be entered.")
    assert "As things stand now: More returns than expected" in texts(page)


def test_harm_stands_first_on_one_line_and_apart_from_the_figures(
    show: Callable[..., AppTest], monkeypatch: pytest.MonkeyPatch
) -> None:
    one = HarmReport(
        return_id="Q17",
        restoration_id="R00017",
        reported_on=date(2026, 7, 3),
        defects=("debonding",),
        is_open=True,
    )
    reports = [one, replace(one, return_id="Q18"), replace(one, return_id="Q19", is_open=False)]
    reports.append(replace(one, return_id="Q20", reported_on=date(2026, 6, 30)))
    monkeypatch.setattr(months, "harm_reports", lambda _store: tuple(reports))
    page = show("Is it different?")
    assert [said.value for said in page.error] == [
        "2 reports of possible harm in July 2026 are open: see Today. "
        "1 report of possible harm in July 2026 was dealt with."
    ]
    assert "R00017" not in texts(page)
    reports[:2] = []
    page = show("Is it different?")
    assert not page.error
    assert page.info[0].value == "1 report of possible harm in July 2026 was dealt with."
    reports[:1] = []
    assert not show("Is it different?").info


def test_deliveries_tell_mature_from_young(show: Callable[..., AppTest]) -> None:
    page = show("Deliveries")
    assert "Of the 50 restorations delivered in April 2026, the latest month in service long enough" in texts(page)
    ages = table_with(page, "time in service").set_index("delivered in")
    assert ages.loc["2026-08", "time in service"] == "still too young"
    assert ages.loc["2026-08", "share (95 % interval)"] == "nobody observed so long"
    assert ages.loc["2026-04", "time in service"] == "long enough"
    control(page, "within").set_value("12").run()
    assert not page.exception
    assert "delivered in July 2025" in texts(page)


def test_what_is_still_to_be_entered_has_its_range_and_its_record(show: Callable[..., AppTest]) -> None:
    page = show("Still to be entered")
    said = texts(page)
    assert page.header[0].value == "August 2026: 9 returns entered, 3 (1 to 7) still to be entered."
    assert "92 % of the ranges held what came" in said
    table = table_with(page, "entered so far (n)").set_index("month")
    assert table.loc["2026-08", "still to be entered (90 % range)"] == "3.4 (1.0 to 7.0)"
    assert table.loc["2026-07", "still to be entered (90 % range)"] == "nothing"
    assert len(table) == 6


def test_what_changed_shows_parts_that_add_up(show: Callable[..., AppTest]) -> None:
    page = show("What changed")
    said = texts(page)
    assert "Compared: May 2026 to July 2026 (57 returns) with February 2026 to April 2026 (29 returns)." in said
    table = table_with(page, "goes with").set_index("goes with")
    assert table.loc["misses: Left for 3 minutes", "returns (95 % range)"] == "+9.0 (+3.0 to +15.0)"
    assert (table.index[0], table.index[-1]) == ("the whole difference", "rest: chance")
    assert list(table["how clear"]) == ["more than chance", "clearly", "clearly", "may be none"]
    assert charts_of(page) == 1
    assert len(page.expander) == 0


def test_parts_that_do_not_stand_out_are_folded_and_the_others_stand_by_size(show: Callable[..., AppTest]) -> None:
    made = sample.what_changed()
    service, misses, rest = made.parts
    near = [replace(misses, part=f"factor:f{n}", label=f"part {n}", returns=Estimate(0.1, -0.2, 0.3)) for n in (1, 2)]
    changed = replace(made, parts=(service, *near, misses, rest), difference=Estimate(28.0, 0.2, 56.0))
    page = show("What changed", sample.review(changed={"all": changed}))
    shown, folded = (one.value for one in page.dataframe if "how clear" in one.value)
    assert list(shown["goes with"]) == ["the whole difference", "misses: Left for 3 minutes", service.label, rest.label]
    assert shown["how clear"].iloc[0] == "only just more than chance"
    assert list(folded["goes with"]) == ["part 1", "part 2"]
    assert set(folded["how clear"]) == {"may be none"}
    assert [one.label for one in page.expander] == ["2 more parts: none of them stands out"]


def test_a_lot_that_stands_out_leads_to_the_restorations_made_with_it(
    show: Callable[..., AppTest], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []
    made = [concerned("R00002", in_service=True), concerned("R00001", in_service=False)]

    def restorations_from(what: str, code: str, step: str) -> tuple[Any, ...]:
        asked.append((what, code, step))
        return tuple(made)

    monkeypatch.setattr(state, "restorations_from", restorations_from)
    page = show("Lots and machines")
    said = texts(page)
    assert asked == [("lot", "L07", "bonding")]
    assert "2 restorations made with bonding lot L07; 1 still in service, 1 of these never came back" in said
    table = table_with(page, "in service")
    assert [one.split("no=")[1] for one in table["restoration"]] == ["R00002", "R00001"]
    assert list(table["with"]) == ["", "Debonding and Chipping"]
    assert "Quarantine and check" in [one.value for one in page.subheader]
    assert "To start a conversation" in " ".join(one.label for one in page.expander).replace("to start", "To start")
    every = table_with(page, "made with")
    assert every.loc[1, "q"] == "not tested"
    assert "T0" not in "".join(one.value.to_string() for one in (*page.dataframe, *page.table))


def concerned(number: str, *, in_service: bool) -> Any:
    return SimpleNamespace(
        restoration_id=number,
        delivered_on=date(2026, 3, 2),
        clinic="C01",
        kind="crown",
        teeth="11",
        in_service=in_service,
        returned_on=None if in_service else date(2026, 5, 4),
        returned_with="" if in_service else "debonding, chipping",
    )


def test_without_a_lot_that_stands_out_nothing_is_fetched_before_one_is_picked(
    show: Callable[..., AppTest], monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("nothing was picked")

    monkeypatch.setattr(state, "restorations_from", never)
    calm = replace(sample.sources(), figures=(sample.source("L08"),), sentence="No lot stands out.")
    page = show("Lots and machines", sample.review(sources=calm))
    assert "Restorations made with one lot or machine" in [one.value for one in page.subheader]
    assert page.selectbox(key="source").value is None


def test_the_bench_puts_requirements_with_a_signal_first(show: Callable[..., AppTest]) -> None:
    page = show("At the bench")
    said = texts(page)
    assert (
        "1 of 2 requirements stand out at the bench in July 2026: “Left to react for 3 minutes” (bond_wait): missed: "
        "above the limit." in said.replace("\\", "")
    )
    table = table_with(page, "asks for")
    assert list(table["requirement"]) == ["bond_wait", "grit_uses"]
    assert list(table["this month"]) == ["missed: above the limit", "within the limits"]
    assert "Left to react for 3 minutes" in said
    assert page.selectbox(key="requirement").value == "bond_wait"
    assert charts_of(page) == 2
    assert [one.key for one in page.selectbox] == ["month", "requirement"]


@pytest.mark.parametrize("part", PARTS)
def test_a_small_lab_reads_what_is_missing_and_sees_counts(part: str, show: Callable[..., AppTest]) -> None:
    page = show(part, sample.review(enough=False))
    said = texts(page) + "".join(one.value.to_string() for one in (*page.dataframe, *page.table))
    assert "nan" not in said.split()
    missing = {
        "Is it different?": "8 returns in the months before; 10 are needed",
        "What changed": "2 returns in the two periods; 10 are needed",
        "Still to be entered": "12 dated entries; 50 are needed",
        "Lots and machines": "3 first returns; 5 are needed",
        "At the bench": "3 months with 10 records; 6 are needed",
    }
    assert missing.get(part, "") in said.replace("\\", "")
    assert page.dataframe or page.table or part == "What changed"


@pytest.mark.parametrize("part", PARTS)
def test_each_part_of_one_defect(part: str, show: Callable[..., AppTest]) -> None:
    page = show(part, defect="" if part == "At the bench" else "chipping")
    assert "Something went wrong" not in texts(page)


def test_the_report_is_made_only_when_asked_for(show: Callable[..., AppTest], monkeypatch: pytest.MonkeyPatch) -> None:
    made = []

    def report(month: str, kind: str) -> bytes:
        made.append((month, kind))
        return b"%PDF"

    monkeypatch.setattr(state, "report", report)
    page = show("Deliveries")
    assert made == []
    page.button(key="make_report").click().run()
    assert not page.exception
    assert made == [("2026-07", "pdf")]
    # It stays while other things are picked, and another kind is asked for anew.
    control(page, "within").set_value("6").run()
    assert [one.key for one in page.get("button") if one.key == "make_report"] == []
    control(page, "report_kind").set_value("xlsx").run()
    assert {kind for _month, kind in made} == {"pdf"}
    page.button(key="make_report").click().run()
    assert made[-1] == ("2026-07", "xlsx")


@pytest.mark.parametrize("part", PARTS)
def test_the_small_lab_itself_shows_every_part(part: str, small_lab: Path) -> None:
    page = opened_at(part)
    assert not page.exception
    assert [one.value for one in page.error if one.value != cautions.HARM and "harm in" not in one.value] == []
    said = texts(page)
    assert page.header[0].value
    assert "How sure is this?" in [one.value for one in page.subheader] or "cannot be said" in said
    assert not {"nan", "inf"} & set(said.split())
    if part == "Deliveries":
        ages = table_with(page, "time in service")
        assert ages.iloc[0]["time in service"] == "still too young"
        assert ages.iloc[-1]["time in service"] == "long enough"


def test_the_report_of_the_small_lab_comes_as_a_file(small_lab: Path) -> None:
    page = open_page("months")
    control(page, "report_kind").set_value("html").run()
    page.button(key="make_report").click().run()
    assert not page.exception
    assert [one.value for one in page.error if "Something went wrong" in one.value] == []
    assert page.get("download_button")


def test_before_the_first_month_the_page_says_what_is_needed(show: Callable[..., AppTest]) -> None:
    page = show("Is it different?", sample.review(months=(), month=""))
    assert "first full month" in page.info[0].value


@pytest.mark.parametrize(
    ("signals", "complete", "judged", "said"),
    [
        (("above the limit", "slow rise"), True, True, "above the limit, slow rise"),
        ((), True, True, "within the limits"),
        ((), True, False, "not judged"),
        ((), False, True, "still coming in"),
    ],
)
def test_how_a_month_stands_in_words(signals: tuple[str, ...], complete: bool, judged: bool, said: str) -> None:
    assert wording.signal_words(signals, complete=complete, judged=judged) == said


def test_months_in_words() -> None:
    assert wording.months_named(["2026-05", "2026-06", "2026-07"]) == "May 2026 to July 2026"
    assert wording.months_named(["2026-05"]) == "May 2026"
    assert wording.months_named([]) == "no month"
    assert wording.from_to(2.6, float("nan")) == ""


def test_every_signal_is_explained() -> None:
    from remakes.trends.months import process_months, signals
    from remakes.views.month_parts.wording import meanings

    every = [signals.ABOVE, signals.BELOW, signals.RISE, signals.FALL]
    every += [process_months.NEAR_UPPER, process_months.NEAR_LOWER]
    assert len(meanings(every)) == len(set(every)) == 6


def test_lots_and_machines_say_over_which_time(show: Callable[..., AppTest]) -> None:
    assert "on record up to 31 August 2026, whichever month is chosen above" in texts(show("Lots and machines"))


def test_a_requirement_seen_from_an_earlier_month_is_told_as_of_the_latest(show: Callable[..., AppTest]) -> None:
    said = "As things stand in the latest months, whichever month is chosen above: "
    assert said in texts(show("At the bench"))
    assert said not in texts(show("At the bench", sample.review(month=sample.MONTHS[19])))


def test_a_signal_of_one_defect_is_told_beside_all_together(show: Callable[..., AppTest]) -> None:
    chipping = sample.judged_defect("chipping")
    months = (*chipping.months[:18], replace(chipping.months[18], signals=("above the limit",)), chipping.months[19])
    both = ReportMonths(defects=(sample.judged_defect(), replace(chipping, months=months)))
    one = texts(show("Is it different?", sample.review(report_months=both)))
    assert "In July 2026 one defect has a signal by itself: chipping (above the limit)." in one
    # Each of the two tables explains the signals that it shows.
    assert one.count("“above the limit”: more in one month") == 2
    assert "by itself" not in texts(show("Is it different?"))


def test_a_difference_between_periods_within_common_variation_says_so(show: Callable[..., AppTest]) -> None:
    said = "Taken one by one, these months gave no signal"
    calm = replace(sample.judged_defect("chipping"), defect="all")
    assert said in texts(show("What changed", sample.review(report_months=ReportMonths(defects=(calm,)))))
    assert said not in texts(show("What changed"))
