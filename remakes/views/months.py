"""Month in review: is this month different, since when, and what changed?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import streamlit as st

from remakes import flow, words
from remakes.records.harm import harm_reports, harm_version
from remakes.texts import later, t
from remakes.views import frame, harm, state
from remakes.views.addressed import from_address, into_address
from remakes.views.month_parts import bench, changed, deliveries, entries, returns, sources

__all__ = ["body"]


@dataclass(frozen=True, slots=True)
class _Part:
    name: str
    show: Callable[[flow.MonthReview, str], None]
    #: Whether it tells defects apart.
    by_defect: bool = True


_PARTS: Final = (
    _Part(later("Is it different?"), returns.show),
    _Part(later("What changed"), changed.show),
    _Part(later("Deliveries"), deliveries.show),
    _Part(later("Still to be entered"), entries.show),
    _Part(later("Lots and machines"), sources.show),
    _Part(later("At the bench"), bench.show, by_defect=False),
)
#: Kinds of report, by the ending of the file.
_KINDS: Final = {
    "pdf": ("PDF", "application/pdf"),
    "html": ("HTML", "text/html"),
    "xlsx": ("XLSX", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
}
_MADE: Final = "report_made"
#: The part that is looked at; stands in the address, in English whoever reads.
_PART: Final = "part"


def body() -> None:
    """Month and part to look at; harm first; the part; the report."""
    state.require("quality", "manager")
    if not frame.ready():
        return
    left, right = st.columns(2)
    with left:
        review = _month_chosen(state.months())
    if review is None:
        st.info(t("The first full month of deliveries is needed before months can be compared."))
        return
    # Apart from the statistics, and as it stands now: one such return is not a figure.
    harm.month_line(harm_reports(state.store()), review.month)
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
    month = frame.pick(t("Month"), newest_first, key="month", named=words.month, first=latest.month)
    return latest if month == latest.month else state.months(month)


def _part_chosen() -> _Part:
    names = [str(one.name) for one in _PARTS]
    from_address(_PART, names)
    st.session_state.setdefault(_PART, names[0])
    chosen = st.segmented_control(
        t("Part"), names, required=True, format_func=t, key=_PART, label_visibility="collapsed"
    )
    into_address(_PART, names[0])
    return next((one for one in _PARTS if one.name == chosen), _PARTS[0])


def _defect_chosen(review: flow.MonthReview) -> str:
    defects = [one.defect for one in review.report_months.defects] or ["all"]
    return frame.defect_field(defects) if len(defects) > 1 else defects[0]


def _report(review: flow.MonthReview) -> None:
    st.subheader(t("The month as a report"))
    kind = st.segmented_control(
        t("File"), list(_KINDS), default="pdf", required=True, format_func=lambda one: _KINDS[one][0], key="report_kind"
    )
    if kind is None:
        return
    name, mime = _KINDS[kind]
    asked = (review.month, kind, state.store().figures_version(), harm_version(state.store()))
    place = st.empty()
    if st.session_state.get(_MADE) != asked:
        if not place.button(t("Make the report"), key="make_report"):
            st.caption(t("All parts of this month for a meeting, one page to the front. Some seconds."))
            return
        st.session_state[_MADE] = asked
    place.download_button(
        t("Download the report of {month} ({name})", month=words.month(review.month), name=name),
        data=state.report(review.month, kind),
        file_name=f"month_{review.month}.{kind}",
        mime=mime,
        key="download_report",
        on_click="ignore",
    )
