"""What became of each month's deliveries?"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING, Final

import streamlit as st

from remakes import charts, flow, words
from remakes.texts import t, tn
from remakes.views import downloads, frame
from remakes.views.addressed import from_address, into_address
from remakes.views.month_parts.wording import about, number

if TYPE_CHECKING:
    from remakes.trends.months.delivery_months import DeliveryShare

__all__ = ["show"]

#: The time of service that is looked at, in months; stands in the address as a number, whoever reads.
_WITHIN: Final = "within"
_FIRST: Final = 3


def show(review: flow.MonthReview, defect: str) -> None:
    """The share of each month's deliveries that came back within one time of service."""
    of_defect = [one for one in review.delivery_shares if one.defect == defect]
    if not of_defect:
        frame.answer(t("There is no month of deliveries yet to tell {about} for.", about=about(defect)))
        return
    times = sorted({one.within_months for one in of_defect})
    head = st.container()
    within = _within_chosen(times)
    chosen = [one for one in of_defect if one.within_months == within]
    with head:
        _answer(chosen, defect)
    if any(isfinite(one.share.estimate) for one in chosen):
        frame.draw(
            charts.shares_by_delivery(chosen[-charts.LATEST :]),
            alt=t("Share of each month's deliveries that came back; the table below has the figures."),
        )
        st.caption(
            t(
                "The latest {n} months at most; the table has all. Open triangle, dashed: not all "
                "of that month's restorations have been in service so long.",
                n=charts.LATEST,
            )
        )
    frame.table([_row(one) for one in reversed(chosen)])
    _how_sure()
    downloads.offer_csv([_plain_row(one) for one in chosen], name=f"returns_by_delivery_{defect}_{within}")


def _within_chosen(times: Sequence[int]) -> int:
    names = [str(one) for one in times]
    first = str(_FIRST if _FIRST in times else times[0])
    from_address(_WITHIN, names)
    st.session_state.setdefault(_WITHIN, first)
    chosen = st.segmented_control(t("Came back within"), names, required=True, format_func=_months, key=_WITHIN)
    into_address(_WITHIN, first)
    return int(chosen or first)


def _months(count: str) -> str:
    return tn(int(count), "{n:,} month", "{n:,} months")


def _answer(chosen: Sequence[DeliveryShare], defect: str) -> None:
    mature = [one for one in chosen if one.mature and one.delivered]
    if not mature:
        frame.answer(
            tn(
                chosen[0].within_months,
                "No month of deliveries has been in service for {n:,} month yet.",
                "No month of deliveries has been in service for {n:,} months yet.",
            )
        )
        return
    *before, last = mature
    frame.answer(_came_back(last, defect))
    if before:
        st.markdown(
            t(
                "The month before, of {delivered:,} delivered: {share}.",
                delivered=before[-1].delivered,
                share=words.share(before[-1].share),
            )
        )


def _came_back(one: DeliveryShare, defect: str) -> str:
    restorations, month, share = (
        words.counted(one.delivered, "restoration"),
        words.month(one.month),
        words.share(one.share),
    )
    if defect == "all":
        return tn(
            one.within_months,
            "Of the {restorations} delivered in {month}, the latest month in service long enough, "
            "{returned} came back within {n:,} month: {share}.",
            "Of the {restorations} delivered in {month}, the latest month in service long enough, "
            "{returned} came back within {n:,} months: {share}.",
            restorations=restorations,
            month=month,
            returned=one.returned,
            share=share,
        )
    return tn(
        one.within_months,
        "Of the {restorations} delivered in {month}, the latest month in service long enough, "
        "{returned} came back with {defect} within {n:,} month: {share}.",
        "Of the {restorations} delivered in {month}, the latest month in service long enough, "
        "{returned} came back with {defect} within {n:,} months: {share}.",
        restorations=restorations,
        month=month,
        returned=one.returned,
        share=share,
        defect=words.defect_within(defect),
    )


def _row(one: DeliveryShare) -> dict[str, object]:
    known = isfinite(one.share.estimate)
    return {
        t("delivered in"): one.month,
        t("time in service"): t("long enough") if one.mature else t("still too young"),
        t("delivered (n)"): one.delivered,
        t("returned so far (n)"): one.returned,
        t("share (95 % interval)"): words.share(one.share) if known else t("nobody observed so long"),
        t("still followed at that age (n)"): one.followed,
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
            t(
                "Months differ by chance alone. Where the intervals of two months overlap widely, do not "
                "read a difference into them."
            ),
            t(
                "A month that is still too young is estimated from those of its restorations that have "
                "been followed; the figure can still go up or down, and its interval is wide for that "
                "reason."
            ),
            t(
                "Deliveries are followed up to the end of the last month whose returns are nearly all "
                "entered; the weeks after it would look too good."
            ),
            t(
                "A restoration that was replaced for another reason can no longer come back and is "
                "counted so, not as one that lasted."
            ),
            t(
                "Deliveries of different months are not like cases: kinds, difficulty and clinics "
                "change. “Is it different?” allows for that, this part does not."
            ),
        )
    )
