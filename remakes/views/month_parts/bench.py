"""At the bench: has a step been missed, or gone unrecorded, more often than before?"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING, Final

import streamlit as st

from remakes import charts, flow, words
from remakes.errors import ProcessStandardError
from remakes.records.requirements import ProcessStandard
from remakes.texts import t
from remakes.views import downloads, frame
from remakes.views.month_parts.wording import meanings, number, signals_named

if TYPE_CHECKING:
    from remakes.trends.months.process_months import ProcessFactor, ProcessMonth

__all__ = ["show"]

#: A signal of the months just before still asks to be looked at.
_RECENT: Final = 3


def show(review: flow.MonthReview, _defect: str) -> None:
    """Answer, all requirements in this month, one of them month by month, how sure."""
    if not review.process:
        frame.answer(t("Nothing at the bench can be compared yet: no requirement applies to a delivered restoration."))
        return
    factors = sorted(review.process, key=lambda one: _urgency(one, review.month))
    frame.answer(_answer(factors, review))
    rows = [_factor_row(one, review) for one in factors]
    frame.table(rows)
    st.caption(
        t(
            "By month of delivery. Missed: of the restorations with a record. Not recorded: of all "
            "that the requirement applies to. Those with a signal come first."
        )
    )
    downloads.offer_csv(rows, name=f"bench_{review.month}")
    factor = _picked(factors, review.standard)
    if factor is not None:
        _closely(factor, review)
    _how_sure(factors)


def _signals(one: ProcessFactor, months: Sequence[str]) -> list[str]:
    return [
        said
        for month in one.months
        if month.month in months
        for said in (
            *(t("missed: {signal}", signal=t(signal)) for signal in month.miss_signals),
            *(t("not recorded: {signal}", signal=t(signal)) for signal in month.gap_signals),
        )
    ]


def _recent(one: ProcessFactor, month: str) -> list[str]:
    """The months just before a month, oldest first."""
    return [each.month for each in one.months if each.month < month][-_RECENT:]


def _urgency(one: ProcessFactor, month: str) -> tuple[bool, bool, bool]:
    """Sorts a signal in the month first, then one just before it, then what can be judged; else as it stands."""
    return not _signals(one, [month]), not _signals(one, _recent(one, month)), not one.enough


def _answer(factors: Sequence[ProcessFactor], review: flow.MonthReview) -> str:
    month, named = review.month, words.month(review.month)
    found = [
        t("{requirement}: {signals}", requirement=words.named(review.standard, one.factor), signals=", ".join(signals))
        for one in factors
        if (signals := _signals(one, [month]))
    ]
    judged = sum(one.enough for one in factors)
    if found:
        more = len(found) - 3
        names = t("{names} and {more} more", names=", ".join(found[:3]), more=more) if more > 0 else words.listed(found)
        return words.plain(
            t(
                "{found} of {judged} requirements stand out at the bench in {month}: {names}.",
                found=len(found),
                judged=judged,
                month=named,
                names=names,
            )
        )
    if not judged:
        return t("No requirement has been recorded long enough yet to tell one month from another: counts only.")
    return t(
        "At the bench {named} is within the limits for all {judged} requirements that can be judged.",
        named=named,
        judged=judged,
    )


def _factor_row(one: ProcessFactor, review: flow.MonthReview) -> dict[str, object]:
    month = next((each for each in one.months if each.month == review.month), None)
    says = _asks_for(review.standard, one.factor)
    if month is None:
        return {t("asks for"): says, t("requirement"): one.factor, t("this month"): t("none delivered")}
    return {
        t("asks for"): says,
        t("requirement"): one.factor,
        t("this month"): _stands(_signals(one, [month.month]), judged=_judged(month)),
        t("missed (n)"): words.part_of(month.missed, month.recorded),
        t("missed (95 %)"): words.share(month.miss_share) if month.recorded else t("nothing recorded"),
        t("limits, missed"): _limits(month.miss_low, month.miss_high),
        t("not recorded (n)"): words.part_of(month.not_recorded, month.restorations),
        t("limits, not recorded"): _limits(month.gap_low, month.gap_high),
        t("just before"): ", ".join(dict.fromkeys(_signals(one, _recent(one, month.month)))),
    }


def _asks_for(standard: ProcessStandard, factor: str) -> str:
    try:
        return words.requirement(standard, factor)
    except ProcessStandardError:
        # A requirement that has been taken out of the standard since.
        return ""


def _judged(month: ProcessMonth) -> bool:
    return isfinite(month.miss_high) or isfinite(month.gap_high)


def _stands(signals: Sequence[str], *, judged: bool) -> str:
    if signals:
        return signals_named(signals)
    return t("within the limits") if judged else t("not judged")


def _limits(low: float, high: float) -> str:
    if not (isfinite(low) and isfinite(high)):
        return ""
    return t("{low} to {high}", low=words.per_cent(low), high=words.per_cent(high))


def _picked(factors: Sequence[ProcessFactor], standard: ProcessStandard) -> ProcessFactor | None:
    names = [one.factor for one in factors]
    picked = frame.pick(
        t("Requirement, month by month"),
        names,
        key="requirement",
        named=lambda one: words.named(standard, one),
        first=names[0],
        in_address=str,
    )
    return next((one for one in factors if one.factor == picked), None)


def _closely(one: ProcessFactor, review: flow.MonthReview) -> None:
    says = _asks_for(review.standard, one.factor)
    if says:
        st.markdown(t("The requirement: {says}.", says=words.plain(says)))
    stands = words.said(one.sentence)
    if one.enough and one.months[-1].month != review.month:
        stands = t("As things stand in the latest months, whichever month is chosen above: {said}", said=stands)
    st.markdown(f"**{stands}**")
    if not one.enough and t(one.missing) not in t(one.sentence):
        st.info(words.said(one.missing))
    st.subheader(t("Missed"))
    frame.draw(
        charts.bench_months(one, kind="missed"),
        alt=t("Share missed by month of delivery with its limits; the table below has the figures."),
    )
    st.subheader(t("Not recorded"))
    frame.draw(
        charts.bench_months(one, kind="not recorded"),
        alt=t("Share not recorded by month of delivery with its limits; the table below has the figures."),
    )
    st.caption(
        t(
            "The latest {n} months at most. Band: limits of common variation, from earlier "
            "months. Dashed line: what was usual before.",
            n=charts.LATEST,
        )
    )
    rows = [_month_row(each) for each in reversed(one.months)]
    frame.table(rows)
    if said := meanings(signal for each in one.months for signal in (*each.miss_signals, *each.gap_signals)):
        st.markdown("\n".join(f"- {line}" for line in said))
    downloads.offer_csv([_plain_row(each) for each in one.months], name=f"bench_{one.factor}")


def _month_row(one: ProcessMonth) -> dict[str, object]:
    return {
        t("delivered in"): one.month,
        t("missed (n)"): words.part_of(one.missed, one.recorded),
        t("missed (95 %)"): words.share(one.miss_share) if one.recorded else t("nothing recorded"),
        t("limits, missed"): _limits(one.miss_low, one.miss_high),
        t("signals, missed"): signals_named(one.miss_signals),
        t("not recorded (n)"): words.part_of(one.not_recorded, one.restorations),
        t("limits, not recorded"): _limits(one.gap_low, one.gap_high),
        t("signals, not recorded"): signals_named(one.gap_signals),
    }


def _plain_row(one: ProcessMonth) -> dict[str, object]:
    return {
        "delivered_in": one.month,
        "restorations": one.restorations,
        "recorded": one.recorded,
        "missed": one.missed,
        "not_recorded": one.not_recorded,
        "missed_limit_low": number(one.miss_low, digits=4),
        "missed_limit_high": number(one.miss_high, digits=4),
        "not_recorded_limit_low": number(one.gap_low, digits=4),
        "not_recorded_limit_high": number(one.gap_high, digits=4),
        "signals_missed": "; ".join(one.miss_signals),
        "signals_not_recorded": "; ".join(one.gap_signals),
    }


def _how_sure(factors: Sequence[ProcessFactor]) -> None:
    rates = [1 / one.false_alarm_months for one in factors if _alarms(one)]
    together = (
        (
            t(
                "Where nothing has changed, the rules of all {n} requirements together still give one "
                "false signal in about {figure} months on average.",
                n=len(rates),
                figure=words.figure(1 / sum(rates)),
            ),
        )
        if rates
        else ()
    )
    frame.how_sure(
        (
            *together,
            t(
                "A share of misses is of what was recorded. Where less is recorded than before, the "
                "misses may have moved to where nobody writes: look at both."
            ),
            t("A new limit in the standard makes a step by itself: from that day the comparison starts anew."),
            t(
                "A signal asks what is different at the bench that month, a gauge, a furnace, a "
                "material, not who is to blame."
            ),
        )
    )


def _alarms(one: ProcessFactor) -> bool:
    return isfinite(one.false_alarm_months) and one.false_alarm_months > 0
