"""Enter a return: what came back, and why? By keyboard alone, from the scanner to saved."""

from __future__ import annotations

from datetime import date
from typing import Any, Final

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from remakes import words
from remakes.errors import EntryError
from remakes.records.codes import ATTRIBUTED_TO, DEFECTS, DISPOSITIONS, FOUND_AT, PLANES, SEVERITIES
from remakes.records.entries import DoubleEntryError, RefusedEntryError, enter_returns
from remakes.records.look_up import RestorationRecord, find_restoration, restoration_history
from remakes.views import cautions, frame, latest, state

__all__ = ["NUMBER", "body"]

#: The label of the field that a scan goes to.
NUMBER: Final = "Restoration number"

_ROUND: Final = "entry_round"  # counts entries: new keys give empty fields
_SAVED: Final = "entry_saved"
_DOUBLE: Final = "entry_double"
_FOCUS: Final = "entry_focus"
_BROKEN: Final = ("chipping", "debonding")


def body() -> None:
    """The form, and the last ten returns with Undo."""
    state.require("quality", "manager")
    if not frame.ready():
        return
    st.session_state.setdefault(_ROUND, 0)
    # Always there, since a message that comes or goes would move what follows and take the focus away from it.
    told = st.container()
    if message := st.session_state.pop(_SAVED, None):
        told.success(message)
    st.markdown(
        "Number, **Enter**, then **Tab** from question to question and the arrow keys within one; "
        f"**Ctrl+S** saves (⌘S on a Mac). What is left blank is not recorded. {cautions.NO_PATIENTS}"
    )
    left, right = st.columns(2, gap="large")
    with left:
        number = st.text_input(NUMBER, key=_key("number"), placeholder="scan or type, then Enter").strip()
        record = find_restoration(state.store(), number) if number else None
        if number and record is None:
            _unknown(number)
    if record is not None:
        _form(record, left, right)
    latest.show()
    if st.session_state.pop(_FOCUS, not number):
        frame.put_cursor_into(NUMBER)


def _key(name: str) -> str:
    return f"{name}_{st.session_state[_ROUND]}"


def _unknown(number: str) -> None:
    try:
        restoration_history(state.store(), number)
    except EntryError as error:  # names the numbers near it
        st.warning(words.refusal(error))


def _form(record: RestorationRecord, left: DeltaGenerator, right: DeltaGenerator) -> None:
    with left:
        _autofill(record)
        # What other questions hang on stands outside the form, since a form tells nothing until it is saved.
        defects = _defects()
        harm = _harm()
    with right:
        # Within a form the save key also takes what was typed last and not yet left by Tab.
        with st.form(_key("form"), border=False, enter_to_submit=False):
            plane = _plane() if any(one in _BROKEN for one in defects) else {}
            fields = {"restoration_id": record.restoration_id, "harm": harm, **_judgement(), **_circumstances(record)}
            saved = st.form_submit_button("Save", type="primary", shortcut="Mod+S", key=_key("save"))
        raws = [
            {**fields, "defect": one, "primary": "no" if place else "yes", **(plane if one in _BROKEN else {})}
            for place, one in enumerate(defects)
        ]
        _save_or_ask(record, raws, saved=saved)


def _defects() -> list[str]:
    """The defects chosen, the main one first."""
    defect = st.radio(
        "Defect", list(DEFECTS), index=None, format_func=DEFECTS.__getitem__, key=_key("defect"), horizontal=False
    )
    others = st.multiselect(
        "Further defects of the same return",
        [code for code in DEFECTS if code != defect],
        format_func=words.defect,
        key=_key("others"),
        placeholder="none",
    )
    return [defect, *others] if defect else []


def _harm() -> str | None:
    harm = st.radio("May somebody have been hurt?", ["no", "yes"], index=None, key=_key("harm"), horizontal=True)
    if harm == "yes":
        st.error(cautions.HARM)
    return harm


def _autofill(record: RestorationRecord) -> None:
    returned = [one for one in record.returns if not one.voided]
    defects = words.listed(dict.fromkeys(words.defect(one.defect).lower() for one in returned))
    before = f"; came back before with {defects}" if returned else "; has not come back before"
    teeth = f"teeth {record.teeth}" if record.teeth else "teeth not recorded"
    st.info(
        f"**{words.plain(record.restoration_id)}**: {words.plain(record.kind)}, {teeth}, "
        f"{words.plain(record.veneer or 'veneer not recorded')} on "
        f"{words.plain(record.framework or 'framework not recorded')}; made by "
        f"{words.plain(record.technician or 'not recorded')} for {words.plain(record.clinic or 'not recorded')}, "
        f"delivered {words.day(record.delivered_on)}{before}."
    )


def _plane() -> dict[str, Any]:
    plane = st.radio(
        "Where did the break run?", list(PLANES), index=None, format_func=PLANES.__getitem__, key=_key("plane")
    )
    bare = st.number_input(
        "Bare metal, per cent of the break", 0, 100, value=None, step=5, key=_key("bare"), placeholder="not recorded"
    )
    return {"plane": plane, "bare_metal_pct": bare}


def _judgement() -> dict[str, Any]:
    found_at = st.radio(
        "Found", list(FOUND_AT), index=None, format_func=FOUND_AT.__getitem__, key=_key("found"), horizontal=True
    )
    severity = st.radio(
        "Severity",
        list(SEVERITIES),
        index=None,
        format_func=lambda level: f"{level} {SEVERITIES[level]}",
        key=_key("severity"),
        horizontal=True,
    )
    return {"found_at": found_at, "severity": severity}


def _circumstances(record: RestorationRecord) -> dict[str, Any]:
    teeth = st.multiselect(
        "Teeth concerned", record.teeth.split(), key=_key("teeth"), placeholder=f"blank: all ({record.teeth})"
    )
    disposition = st.radio("What was done", DISPOSITIONS, index=None, key=_key("disposition"), horizontal=True)
    attributed = st.radio("Put down to", ATTRIBUTED_TO, index=None, key=_key("attributed"), horizontal=True)
    left, right = st.columns(2)
    reported = left.date_input("Reported on", value="today", format="YYYY-MM-DD", key=_key("reported"))
    judged_by = right.text_input("Judged by", key=_key("judged"), placeholder="pseudonym or role")
    note = st.text_input("Note, in the reporter's words", key=_key("note"))
    return {
        "teeth": " ".join(teeth),
        "disposition": disposition,
        "attributed_to": attributed,
        "reported_on": reported,
        "judged_by": judged_by,
        "note": note,
    }


def _save_or_ask(record: RestorationRecord, raws: list[dict[str, Any]], *, saved: bool) -> None:
    asked_about, question = st.session_state.get(_DOUBLE, ("", ""))
    if saved:
        if not raws:
            st.error("No defect is chosen. Choose one, then save.")
            return
        _save(record, raws, confirm_double=False)
    elif asked_about == record.restoration_id:
        st.warning(question)
        if st.button("Enter again", key="again"):
            _save(record, raws, confirm_double=True)


def _save(record: RestorationRecord, raws: list[dict[str, Any]], *, confirm_double: bool) -> None:
    visitor = state.require("quality", "manager")
    try:
        rows = enter_returns(state.store(), raws, who=visitor.who, confirm_double=confirm_double)
    except DoubleEntryError as error:
        st.session_state[_DOUBLE] = (record.restoration_id, words.refusal(error))
        st.rerun()
    except RefusedEntryError as error:
        for problem in error.problems:
            st.error(words.refusal(problem))
        return
    st.session_state.pop(_DOUBLE, None)
    st.session_state[_SAVED] = (
        f"Saved: {words.plain(record.restoration_id)}, "
        f"{words.listed(words.defect(raw['defect']).lower() for raw in raws)} ({len(rows)} rows, {date.today()})."
    )
    st.session_state[_ROUND] += 1
    st.session_state[_FOCUS] = True
    st.rerun()
