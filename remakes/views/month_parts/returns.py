"""Is this month different? Returns by month of report, in the limits of common variation."""

from __future__ import annotations

from collections.abc import Iterable
from math import isfinite
from typing import TYPE_CHECKING, Final

import streamlit as st

from remakes import charts, flow, words
from remakes.texts import in_english, t, tn
from remakes.texts.joining import run_on
from remakes.views import downloads, frame
from remakes.views.month_parts.wording import answer, from_to, meanings, number, signal_words, signals_named

if TYPE_CHECKING:
    from remakes.trends.months.report_months import JudgedDefect, JudgedMonth

__all__ = ["show"]

#: Fewer returns still to be entered than this round to none.
_WORTH_SAYING: Final = 0.05


def show(review: flow.MonthReview, defect: str) -> None:
    """Answer, chart, all defects of the month, table, how sure."""
    judged = review.report_months.of(defect)
    _answer(judged, review.month)
    st.caption(t(words.COUNTED_AS_FIRST))
    if defect == "all":
        _by_themselves(review)
    frame.draw(
        charts.judged_months(judged, nowcast=review.nowcast.of(defect)),
        alt=t("Returns by month of report with the expected number and the limits; the table below has the figures."),
    )
    st.caption(_caption(judged))
    if defect == "all":
        _by_defect(review)
    _table(judged)
    _how_sure(review, judged)


def _answer(judged: JudgedDefect, chosen: str) -> None:
    """How things stand as of the latest judged month; of an earlier month, first how that one stood."""
    month = next((one for one in judged.months if one.month == chosen), None)
    complete = [one.month for one in judged.months if one.complete]
    if month is None or chosen in complete[-1:]:
        answer(judged.sentence, judged.missing)
        if month is not None and (judged.since or chosen not in judged.sentence):
            st.markdown(_of_month(month))
        return
    frame.answer(_of_month(month))
    st.markdown(t("As things stand now: {said}", said=words.said(judged.sentence)))


def _by_themselves(review: flow.MonthReview) -> None:
    """A signal of one defect, which all together may hide."""
    named = [
        t("{name} ({signals})", name=words.defect_within(one.defect), signals=signals_named(month.signals))
        for one, month in _each_defect(review)
        if month.signals
    ]
    if named:
        st.markdown(
            tn(
                len(named),
                "In {month} one defect has a signal by itself: {names}.",
                "In {month} {n} defects have a signal by themselves: {names}.",
                month=words.month(review.month),
                names=words.listed(named),
            )
        )


def _each_defect(review: flow.MonthReview) -> list[tuple[JudgedDefect, JudgedMonth]]:
    return [
        (one, month)
        for one in review.report_months.defects
        for month in one.months
        if month.month == review.month and one.defect != "all"
    ]


def _of_month(one: JudgedMonth) -> str:
    returns = words.counted(one.returns, "return")
    said = (
        t("{month}: {returns}", month=words.month(one.month), returns=returns)
        if one.defect == "all"
        else t(
            "{month}: {returns} of {defect}",
            month=words.month(one.month),
            returns=returns,
            defect=words.defect_within(one.defect),
        )
    )
    if not one.complete:
        return _unfinished(said, one)
    if not isfinite(one.expected):
        return t("{said}. Not judged: too little before it to say what was to be expected.", said=said)
    return t(
        "{said}; {expected} were to be expected, {limits} is common variation: {standing}.",
        said=said,
        expected=words.figure(one.expected),
        limits=from_to(one.low, one.high),
        standing=signal_words(one.signals, complete=True, judged=True),
    )


def _unfinished(said: str, one: JudgedMonth) -> str:
    if one.expected_late >= _WORTH_SAYING:
        return t(
            "{said} so far, and about {late} still to be entered. The month is not judged before nearly all of it is "
            "in.",
            said=said,
            late=words.figure(one.expected_late),
        )
    return t("{said} so far. The month is not judged before nearly all of it is in.", said=said)


def _caption(judged: JudgedDefect) -> str:
    shown = t("The latest {n} months at most.", n=charts.LATEST)
    if not any(isfinite(one.expected) for one in judged.months):
        return run_on(shown, t("Counts only: no limits yet."))
    band = t(
        "Band: limits of common variation. Dashed line: returns to be expected from the restorations in service, their "
        "age and case mix, worked out before the month was seen. Open triangle: still coming in, with the range it may "
        "end in (90 %)."
    )
    return run_on(shown, band)


def _by_defect(review: flow.MonthReview) -> None:
    """The chosen month, defect by defect: where a difference sits."""
    found = [(one, month) for one, month in _each_defect(review) if month.returns or isfinite(month.expected)]
    if not found:
        return
    st.subheader(t("{month} by defect", month=words.month(review.month)))
    frame.table(
        [{t("defect"): words.defect(one.defect), **_figures(month)} for one, month in found],
        whole=True,
    )
    _explain(month for _, month in found)
    told = [
        "- " + t("{defect}: {said}", defect=words.defect(one.defect), said=words.said(one.sentence))
        for one, month in found
        if month.signals or one.since
    ]
    if told:
        st.markdown("\n".join([t("Where a signal was given in this month, or a change stands now:"), "", *told]))
    st.caption(t("Left out: defects without a return in the month and without limits, for too few returns before."))


def _explain(months: Iterable[JudgedMonth]) -> None:
    """What the signals of a table mean."""
    if said := meanings(signal for one in months for signal in one.signals):
        st.markdown("\n".join(f"- {one}" for one in said))


def _figures(one: JudgedMonth) -> dict[str, object]:
    judged = isfinite(one.expected)
    return {
        t("returns (n)"): one.returns,
        t("against its limits"): signal_words(one.signals, complete=one.complete, judged=judged),
        t("expected"): words.figure(one.expected) if judged else "",
        t("limits"): from_to(one.low, one.high),
        t("still to be entered"): words.figure(one.expected_late) if one.expected_late >= _WORTH_SAYING else "",
    }


def _table(judged: JudgedDefect) -> None:
    st.subheader(t("Months: {defect}", defect=words.defect_within(judged.defect)))
    rows = [
        {t("month"): one.month, **_figures(one), t("restoration-months in service"): round(one.at_risk_months)}
        for one in reversed(judged.months)
    ]
    frame.table(rows[: charts.LATEST])
    _explain(judged.months[-charts.LATEST :])
    downloads.offer_csv(
        [
            {
                "month": one.month,
                "returns": one.returns,
                "still_to_be_entered": number(one.expected_late, digits=2),
                "expected": number(one.expected, digits=2),
                "limit_low": number(one.low, digits=2),
                "limit_high": number(one.high, digits=2),
                "restoration_months": number(one.at_risk_months, digits=1),
                "complete": "yes" if one.complete else "no",
                "signals": "; ".join(one.signals),
            }
            for one in judged.months
        ],
        name=f"returns_by_month_{judged.defect}",
        label=t("Download all months as CSV"),
    )


def _how_sure(review: flow.MonthReview, judged: JudgedDefect) -> None:
    frame.how_sure(
        (
            *_false_alarms(review, judged),
            (
                t(
                    "Returns within the limits differ from month to month by common variation: looking for a reason "
                    "behind each rise and fall wastes time. “Within the limits” is not “nothing changed”: a small "
                    "change can hide in there, the smaller the fewer returns there are."
                )
                if judged.defect == "all"
                else t(
                    "Returns with {defect} within the limits differ from month to month by common variation: looking "
                    "for a reason behind each rise and fall wastes time. “Within the limits” is not “nothing "
                    "changed”: a small change can hide in there, the smaller the fewer returns there are.",
                    defect=words.defect_within(judged.defect),
                )
            ),
            t(
                "Expected: from earlier months only, the latest of them left out, so that a slow rise "
                "does not teach the expectation to rise with it. If the records before were out of the "
                "ordinary, so is the expectation."
            ),
            t("A change in what clinics report, or in how returns are coded, looks like a change in the returns."),
            t(
                "A signal says that something is different, not what. “What changed” and “At the bench” "
                "may help to look."
            ),
        )
    )


def _false_alarms(review: flow.MonthReview, judged: JudgedDefect) -> list[str]:
    if not (isfinite(judged.false_alarm_months) and judged.false_alarm_months > 0):
        return []
    said: list[str] = []
    # A result whose own words tell it is not told twice.
    if "false signal" not in in_english(judged.sentence):
        said.append(
            t(
                "Where nothing has changed, the rules of this series ({defect}) still give one false signal in about "
                "{months:,.0f} months on average.",
                defect=words.defect_within(judged.defect),
                months=judged.false_alarm_months,
            )
        )
    rates = [
        1 / one.false_alarm_months
        for one in review.report_months.defects
        if isfinite(one.false_alarm_months) and one.false_alarm_months > 0
    ]
    if len(rates) > 1:
        said.append(
            t(
                "{n} such series are looked at each month; together they give one false signal in about "
                "{months:,.0f} months.",
                n=len(rates),
                months=1 / sum(rates),
            )
        )
    return said
