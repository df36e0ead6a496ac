"""What is still to be entered: how complete are the latest months?"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING, Final

import streamlit as st

from remakes import flow, words
from remakes.texts import t
from remakes.views import downloads, frame
from remakes.views.month_parts.wording import about, number

if TYPE_CHECKING:
    from remakes.trends.delay.nowcast import Nowcast, NowcastMonth

__all__ = ["show"]

_LATEST: Final = 6


def show(review: flow.MonthReview, defect: str) -> None:
    """Answer, the latest months, whether the method has been right before, how sure."""
    nowcast = review.nowcast
    months = nowcast.of(defect)
    frame.answer(_answer(nowcast, months, defect))
    st.markdown(words.said(nowcast.sentence))
    st.caption(t(words.COUNTED_AS_FIRST))
    if not months:
        return
    range_named = t("still to be entered ({level} range)", level=words.chance(nowcast.level))
    st.subheader(t("The latest months: {defect}", defect=words.defect_within(defect)))
    frame.table([_row(one, range_named, enough=nowcast.enough) for one in reversed(months[-_LATEST:])], whole=True)
    if review.back_test is not None:
        st.subheader(t("Was it right before?"))
        st.markdown(words.said(review.back_test.sentence))
    _how_sure(level=nowcast.level, enough=nowcast.enough)
    downloads.offer_csv(
        [
            {
                "month": one.month,
                "entered": one.reported,
                "still_to_be_entered": number(one.late.estimate, digits=2),
                "low": number(one.late.low, digits=2),
                "high": number(one.late.high, digits=2),
                "share_entered": number(one.completeness, digits=4),
            }
            for one in months
        ],
        name=f"still_to_be_entered_{defect}",
    )


def _answer(nowcast: Nowcast, months: Sequence[NowcastMonth], defect: str) -> str:
    if not nowcast.enough:
        return t("How many returns are still to be entered cannot be said.")
    waited = [one for one in months if one.late.high > 0]
    if not waited:
        return t("All months are as good as complete for {about}.", about=about(defect))
    last = waited[-1]
    return t(
        "{month}: {returns} entered, {late} still to be entered.",
        month=words.month(last.month),
        returns=words.counted(last.reported, "return"),
        late=words.interval(last.late, digits=0),
    )


def _row(one: NowcastMonth, range_named: str, *, enough: bool) -> dict[str, object]:
    row: dict[str, object] = {t("month"): one.month, t("entered so far (n)"): one.reported}
    if enough:
        row[range_named] = t("nothing") if one.completeness >= 1 and one.late.high == 0 else words.interval(one.late)
        row["entered by now, expected"] = words.per_cent(one.completeness, digits=0) if _known(one) else ""
    return row


def _known(one: NowcastMonth) -> bool:
    return isfinite(one.completeness)


def _how_sure(*, level: float, enough: bool) -> None:
    if not enough:
        return
    frame.how_sure(
        (
            t(
                "The range is meant to hold what will come in {level} of cases; about one month in ten "
                "ends outside it.",
                level=words.chance(level),
            ),
            t(
                "It rests on how long entry took before. After a holiday, a change of who enters, or a "
                "new way of sending returns in, entry may take longer or shorter."
            ),
            t("Returns that are never entered are not in here: nothing in the records tells of them."),
        )
    )
