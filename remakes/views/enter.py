"""Enter a return: what came back, and why? By keyboard alone, from the scanner to saved."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any, Final

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from remakes import words
from remakes.errors import RemakesError
from remakes.records.entries import (
    DOUBLE_ENTRY_DAYS,
    SAVE_AS_ANOTHER,
    DoubleEntryError,
    RefusedEntryError,
    enter_returns,
)
from remakes.records.look_up import RestorationRecord, find_restoration, match_number, recorded_returns
from remakes.texts import later, t, tn
from remakes.views import cautions, frame, latest, state
from remakes.views.enter_parts import answers, given, keys, last_saved, links, photo_parts, questions, unknown

__all__ = ["NUMBER", "body"]

#: The label of the field that a scan goes to.
NUMBER: Final = later("Restoration number")

_DOUBLE: Final = "enter_double"
_AGAIN: Final = "again"
_FOCUS: Final = "enter_focus"
_ENTERED: Final = "enter_number"
_NOT_DONE: Final = "enter_not_done"


def body() -> None:
    """The form, and the last ten returns with Undo."""
    state.require("quality", "manager")
    if not frame.ready():
        return
    answers.begin()
    # What a press asks for is done first: an empty form is then drawn at once, not the full one and then an empty one.
    refused = _save_if_asked()
    # Always there, since a message that comes or goes would move what follows and take the focus away from it.
    with st.container():
        last_saved.show()
    with st.container():
        _brought_back()
    st.markdown(
        t(
            "Number, **Enter**, then **Tab** from question to question and the arrow keys within one; **Ctrl+S** saves "
            "(⌘S on a Mac). What is left blank is not recorded."
        )
        + f" {t(cautions.NO_PATIENTS)}"
    )
    left, right = st.columns(2, gap="large")
    with left:
        number = _number()
        found = match_number(state.store(), number)
        record = find_restoration(state.store(), found.found) if found.found else None
        if number and record is None:
            unknown.offer(number, found.near)
    if record is not None:
        _form(record, left, right, refused)
    latest.show()
    answers.keep()
    keys.listen(
        t(NUMBER),
        prose=(t(questions.NOTE), t(questions.JUDGED_BY)),
        form=record is not None,
        cursor=st.session_state.pop(_FOCUS, not number),
    )


def _number() -> str:
    key = answers.number_key()
    typed = st.text_input(
        t(NUMBER), key=key, placeholder=t("scan or type, then Enter"), on_change=_another, args=(key,)
    )
    st.session_state[_ENTERED] = typed.strip()
    return typed.strip()


def _another(key: str) -> None:
    """Another piece was scanned into a form that is filled in: its answers belong to the former piece."""
    before = st.session_state.get(_ENTERED, "")
    typed = str(st.session_state[key]).strip()
    filled = answers.content()
    st.session_state.pop(_DOUBLE, None)
    if before and typed and typed != before and filled.get("defect"):
        if not _done(lambda: answers.set_aside({**filled, "number": before})):
            # What is in the form is about the former piece, so that one stays.
            st.session_state[key] = before
            return
        answers.next_round()
        st.session_state[answers.number_key()] = typed


def _done(work: Callable[[], None]) -> bool:
    """Carry out what a press asks for, before the page is shown again; what is refused is told on it."""
    try:
        work()
    except RemakesError as error:
        # Said when it is shown: a press is carried out before the page knows which language its reader reads.
        st.session_state[_NOT_DONE] = error
        return False
    return True


def _press(work: Callable[[], None]) -> None:
    _done(work)


def _brought_back() -> None:
    if refused := st.session_state.pop(_NOT_DONE, None):
        st.error(words.refusal(refused))
    if said := answers.restored():
        st.info(said)
        st.button(t("Start afresh"), key="enter_afresh", on_click=answers.forget)
    if aside := answers.waiting():
        st.warning(
            t(
                "The return of {number} was not saved when another piece was scanned; what you typed is kept.",
                number=words.plain(str(aside.get("number", ""))),
            )
        )
        with st.container(horizontal=True):
            st.button(t("Back to it"), key="enter_back", on_click=_press, args=(answers.take_up,))
            st.button(t("Give it up"), key="enter_give_up", on_click=_press, args=(answers.give_up,))


def _form(record: RestorationRecord, left: DeltaGenerator, right: DeltaGenerator, refused: Sequence[str]) -> None:
    with left:
        _autofill(record)
        defects = questions.defects()
    with right:
        # A place of its own for what comes and goes: what stands below would be drawn anew, and a word lost that
        # somebody is just typing there. Harm stands at the top: the answer must be seen without scrolling.
        with st.container():
            if defects:
                questions.harm()
        with st.container():
            defects += questions.further(defects[0]) if defects else []
        with st.container():
            for one in defects:
                questions.about(one, several=len(defects) > 1, framework=record.framework)
        questions.judgement()
        questions.circumstances(record, today=date.today())
        with st.container():
            links.ask(record)
        with st.expander(t("Photo of the piece")):
            photo_parts.ask(_photos())
        st.button(t("Save"), type="primary", shortcut="Mod+S", key=keys.save_key())
        for one in refused:
            st.error(one)
        if question := _asked_about(record):
            st.warning(question)
            st.button(t(SAVE_AS_ANOTHER), key=_AGAIN)


def _photos() -> str:
    return f"photo_{answers.round_number()}"


def _asked_about(record: RestorationRecord) -> str:
    """The question whether this is another return than one entered before; blank: none was asked."""
    number, question = st.session_state.get(_DOUBLE, ("", ""))
    return str(question) if number == record.restoration_id else ""


def _autofill(record: RestorationRecord) -> None:
    returned = [one for one in record.returns if not one.voided]
    before = t("it has not come back before")
    if returned:
        defects = words.listed(dict.fromkeys(words.defect_within(one.defect) for one in returned))
        before = t("it came back before with {defects}", defects=defects)
    unrecorded = t("not recorded")
    st.info(
        t(
            "**{number}**: {kind}, teeth {teeth}, {veneer} on {framework}; made by {technician} for {clinic}, "
            "delivered {day}; {before}.",
            number=words.plain(record.restoration_id),
            kind=words.plain(t(record.kind)),
            teeth=words.plain(record.teeth or unrecorded),
            veneer=words.plain(record.veneer or t("veneer not recorded")),
            framework=words.plain(record.framework or t("framework not recorded")),
            technician=words.plain(record.technician or unrecorded),
            clinic=words.plain(record.clinic or unrecorded),
            day=words.day(record.delivered_on),
            before=before,
        )
    )
    lately = [one for one in returned if one.reported_on >= date.today() - timedelta(days=DOUBLE_ENTRY_DAYS)]
    if lately:
        st.warning(
            t(
                "Entered already in the last {days} days: {returns}. Is this another return?",
                days=DOUBLE_ENTRY_DAYS,
                returns=words.listed(
                    t(
                        "{number} with {defect}",
                        number=words.plain(one.return_id),
                        defect=words.defect_within(one.defect),
                    )
                    for one in lately
                ),
            )
        )


def _save_if_asked() -> list[str]:
    """Save the form as it was when Save was pressed; gives why it was refused."""
    saving, again = (bool(st.session_state.get(one)) for one in (keys.save_key(), _AGAIN))
    if not saving and not again:
        return []
    keys.note_save()
    found = match_number(state.store(), str(st.session_state.get(answers.number_key(), "")).strip())
    record = find_restoration(state.store(), found.found) if found.found else None
    if record is None:
        # The page offers what can be done about the number.
        return []
    raws = given.returns(record)
    if not raws:
        return [t("No defect is chosen. Choose one, then save.")]
    return _save(record, raws, confirm_double=again and bool(_asked_about(record)))


def _save(record: RestorationRecord, raws: list[dict[str, Any]], *, confirm_double: bool) -> list[str]:
    visitor, linked, photos = state.require("quality", "manager"), links.given(record), photo_parts.given(_photos())
    try:
        # Whatever could be refused later is looked at first: a return is saved with all that belongs to it, or not.
        photo_parts.check(photos)
        for link in linked:
            link.check()
        rows = enter_returns(state.store(), raws, who=visitor.who, confirm_double=confirm_double)
    except DoubleEntryError as error:
        st.session_state[_DOUBLE] = (record.restoration_id, words.refusal(error))
        return []
    except RefusedEntryError as error:
        return [words.refusal(problem) for problem in error.problems]
    except RemakesError as error:
        return [words.refusal(error)]
    refused = [found for link in linked if (found := link.tried(visitor.who))]
    saved = recorded_returns(state.store(), rows)
    lost = photo_parts.attach(saved[0].return_id, photos)
    _after(record, raws, rows, photos=len(photos) - len(lost), refused=[*refused, *lost])
    return []


def _after(
    record: RestorationRecord,
    raws: list[dict[str, Any]],
    rows: tuple[int, ...],
    *,
    photos: int,
    refused: list[RemakesError],
) -> None:
    said = t(
        "Saved: {number}, {defects}.",
        number=record.restoration_id,
        defects=words.listed(words.defect_within(raw["defect"]) for raw in raws),
    )
    more = tn(photos, "{n} photo is kept with it.", "{n} photos are kept with it.") if photos else ""
    last_saved.remember(
        rows,
        f"{said} {more}".strip(),
        harm=raws[0]["harm"] == "yes",
        refused=[words.refusal(error) for error in refused],
    )
    st.session_state.pop(_DOUBLE, None)
    answers.forget()
    answers.begin()
    st.session_state[_FOCUS] = True
