"""Month in review: is this month different, since when, and what changed?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import streamlit as st

from remakes import flow, words
from remakes.views import cautions, frame, state
from remakes.views.month_parts import bench, changed, deliveries, entries, returns, sources

__all__ = ["body"]


@dataclass(frozen=True, slots=True)
class _Part:
    name: str
    show: Callable[[flow.MonthReview, str], None]
    #: Whether it tells defects apart.
    by_defect: bool = True


_PARTS: Final = (
    _Part("Is it different?", returns.show),
    _Part("What changed", changed.show),
    _Part("Deliveries", deliveries.show),
    _Part("Still to be entered", entries.show),
    _Part("Lots and machines", sources.show),
    _Part("At the bench", bench.show, by_defect=False),
)
#: Kinds of report, by the ending of the file.
_KINDS: Final = {
    "pdf": ("PDF", "application/pdf"),
    "html": ("HTML", "text/html"),
    "xlsx": ("XLSX", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
}
_MADE: Final = "report_made"


def body() -> None:
    """Month and part to look at; harm first; the part; the report."""
    state.require("quality", "manager")
    if not frame.ready():
        return
    left, right = st.columns(2)
    with left:
        review = _month_chosen(state.months())
    if review is None:
        st.info("The first full month of deliveries is needed before months can be compared.")
        return
    _harm(review)
    part = _part_chosen()
    with right:
        defect = _defect_chosen(review) if part.by_defect else "all"
    part.show(review, defect)
    _report(review)


def _month_chosen(latest: flow.MonthReview) -> flow.MonthReview | None:
    """The month of the address or of the list; at first the latest complete one."""
    if not latest.months:
        return None
    newest_first = latest.months[::-1]
    month = st.selectbox(
        "Month",
        newest_first,
        index=newest_first.index(latest.month),
        format_func=words.month,
        key="month",
        bind="query-params",
    )
    return latest if month in (None, latest.month) else state.months(month)


def _part_chosen() -> _Part:
    names = [one.name for one in _PARTS]
    chosen = st.segmented_control(
        "Part", names, default=names[0], required=True, key="part", bind="query-params", label_visibility="collapsed"
    )
    return next((one for one in _PARTS if one.name == chosen), _PARTS[0])


def _defect_chosen(review: flow.MonthReview) -> str:
    defects = [one.defect for one in review.report_months.defects] or ["all"]
    return (
        st.selectbox("Defect", defects, format_func=words.defect, key="defect", bind="query-params")
        if len(defects) > 1
        else defects[0]
    )


def _harm(review: flow.MonthReview) -> None:
    """Apart from the statistics: one such return is not a figure."""
    if not review.harm:
        return
    count = words.counted(len(review.harm), "return is", "returns are")
    st.error(f"{count} marked as possible harm in {words.month(review.month)}. {cautions.HARM}")
    frame.restoration_links(
        [
            {"restoration": restoration, "return": number, "defect": words.defect(defect), "reported": reported}
            for number, restoration, reported, defect in review.harm
        ]
    )


def _report(review: flow.MonthReview) -> None:
    st.subheader("The month as a report")
    kind = st.segmented_control(
        "File", list(_KINDS), default="pdf", required=True, format_func=lambda one: _KINDS[one][0], key="report_kind"
    )
    if kind is None:
        return
    name, mime = _KINDS[kind]
    asked = (review.month, kind, state.store().figures_version())
    place = st.empty()
    if st.session_state.get(_MADE) != asked:
        if not place.button("Make the report", key="make_report"):
            st.caption("All parts of this month for a meeting, one page to the front. Some seconds.")
            return
        st.session_state[_MADE] = asked
    place.download_button(
        f"Download the report of {words.month(review.month)} ({name})",
        data=state.report(review.month, kind),
        file_name=f"month_{review.month}.{kind}",
        mime=mime,
        key="download_report",
        on_click="ignore",
    )
