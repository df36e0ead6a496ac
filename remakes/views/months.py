"""Month in review: better or worse than before?"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import streamlit as st

from remakes import charts, flow, words
from remakes.counts.months import WITHIN_MONTHS
from remakes.trends import MonthlyRate, MonthlyShare
from remakes.views import downloads, frame, state

__all__ = ["body"]

#: The first months of a record have little in service and wide ranges, which would squeeze all others.
_CHARTED: Final = 24


def body() -> None:
    """Returns by month of report; what became of each month's deliveries."""
    state.require("quality", "manager")
    if not frame.ready():
        return
    review = state.months()
    defects = list(dict.fromkeys(one.defect for one in review.by_report_month))
    if not defects:
        st.info("The first full month of deliveries is needed before months can be compared.")
        return
    defect = st.selectbox("Defect", defects, format_func=words.defect, key="defect", bind="query-params")
    rates = [one for one in review.by_report_month if one.defect == defect]
    _by_report(review, rates, defect)
    _by_delivery([one for one in review.by_delivery_month if one.defect == defect], defect)
    frame.how_sure(
        (
            "With so few returns, months differ by chance alone. The band holds the rate that each month's number of "
            "returns fits with (95 %, exact Poisson interval); a point inside its neighbours' bands is no news.",
            "Returns that were reported late are missing from the latest months.",
            "A month of delivery that is still too young (open triangle, dashed) can only rise: its restorations have "
            "had less time to come back. Compare it with no other month yet.",
            "Clinics differ in what they send back at all, and cases differ in difficulty; neither is taken out here.",
            "Limits that tell a signal from common variation are not worked out yet.",
        )
    )


def _by_report(review: flow.MonthReview, rates: Sequence[MonthlyRate], defect: str) -> None:
    *_, last = rates
    until = review.observed_until
    part = f", complete up to {words.day(until)} only" if words.unfinished(last.month, until) else ""
    before = f" The month before: {rates[-2].returns}." if len(rates) > 1 else ""
    frame.answer(
        f"{words.month(last.month)}: {last.returns} returns ({words.defect(defect).lower()}), "
        f"{words.interval(last.rate)} per 1,000 restoration-months in service{part}.{before}"
    )
    st.altair_chart(charts.months_by_report(rates[-_CHARTED:]))
    st.caption(f"The latest {_CHARTED} months at most; the table has all.")
    rows = [
        {
            "month": one.month,
            "returns (n)": one.returns,
            "restoration-months in service": round(one.at_risk_months),
            "per 1,000 (95 % interval)": words.interval(one.rate, digits=2),
        }
        for one in reversed(rates)
    ]
    frame.table(rows)
    downloads.offer_csv(rows, name=f"returns_by_month_{defect}")


def _by_delivery(shares: Sequence[MonthlyShare], defect: str) -> None:
    st.subheader("What became of each month's deliveries")
    within = st.segmented_control(
        "Came back within",
        WITHIN_MONTHS,
        default=3,
        required=True,
        format_func=lambda months: f"{months} month" if months == 1 else f"{months} months",
        key="within",
    )
    chosen = [one for one in shares if one.within_months == within]
    mature = [one for one in chosen if one.mature]
    if mature:
        one = mature[-1]
        st.markdown(
            f"Of the {one.delivered} restorations delivered in {words.month(one.month)}, the latest month that has "
            f"been in service long enough, {one.returned} came back within {within} months: {words.share(one.share)}. "
            "Younger deliveries have had less time to come back."
        )
    else:
        st.markdown(f"No month of deliveries has been in service for {within} months yet.")
    st.altair_chart(charts.months_by_delivery(chosen))
    rows = [
        {
            "delivered in": one.month,
            "delivered (n)": one.delivered,
            "returned (n)": one.returned,
            "share (95 % interval)": words.share(one.share),
            "time in service": "long enough" if one.mature else "still too young",
        }
        for one in reversed(chosen)
    ]
    frame.table(rows)
    downloads.offer_csv(rows, name=f"returns_by_delivery_{defect}_{within}")
