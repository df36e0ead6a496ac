"""What became of each month's deliveries?"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING

import streamlit as st

from remakes import charts, flow, words
from remakes.views import downloads, frame
from remakes.views.month_parts.wording import about, number

if TYPE_CHECKING:
    from remakes.trends.months.delivery_months import DeliveryShare

__all__ = ["show"]


def show(review: flow.MonthReview, defect: str) -> None:
    """The share of each month's deliveries that came back within one time of service."""
    of_defect = [one for one in review.delivery_shares if one.defect == defect]
    if not of_defect:
        frame.answer(f"There is no month of deliveries yet to tell {about(defect)} for.")
        return
    times = sorted({one.within_months for one in of_defect})
    head = st.container()
    within = st.segmented_control(
        "Came back within",
        times,
        default=3 if 3 in times else times[0],
        required=True,
        format_func=_months,
        key="within",
        bind="query-params",
    )
    chosen = [one for one in of_defect if one.within_months == within]
    with head:
        _answer(chosen, defect)
    if any(isfinite(one.share.estimate) for one in chosen):
        st.altair_chart(
            charts.shares_by_delivery(chosen[-charts.LATEST :]),
            alt="Share of each month's deliveries that came back; the table below has the figures.",
        )
        st.caption(
            f"The latest {charts.LATEST} months at most; the table has all. Open triangle, dashed: not all of that "
            "month's restorations have been in service so long."
        )
    frame.table([_row(one) for one in reversed(chosen)])
    _how_sure()
    downloads.offer_csv([_plain_row(one) for one in chosen], name=f"returns_by_delivery_{defect}_{within}")


def _months(count: int) -> str:
    return words.counted(count, "month")


def _answer(chosen: Sequence[DeliveryShare], defect: str) -> None:
    mature = [one for one in chosen if one.mature and one.delivered]
    what = "came back" if defect == "all" else f"came back with {words.defect(defect).lower()}"
    if not mature:
        within = _months(chosen[0].within_months)
        frame.answer(f"No month of deliveries has been in service for {within} yet.")
        return
    *before, last = mature
    frame.answer(
        f"Of the {words.counted(last.delivered, 'restoration')} delivered in {words.month(last.month)}, the latest "
        f"month in service long enough, {last.returned} {what} within {_months(last.within_months)}: "
        f"{words.share(last.share)}."
    )
    if before:
        st.markdown(f"The month before, of {before[-1].delivered:,} delivered: {words.share(before[-1].share)}.")


def _row(one: DeliveryShare) -> dict[str, object]:
    known = isfinite(one.share.estimate)
    return {
        "delivered in": one.month,
        "time in service": "long enough" if one.mature else "still too young",
        "delivered (n)": one.delivered,
        "returned so far (n)": one.returned,
        "share (95 % interval)": words.share(one.share) if known else "nobody observed so long",
        "still followed at that age (n)": one.followed,
    }


def _plain_row(one: DeliveryShare) -> dict[str, object]:
    return {
        "delivered_in": one.month,
        "delivered": one.delivered,
        "within_months": one.within_months,
        "returned_so_far": one.returned,
        "share": number(one.share.estimate, digits=5),
        "low": number(one.share.low, digits=5),
        "high": number(one.share.high, digits=5),
        "observed_long_enough": "yes" if one.mature else "no",
        "followed": one.followed,
    }


def _how_sure() -> None:
    frame.how_sure(
        (
            "Months differ by chance alone. Where the intervals of two months overlap widely, do not read a difference "
            "into them.",
            "A month that is still too young is estimated from those of its restorations that have been followed; the "
            "figure can still go up or down, and its interval is wide for that reason.",
            "Deliveries are followed up to the end of the last month whose returns are nearly all entered; the weeks "
            "after it would look too good.",
            "A restoration that was replaced for another reason can no longer come back and is counted so, not as "
            "one that lasted.",
            "Deliveries of different months are not like cases: kinds, difficulty and clinics change. “Is it "
            "different?” allows for that, this part does not.",
        )
    )
