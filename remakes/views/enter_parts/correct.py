"""A saved return set right, in a dialog; where somebody else was quicker, both versions are shown."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.codes import ATTRIBUTED_TO, DEFECTS, DISPOSITIONS, FOUND_AT, PLANES, SEVERITIES
from remakes.records.corrections import CORRECTABLE, ChangedMeanwhileError, correct_return
from remakes.records.defect_questions import BROKEN, DEFECT_QUESTIONS, may_be_metal
from remakes.records.entries import RefusedEntryError
from remakes.records.look_up import RecordedReturn, find_restoration
from remakes.texts import later, t
from remakes.views import cautions, frame, state
from remakes.views.fields import day_field, number_field

__all__ = ["only_mine", "open_for"]

_CLASH: Final = "correct_clash"
_YES_NO: Final = {True: later("yes"), False: later("no")}
_NAMES: Final[Mapping[str, str]] = {
    "reported_on": later("Reported on"),
    "defect": later("Defect"),
    "primary": later("Main defect"),
    "plane": later("Where did the break run?"),
    "bare_metal_pct": later("Bare metal, per cent of the break"),
    "found_at": later("Found"),
    "severity": later("Severity"),
    "harm": later("May somebody have been hurt?"),
    "teeth": later("Teeth concerned"),
    "disposition": later("What was done"),
    "attributed_to": later("Put down to"),
    "judged_by": later("Judged by"),
    "cost": later("Cost"),
    "note": later("Note, in the reporter's words"),
    "extra": later("Further answers"),
}


def open_for(one: RecordedReturn) -> None:
    """A dialog with the return's answers to change."""
    st.session_state.pop(_CLASH, None)
    st.dialog(t("Correct return {number}", number=words.plain(one.return_id)), width="large")(_dialog)(one)


def _dialog(one: RecordedReturn) -> None:
    st.markdown(
        t(
            "{number}, {restoration}. What stood before is kept in the change log. Another restoration is another "
            "return: take this one back and enter it anew.",
            number=words.plain(one.return_id),
            restoration=words.plain(one.restoration_id),
        )
    )
    changes = _fields(one)
    clash = st.session_state.get(_CLASH)
    if isinstance(clash, ChangedMeanwhileError) and clash.theirs.row_id == one.row_id:
        _both(one, clash, changes)
    elif st.button(t("Save the correction"), type="primary", key="correct_save"):
        _save(one, changes)


def _fields(one: RecordedReturn) -> dict[str, Any]:
    start = f"correct_{one.row_id}_"
    defect = st.selectbox(
        t(_NAMES["defect"]),
        list(DEFECTS),
        [*DEFECTS].index(one.defect),
        lambda code: t(DEFECTS[code]),
        f"{start}defect",
    )
    found: dict[str, Any] = {"defect": defect}
    left, right = st.columns(2)
    with left:
        found["harm"] = _choice(start, "harm", one, _YES_NO)
        found["severity"] = _choice(start, "severity", one, SEVERITIES)
        found["found_at"] = _choice(start, "found_at", one, FOUND_AT)
        found["disposition"] = _choice(start, "disposition", one, {code: code for code in DISPOSITIONS})
        found["attributed_to"] = _choice(start, "attributed_to", one, {code: code for code in ATTRIBUTED_TO})
    with right:
        reported = day_field(t(_NAMES["reported_on"]), key=f"{start}reported_on", value=one.reported_on)
        found["reported_on"] = _or_typed(reported, f"{start}reported_on")
        for name in ("teeth", "judged_by", "note"):
            found[name] = st.text_input(t(_NAMES[name]), value=getattr(one, name) or "", key=start + name)
        if defect in BROKEN:
            found["plane"] = _choice(start, "plane", one, PLANES)
            found |= _bare(start, one)
        found["extra"] = {**one.extra, **_details(start, defect, one)}
    if defect != one.defect:
        _leave_out_former(found, one)
    if found["harm"] and not one.harm:
        st.error(t(cautions.HARM), icon=":material/warning:")
    return found


def _bare(start: str, one: RecordedReturn) -> dict[str, Any]:
    """How much metal lay bare; not asked where there is none, unless somebody has answered it."""
    made = find_restoration(state.store(), one.restoration_id)
    if one.bare_metal_pct is None and made is not None and not may_be_metal(made.framework):
        return {}
    key = f"{start}bare_metal_pct"
    bare = number_field(t(_NAMES["bare_metal_pct"]), key=key, value=one.bare_metal_pct, low=0, high=100)
    return {"bare_metal_pct": _or_typed(bare, key)}


def _leave_out_former(found: dict[str, Any], one: RecordedReturn) -> None:
    """Answers about the former defect say nothing about another one."""
    if found["defect"] not in BROKEN:
        found |= {"plane": None, "bare_metal_pct": None}
    for asked in DEFECT_QUESTIONS.get(one.defect, ()):
        found["extra"].pop(asked.name, None)


def _details(start: str, defect: str, one: RecordedReturn) -> dict[str, str]:
    """Answers about the defect; a blank one is left as an empty text, which is not kept."""
    found = {}
    for asked in DEFECT_QUESTIONS.get(defect, ()):
        codes = list(asked.answers)
        before = one.extra.get(asked.name)
        found[asked.name] = (
            st.selectbox(
                t(asked.asks),
                codes,
                codes.index(before) if before in codes else None,
                lambda code, answers=asked.answers: t(answers[code]),
                start + asked.name,
                placeholder=t("not recorded"),
            )
            or ""
        )
    return found


def _choice(start: str, name: str, one: RecordedReturn, options: Mapping[Any, str]) -> Any:
    codes, before = list(options), getattr(one, name)
    return st.selectbox(
        t(_NAMES[name]),
        codes,
        codes.index(before) if before in codes else None,
        lambda code: t(options[code]),
        start + name,
        placeholder=t("not recorded"),
    )


def _or_typed(read: object, name: str) -> object:
    return st.session_state.get(name) if read is None else read


def _save(opened: RecordedReturn, changes: Mapping[str, Any]) -> None:
    visitor = state.require("quality", "manager")
    try:
        correct_return(state.store(), opened, changes, who=visitor.who)
    except ChangedMeanwhileError as clash:
        st.session_state[_CLASH] = clash
        st.rerun(scope="fragment")
    except RefusedEntryError as error:
        for problem in error.problems:
            st.error(words.refusal(problem))
    except RemakesError as error:
        st.error(words.refusal(error))
    else:
        st.session_state.pop(_CLASH, None)
        st.rerun()


def only_mine(opened: RecordedReturn, changes: Mapping[str, Any]) -> dict[str, Any]:
    """What I changed myself: a field that I left alone must not take somebody else's correction of it back."""
    return {name: value for name, value in changes.items() if _shown(value) != _shown(getattr(opened, name))}


def _both(opened: RecordedReturn, clash: ChangedMeanwhileError, changes: Mapping[str, Any]) -> None:
    """Yours beside theirs, and the choice."""
    st.error(words.refusal(clash))
    mine = only_mine(opened, changes)
    frame.table(
        [
            {
                t("field"): t(_NAMES[name]),
                t("when you opened it"): _shown(getattr(opened, name)),
                t("yours"): _shown(mine[name]) if name in mine else t("left alone"),
                t("theirs"): _shown(getattr(clash.theirs, name)),
            }
            for name in CORRECTABLE
            if name in mine or getattr(opened, name) != getattr(clash.theirs, name)
        ],
        whole=True,
    )
    left, right = st.columns(2)
    if left.button(t("Save mine over theirs"), key="correct_mine", width="stretch"):
        _save(clash.theirs, mine)
    if right.button(t("Keep theirs"), key="correct_theirs", width="stretch"):
        st.session_state.pop(_CLASH, None)
        st.rerun()


def _shown(value: object) -> str:
    if value is None or value in ("", {}):
        return t("not recorded")
    if isinstance(value, bool):
        return t(_YES_NO[value])
    if isinstance(value, Mapping):
        return ", ".join(f"{name}: {one}" for name, one in value.items() if one)
    return f"{value:g}" if isinstance(value, float) else str(value)
