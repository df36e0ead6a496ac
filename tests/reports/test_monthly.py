"""The month in review: what stands where, in which words."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import date, datetime
from functools import cache
from io import BytesIO
from math import isfinite
from typing import Any

import pytest
from pypdf import PdfReader

from remakes.evidence.estimate import Estimate
from remakes.records.bench.moments import stored
from remakes.records.codes import DEFECTS
from remakes.records.harm import HarmNote, HarmReport
from remakes.reports.document import Report, Section
from remakes.reports.monthly import monthly_report
from remakes.reports.pdf import to_pdf
from remakes.reports.review import requirement
from remakes.reports.writing import FORMS, make
from remakes.texts import language, speaking
from remakes.trends.changed.changed import Part
from remakes.trends.months.report_months import ReportMonths
from tests.sample_months import MONTHS, factor, judged_defect, review, source, sources, what_changed

MADE_ON = date(2026, 9, 2)
HARM = HarmReport(
    return_id="R1",
    restoration_id="A-17",
    reported_on=date(2026, 7, 3),
    defects=("tissue_reaction",),
    is_open=True,
)
DEALT_WITH = replace(
    HARM,
    return_id="R0",
    is_open=False,
    last=HarmNote(
        return_id="R0",
        version=1,
        at=stored(datetime.fromisoformat("2026-07-05 12:00")),
        who="quality Q1",
        dealt_with=True,
        note="dentist called",
    ),
)


def made(**other: Any) -> Report:
    return monthly_report(review(**other), made_on=MADE_ON, caution="Not clinical advice.")


@cache
def usual(*, enough: bool = True, month: str = MONTHS[18]) -> Report:
    """A report of the sample as it is, made once."""
    return made(enough=enough, month=month)


def section(report: Report, heading: str) -> Section:
    return next(one for one in (*report.front, *report.details) if one.heading.startswith(heading))


def all_text(content: object) -> Iterator[str]:
    """Every text of a report but that inside charts."""
    if isinstance(content, str):
        yield content
    elif isinstance(content, tuple):
        for one in content:
            yield from all_text(one)
    elif is_dataclass(content):
        for one in fields(content):
            yield from all_text(getattr(content, one.name))


def test_the_front_in_its_order() -> None:
    headings = [one.heading for one in usual().front]
    assert headings == [
        "Is this month different?",
        "What to decide",
        "What changed",
        "Lots and machines, all records so far",
        "At the bench",
        "How sure is this?",
    ]
    assert usual().about == (
        "An invented lab · records until 31 August 2026 · made on 2 September 2026 · invented records, for trying out"
    )


def test_harm_comes_first_and_apart() -> None:
    first = made(harm=(HARM,)).front[0]
    assert first.heading == "1 report of suspected harm"
    assert first.urgent
    assert first.items == ("3 July 2026: Tissue reaction reported, restoration A-17 (return R1): open",)
    assert not any(one.urgent for one in usual().front)
    assert "No return of this month was entered as suspected harm." in usual().front[0].notes


def test_harm_dealt_with_is_told_apart_from_what_is_open() -> None:
    both = made(harm=(DEALT_WITH, HARM)).front[0]
    assert (both.heading, both.urgent) == ("2 reports of suspected harm", True)
    assert both.items == (
        "3 July 2026: Tissue reaction reported, restoration A-17 (return R1): open",
        "3 July 2026: Tissue reaction reported, restoration A-17 (return R0): dealt with on 5 July 2026",
    )
    assert "Has the dentist been told" in both.sentences[0]
    done = made(harm=(DEALT_WITH,)).front[0]
    assert not done.urgent
    assert done.sentences == ("Apart from all statistics, and dealt with: what was done stands on the page Today.",)
    # Who wrote it, and what, stays in the laboratory.
    assert not {"Q1", "dentist called"} & set(all_text(done))


def test_a_month_with_a_signal_is_called_different() -> None:
    found = section(usual(), "Is this month")
    assert found.sentences[0] == (
        "Yes. July 2026 is different: 19 returns where 10.2 were expected (common variation: 3 to 18). "
        "Signal: above the limit and slow rise."
    )
    assert "More returns than expected, most likely since May 2026." in found.sentences
    chart = usual().charts[0].figure
    assert chart is not None
    assert "July 2026: 19 returns, 10.2 expected, common variation 3 to 18." in chart.alternative
    assert "Months with a signal: June 2026 and July 2026." in chart.alternative


def test_a_month_without_a_signal_is_not() -> None:
    found = section(usual(month="2026-04"), "Is this month")
    assert found.sentences[0].startswith("No. April 2026 is within common variation: 10 returns")
    # The result's own sentence speaks of the latest month, which this report knows nothing of.
    assert found.sentences == found.sentences[:1]


def test_a_report_of_an_earlier_month_ends_with_it() -> None:
    report = usual(month="2026-04")
    months = section(report, "All defects, month by month").table
    assert months is not None
    assert months.rows[-1][0] == "2026-04"
    assert report.charts
    for one in report.charts:
        if one.heading.endswith("month by month"):
            assert one.figure is not None
            assert "2026-05" not in str(one.figure.chart.to_dict())


def test_a_month_still_coming_in_is_not_judged() -> None:
    found = section(made(month="2026-08"), "Is this month")
    assert found.sentences[0] == (
        "August 2026 cannot be judged yet: 9 returns so far, about 3 still to be entered. It is shown as it stands."
    )
    assert found.table is not None
    assert [row[-1] for row in found.table.rows] == ["still coming in"] * 2


def test_a_month_without_records() -> None:
    report = made(month="2031-01")
    assert section(report, "At the bench").sentences == ("No requirement could be judged in January 2031.",)
    assert section(report, "Is this month").sentences == ("The records hold nothing for January 2031.",)
    assert make(report, "pdf").startswith(b"%PDF")


def test_a_single_defect_with_a_signal_is_named() -> None:
    one = judged_defect("chipping")
    months = tuple(
        replace(each, signals=("above the limit",)) if each.month == "2026-04" else each for each in one.months
    )
    judged = ReportMonths(defects=(judged_defect(), judged_defect("porosity"), replace(one, months=months)))
    found = section(made(month="2026-04", report_months=judged), "Is this month")
    assert "Defects with a signal: Chipping (above the limit)." in found.sentences
    assert found.table is not None
    assert [row[0] for row in found.table.rows] == ["All defects", "Chipping", "Porosity, voids or blisters"]


def test_the_three_largest_parts_and_the_rest() -> None:
    parts = [
        Part(part=f"factor:{at}", label=f"part {at}", returns=Estimate(size, size - 1, size + 1))
        for at, size in enumerate((0.5, -7.0, 2.0, 5.0, float("nan")))
    ]
    rest = Part(part="rest", label="left over", returns=Estimate(0.1, -3.0, 3.2))
    changed = replace(what_changed(), parts=(*parts, rest))
    report = made(changed={"all": changed})
    assert section(report, "What changed").items == (
        "part 1: −7.0 (−8.0 to −6.0) returns",
        "part 3: +5.0 (+4.0 to +6.0) returns",
        "part 2: +2.0 (+1.0 to +3.0) returns",
        "left over: +0.1 (−3.0 to +3.2) returns",
    )
    table = section(report, "What changed: all defects").table
    assert table is not None
    assert [row[0] for row in table.rows] == ["all together", *(f"part {at}" for at in range(5)), "left over"]


def test_a_lot_that_stands_out_is_to_be_checked() -> None:
    found = section(usual(), "Lots and machines")
    assert found.items == (
        "Bonding lot L07: 15 returns with debonding where 4.8 were expected, 2.6 (1.5 to 4.1) times as many; "
        "97 restorations made with it still in service.",
    )
    assert "Bonding lot L07 (debonding): quarantine and check, or say why not." in section(usual(), "What to d").items


def test_a_lot_that_may_be_another_says_so() -> None:
    twin = source("L07", out=True, hard_to_tell_from=("bonding equipment F2",))
    report = made(sources=replace(sources(), figures=(twin,)))
    assert (
        section(report, "Lots and machines")
        .items[0]
        .endswith("It may be bonding equipment F2 instead, which shares so many of them: check both.")
    )
    table = report.details[[one.heading for one in report.details].index("Lots and machines, all records so far")].table
    assert table is not None
    assert table.rows[0][-1] == "yes, or bonding equipment F2"


def test_clinics_stand_by_code_and_each_defect_only_in_the_workbook() -> None:
    figures = tuple(
        source(code, what="clinic", defect=defect) for code in ("C03", "C01", "C02") for defect in ("debonding", "all")
    )
    table = section(made(clinics=replace(sources(), figures=figures)), "Clinics, by code").table
    assert table is not None
    assert [row[:2] for row in table.rows[:3]] == [(f"C0{at}", "All defects") for at in (1, 2, 3)]
    assert len(table.rows) == 6
    # A printed list of clinics that do not stand out would be read as a ranking.
    assert not table.printed_rows
    assert table.left_out == "All 6 rows are in the workbook."
    outstanding = (*figures[:5], replace(figures[5], stands_out=True))
    told = section(made(clinics=replace(sources(), figures=outstanding)), "Clinics, by code").table
    assert told is not None
    assert [row[:2] for row in told.printed_rows] == [("C02", "All defects")]


def test_the_bench_in_the_words_of_the_standard() -> None:
    found = section(usual(), "At the bench")
    assert len(found.items) == 1
    assert found.items[0].startswith("Left to react for 3 minutes: missed in 28.0 % (19.0 % to 38.0 %)")
    assert (
        "No signal among the deliveries of April 2026" in section(usual(month="2026-04"), "At the bench").sentences[0]
    )


def test_what_is_still_to_come_is_not_told_of_months_long_past() -> None:
    assert len(section(usual(), "How sure").items) == len(section(usual(month="2026-01"), "How sure").items) + 2
    table = section(usual(month="2026-04"), "Deliveries that came back within 1 month").table
    assert table is not None
    assert table.rows[-1][0] == "2026-04"


def test_months_too_young_are_said_to_be() -> None:
    table = section(usual(), "Deliveries that came back within 6 months").table
    assert table is not None
    ages = {str(row[0]): row[-1] for row in table.rows}
    assert ages["2026-01"] == "observed long enough"
    assert ages["2026-02"] == "still too young: more may come"
    assert ages["2026-07"] == "nobody observed that long yet"


def test_a_small_lab_gets_counts_and_what_is_missing() -> None:
    report = usual(enough=False)
    front = section(report, "Is this month")
    assert front.sentences[0] == "July 2026: 19 returns. Not judged: 8 returns in the months before; 10 are needed."
    assert front.table is not None
    assert all(not isfinite(cell) for row in front.table.rows for cell in row[3:6] if isinstance(cell, float))
    assert "2 returns in the two periods; 10 are needed." in section(report, "What changed").sentences
    assert "3 first returns; 5 are needed to compare lots." in section(report, "Lots and machines").sentences
    assert not section(report, "Lots and machines").items
    assert "3 months with 10 records; 6 are needed." in section(report, "At the bench").sentences
    said = " ".join(section(report, "How sure is this?").items)
    counted = section(report, "Chipping, month by month").table
    assert counted is not None
    assert counted.rows
    assert not counted.printed_rows
    assert "12 dated entries; 50 are needed" in said
    assert "false one" not in said


def test_nobody_is_blamed_and_nothing_is_called_a_cause() -> None:
    for one in (usual(), usual(enough=False), made(month="2026-08", harm=(HARM,))):
        words = " ".join(all_text(one)).lower()
        assert "technician" not in words
        assert "cause" not in words.replace("because", "")
        assert "nan" not in words.split()


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("enough", [True, False])
def test_every_form_can_be_made(form: str, enough: bool) -> None:
    assert len(make(usual(enough=enough), form)) > 5_000


def test_an_empty_lab_still_gets_a_report() -> None:
    nothing = replace(sources(enough=False), figures=())
    empty = replace(judged_defect(), months=(), enough=False, missing="No return yet.", sentence="No return yet.")
    report = made(
        report_months=ReportMonths(defects=(empty,)),
        delivery_shares=(),
        sources=nothing,
        clinics=nothing,
        process=(),
        changed={},
        back_test=None,
    )
    for form in FORMS:
        assert make(report, form)


def test_the_front_fits_a_page_on_the_worst_of_months() -> None:
    signals = ("above the limit", "8 in a row on one side", "slow rise")
    long = "A sentence that says in many words what was seen, what was expected and how sure that is. " * 3
    defects = tuple(
        replace(
            one,
            sentence=long,
            months=tuple(replace(each, signals=signals) if each.month == MONTHS[18] else each for each in one.months),
        )
        for one in map(judged_defect, ("all", *DEFECTS))
    )
    report = made(
        harm=(HARM,) * 30,
        report_months=ReportMonths(defects=defects),
        sources=replace(sources(), figures=tuple(source(f"L{at}", out=True) for at in range(40)), sentence=long),
        process=tuple(replace(factor("bond_wait", signal=True), sentence=long) for _ in range(20)),
        changed={"all": replace(what_changed(), sentence=long)},
    )
    assert section(report, "Lots and machines").items[-1] == "and 35 more, see the details"
    pages = PdfReader(BytesIO(to_pdf(replace(report, details=report.details[:1])))).pages
    assert "Not clinical advice." in pages[0].extract_text()
    assert pages[1].extract_text().lstrip().startswith("Charts")


def test_the_charts_stand_on_one_page_and_the_details_begin_the_next() -> None:
    pages = [page.extract_text().lstrip() for page in PdfReader(BytesIO(to_pdf(usual()))).pages]
    assert [page.split()[0] for page in pages[:3]] == ["Month", "Charts", "Details"]
    assert [one.heading for one in usual().charts] == [
        "All defects, month by month",
        "What changed: all defects",
        "Chipping, month by month",
    ]
    assert all(one.figure is not None and one.figure.alternative for one in usual().charts)


def test_a_requirement_beside_the_chart_of_what_changed_is_in_words() -> None:
    figure = usual().charts[1].figure
    assert figure is not None
    drawn = str(figure.chart.to_dict())
    assert "misses: Left to react for 3 minutes" in drawn
    assert "misses of bond_wait" not in drawn


def test_every_open_harm_report_is_printed_however_many_there_are() -> None:
    many = tuple(replace(HARM, return_id=f"R{at}") for at in range(1, 9))
    report = made(harm=(DEALT_WITH, *many))
    assert report.front[0].items[-1] == "and 4 more, see the details"
    listed = section(report, "All reports of suspected harm")
    assert [f"(return R{at}): open" in " ".join(listed.items) for at in range(1, 9)] == [True] * 8
    assert listed in report.printed_details
    assert "Who deals with the 8 open reports of suspected harm, today?" in section(report, "What to decide").items


def test_what_to_decide_tells_more_from_fewer_and_says_when_there_is_nothing() -> None:
    one = judged_defect("chipping")

    def decided(*signals: str) -> tuple[str, ...]:
        months = tuple(replace(each, signals=signals if each.month == "2026-04" else ()) for each in one.months)
        judged = ReportMonths(defects=(judged_defect(), replace(one, months=months)))
        return section(made(month="2026-04", report_months=judged, sources=sources(enough=False)), "What to d").items

    assert decided("above the limit") == ("Chipping, more than expected (above the limit): who looks into it?",)
    assert decided("slow fall") == ("Chipping, fewer than expected (slow fall): is everything entered?",)
    calm = section(made(month="2026-04", sources=sources(enough=False)), "What to decide")
    assert not calm.items
    assert "that is no all-clear" in calm.sentences[0]


def test_a_machine_is_not_put_into_quarantine_like_a_lot() -> None:
    machine = source("F2", out=True, what="equipment", hard_to_tell_from=("bonding lot L07",))
    report = made(month="2026-04", sources=replace(sources(), figures=(machine,)))
    (item,) = section(report, "What to decide").items
    assert item.endswith("F2 or bonding lot L07 (debonding): have it checked, or say why not.")


def test_defects_without_a_signal_are_told_in_a_list_and_none_is_lost() -> None:
    late = judged_defect("surface")
    marked = tuple(replace(each, signals=("slow rise",)) if each.month == "2026-05" else each for each in late.months)
    told = replace(late, months=marked, sentence="Cannot tell whether it has changed.")
    young = [
        replace(judged_defect(code), enough=False, missing="2 returns; 10 are needed.", false_alarm_months=float("nan"))
        for code in ("seating", "contact")
    ]
    rare = replace(judged_defect("porosity"), false_alarm_months=60.0)
    judged = ReportMonths(defects=(judged_defect(), rare, told, *young))
    report = made(report_months=judged)
    listed = section(report, "Defects without a signal")
    assert listed.items == (
        "Surface: Cannot tell whether it has changed.",
        "No signal in July 2026: Porosity, voids or blisters.",
        "Seating and Proximal contact: not judged. 2 returns; 10 are needed.",
    )
    assert "one false signal in about 40 to 60 months" in listed.notes[0]
    assert not [one for one in report.printed_details if one.heading.startswith("Porosity")]
    months = section(report, "Porosity").table
    assert months is not None
    assert months in report.tables


def test_paper_has_the_latest_year_and_says_what_only_the_workbook_has() -> None:
    table = next(one.table for one in usual().details if one.heading == "All defects, month by month")
    assert table is not None
    assert [row[0] for row in table.printed_rows] == list(MONTHS[7:19])
    assert table.left_out == "12 of 19 rows; all of them are in the workbook."
    listed = section(usual(), "Only in the workbook")
    assert any(item.startswith("sheet Deliveries: ") for item in listed.items)
    spans = [one.heading for one in usual().printed_details if one.heading.startswith("Deliveries that")]
    assert spans == ["Deliveries that came back within 3 months"]


def test_requirements_on_paper_are_those_with_a_signal_and_the_most_missed() -> None:
    process = tuple(factor("bond_wait", signal=at == 7) for at in range(8))
    table = section(made(process=process), "At the bench in").table
    assert table is not None
    assert len(table.rows) == 8
    assert len(table.printed_rows) == 6
    assert table.rows[7] in table.printed_rows


@pytest.mark.parametrize("code", ["en", "de"])
def test_per_cent_is_written_one_way(code: str) -> None:
    with speaking(code):
        whole = made()
    sections = (*whole.front, *whole.charts, *whole.details)
    text = " ".join(text for one in sections for text in (*one.sentences, *one.items, *one.notes))
    assert re.search(r"[0-9] %", text)
    assert not re.search("[0-9]\u202f?%", text)


@pytest.mark.parametrize("form", ["pdf", "html"])
def test_the_language_of_the_reader_is_named_for_those_who_hear_the_report(form: str) -> None:
    with speaking("de"):
        file = make(made(), form)
    if form == "html":
        assert file.startswith(b'<!DOCTYPE html>\n<html lang="de">')
    else:
        read = PdfReader(BytesIO(file))
        assert str(read.root_object["/Lang"]) == "de"
        assert "Seite 1 von" in read.pages[0].extract_text()
    assert language() == "en"


def test_a_german_report_says_nothing_of_its_own_in_english() -> None:
    with speaking("de"):
        whole = made(harm=(HARM,))
        own = [whole.about, *(one.left_out for one in whole.tables)]
    sections = (*whole.front, *whole.details)
    own += [whole.title, *(one.heading for one in sections)]
    own += [note for one in sections for note in one.notes]
    own += [text for one in whole.tables for text in (one.sheet, one.caption, one.note)]
    own += [column.name for one in whole.tables for column in one.columns]
    own += [item for one in sections if one.heading in ("Was die Wörter bedeuten", "Vorsicht") for item in one.items]
    assert "1 Meldung über möglichen Schaden" in own
    english = re.compile(r"\b(?:the|of|and|with|not|none|expected|returns?|months?|page|made|by|service)\b")
    codes = {requirement(review().standard, one.factor) for one in review().process}
    assert [text for text in own if english.search(text) and not any(code in text for code in codes)] == []


def test_german_figures_have_a_decimal_comma() -> None:
    with speaking("de"):
        whole = made()
    assert re.search(r"erwartet waren \d+,\d \(übliche Schwankung: \d+ bis \d+\)", section(whole, "Ist").sentences[0])
