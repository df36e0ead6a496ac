"""One restoration: what happened to it? Opened by a link, `restoration?no=R00001`."""

from __future__ import annotations

import streamlit as st

from remakes import words
from remakes.records.look_up import RestorationRecord, find_restoration, restoration_history
from remakes.views import downloads, frame, state

__all__ = ["body"]


def body() -> None:
    """Its columns and its time line."""
    if not frame.ready():
        return
    asked = st.text_input("Restoration number", key="no", bind="query-params").strip()
    if not asked:
        st.info("Type the number of a restoration, then Enter. Lists on other pages open it by a click.")
        return
    events = restoration_history(state.store(), asked)
    record = find_restoration(state.store(), asked)
    if record is None:
        return
    _head(record)
    rows = [
        {
            "day": event.on.isoformat() if event.on else "day not recorded",
            "what": event.what,
            "detail": event.detail,
        }
        for event in events
    ]
    st.subheader("Time line")
    frame.table(rows, whole=True)
    downloads.offer_csv(rows, name=f"restoration_{record.restoration_id}")


def _head(record: RestorationRecord) -> None:
    returned = [one for one in record.returns if not one.voided]
    said = (
        "came back with " + words.listed(dict.fromkeys(words.defect(one.defect).lower() for one in returned))
        if returned
        else "has not come back"
    )
    frame.answer(f"{words.plain(record.restoration_id)} was delivered on {words.day(record.delivered_on)} and {said}.")
    if any(one.harm for one in returned):
        st.error("A return of this restoration is marked as possible harm: is the dentist told, and the piece kept?")
    parts = {
        "kind": record.kind,
        "teeth": record.teeth,
        "units": str(record.units),
        "framework": record.framework,
        "veneer": record.veneer,
        "difficulty": record.difficulty.replace(";", ", "),
        "technician": record.technician,
        "clinic": record.clinic,
        "case": record.case_id,
        "replaces": record.remake_of,
    }
    said_parts = (f"{name} **{words.plain(value)}**" for name, value in parts.items() if value)
    st.markdown(" · ".join(said_parts))
