"""One restoration: what happened to it? Opened by a link, `restoration?no=R00001`."""

from __future__ import annotations

from functools import partial

import streamlit as st

from remakes import words
from remakes.records.bench.pieces import find_begun
from remakes.records.harm import harm_reports
from remakes.records.look_up import RestorationRecord, find_restoration, match_number
from remakes.records.photos import list_photos
from remakes.records.remake_links import replaced_by
from remakes.records.time_line import HistoryEvent, restoration_history
from remakes.texts import run_on, t, tn
from remakes.views import cautions, downloads, frame, harm, latest, state
from remakes.views.enter_parts import answers, links, photo_parts

__all__ = ["body"]


def body() -> None:
    """Its columns, its time line, its returns with their photos, and what it replaces."""
    if not frame.ready():
        return
    asked = st.text_input(t("Restoration number"), key="no", bind="query-params").strip()
    if not asked:
        st.info(t("Type the number of a restoration, then Enter. Lists on other pages open it by a click."))
        return
    number = match_number(state.store(), asked, in_work=True).found or asked
    record = find_restoration(state.store(), number)
    if not _may_see(record, number):
        st.info(t("This piece was made by somebody else. Technicians see their own work; the quality person sees all."))
        return
    events = restoration_history(state.store(), number)
    if record is None:
        frame.answer(t("{number} is being made: it has not left the lab yet.", number=words.plain(number)))
    else:
        _head(record)
        _tools(record)
    _time_line(number, events)
    if record is not None:
        _returns(record)
        _links(record)


def _may_see(record: RestorationRecord | None, number: str) -> bool:
    if record is not None:
        return state.may_see(record)
    begun = find_begun(state.store(), number)
    # Work that nobody has yet is offered at every bench.
    return begun is None or begun.technician is None or state.may_see(begun)


def _head(record: RestorationRecord) -> None:
    returned = [one for one in record.returns if not one.voided]
    names = {"number": words.plain(record.restoration_id), "day": words.day(record.delivered_on)}
    if returned:
        defects = words.listed(dict.fromkeys(words.defect_within(one.defect) for one in returned))
        frame.answer(t("{number} was delivered on {day} and came back with {defects}.", defects=defects, **names))
    else:
        frame.answer(t("{number} was delivered on {day} and has not come back.", **names))
    _harm(record)
    parts = {
        t("kind"): t(record.kind),
        t("teeth"): record.teeth,
        t("units"): str(record.units),
        t("framework"): record.framework,
        t("veneering"): record.veneer,
        t("difficulty"): record.difficulty.replace(";", ", "),
        t("technician"): record.technician,
        t("clinic"): record.clinic,
        t("case"): record.case_id,
    }
    st.markdown(" · ".join(f"{name} **{words.plain(value)}**" for name, value in parts.items() if value))


def _harm(record: RestorationRecord) -> None:
    reports = harm_reports(state.store(), restoration_id=record.restoration_id)
    if any(one.is_open for one in reports):
        asked = t("A return of this restoration is marked as possible harm: is the dentist told, and the piece kept?")
        where = t("What was done is noted under Today.") if _may_write() else ""
        st.error(
            f"{run_on(asked, where)}\n\n{t(cautions.HARM)}",
            icon=":material/warning:",
        )
    for one in reports:
        if not one.is_open:
            st.info(
                t(
                    "Return {number} is marked as possible harm: {said}",
                    number=words.plain(one.return_id),
                    said=harm.dealt_with_in_words(one),
                )
            )


def _may_write() -> bool:
    return state.visitor().role != "technician"


def _tools(record: RestorationRecord) -> None:
    if _may_write():
        # The page of returns begins with this number.
        frame.go("enter", t("Report a return of this piece"), first=partial(answers.start_with, record.restoration_id))


def _time_line(number: str, events: tuple[HistoryEvent, ...]) -> None:
    st.subheader(t("Time line"))
    missed = sum(one.status == "missed" for one in events)
    unrecorded = sum(one.status == "not recorded" for one in events)
    judged = missed + unrecorded + sum(one.status == "met" for one in events)
    if judged:
        st.markdown(
            t(
                "Readings that the standard of that day asks for: {judged}. Missed the limit: {missed}. Not recorded, "
                "which is not the same as missed: {unrecorded}.",
                judged=judged,
                missed=missed,
                unrecorded=unrecorded,
            )
        )
    rows = [_row(one) for one in events]
    # What nothing stands in takes no room from the rest on a narrow screen.
    filled = {name for row in rows for name, value in row.items() if value}
    frame.table([{name: value for name, value in row.items() if name in filled} for row in rows], whole=True)
    downloads.offer_csv(rows, name=f"restoration_{number}")
    st.caption(
        t(
            "A reading is compared with the limit in force on the day of delivery. Of several the last one counts, and "
            "none that was written after the piece came back. “late”: typed afterwards, not at the step."
        )
    )


def _row(one: HistoryEvent) -> dict[str, str]:
    return {
        t("day"): one.on.isoformat() if one.on else t("not recorded"),
        t("time"): f"{one.at:%H:%M}" if one.at and (one.at.hour or one.at.minute) else "",
        t("what"): one.what,
        t("what it says"): one.says,
        t("status"): t(words.STATUS[one.status]) if one.status else "",
        t("detail"): one.detail,
        t("limit"): one.needed,
        t("who"): one.who,
        t("late"): t("late") if one.late else "",
    }


def _returns(record: RestorationRecord) -> None:
    photos = list_photos(state.store(), restoration_id=record.restoration_id)
    if not record.returns and not photos:
        return
    st.subheader(t("Returns and photos"))
    for one in record.returns:
        text, buttons = st.columns([3, 2], vertical_alignment="center")
        text.markdown(latest.line(one))
        if _may_write():
            with buttons:
                latest.tools(one, photos=sum(each.return_id == one.return_id and not each.voided for each in photos))
    photo_parts.show(photos, record.restoration_id)


def _links(record: RestorationRecord) -> None:
    st.subheader(t("Replaces and replaced by"))
    later_ones = replaced_by(state.store(), record.restoration_id)
    pairs = [(t("replaces"), record.remake_of)] if record.remake_of else []
    pairs += [(t("replaced by"), one) for one in later_ones]
    rows: list[dict[str, object]] = [{t("what"): what, t("restoration"): other} for what, other in pairs]
    if rows:
        frame.restoration_links(rows, column=t("restoration"))
    else:
        st.markdown(t("This piece is linked to no other."))
    if _may_write():
        with st.expander(tn(len(rows), "Change the link", "Change the links") if rows else t("Link to another piece")):
            links.change(record)
