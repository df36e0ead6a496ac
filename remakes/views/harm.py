"""Reports of possible harm: those that are open, each with a form to say what was done, and those dealt with."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Final

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.bench.moments import local_day
from remakes.records.harm import (
    LONGEST,
    YOUNG,
    HarmReport,
    deal_with_harm,
    deal_with_past_harm,
    harm_reports,
    open_harm_again,
    recently_dealt_with,
)
from remakes.records.harm_marks import Mark
from remakes.texts import run_on, t, tn
from remakes.views import cautions, frame, state

__all__ = ["dealt_with_in_words", "month_line", "of_visitor", "sentence", "show_dealt_with", "show_open"]

#: More than so many reports scroll in a room of their own, so that the rest of the page stays within reach.
_SIDE_BY_SIDE: Final = 4
_ROOM: Final = 460
#: So many have a form at once: a lab that brings in years of returns must not wait for hundreds of fields.
_MOST: Final = 20
#: What became of the form that was sent last, told once.
_TOLD: Final = "harm_told"
#: Which of those dealt with is to be opened again.
_AGAIN: Final = "harm_again"


def of_visitor() -> tuple[HarmReport, ...]:
    """The reports this visitor may see: a technician those on own pieces, others all."""
    visitor = state.visitor()
    if visitor.role != "technician":
        return harm_reports(state.store())
    return harm_reports(state.store(), made_by=visitor.code) if visitor.code else ()


def sentence(reports: Sequence[HarmReport]) -> str:
    """How many are open; blank for none."""
    count = sum(one.is_open for one in reports)
    if not count:
        return ""
    return tn(
        count,
        "{n} return is marked as possible harm: is it dealt with?",
        "{n} returns are marked as possible harm: is each dealt with?",
    )


def month_line(reports: Sequence[HarmReport], month: str) -> None:
    """The reports of one month on one line, apart from all figures; nothing where there are none."""
    of_month = [one for one in reports if one.month == month]
    still_open = sum(one.is_open for one in of_month)
    said = run_on(_open_in_month(still_open, month), _dealt_in_month(len(of_month) - still_open, month))
    if still_open:
        st.error(said, icon=":material/warning:")
    elif said:
        st.info(said)


def _open_in_month(count: int, month: str) -> str:
    if not count:
        return ""
    return tn(
        count,
        "{n} report of possible harm in {month} is open: see Today.",
        "{n} reports of possible harm in {month} are open: see Today.",
        month=words.month(month),
    )


def _dealt_in_month(count: int, month: str) -> str:
    if not count:
        return ""
    return tn(
        count,
        "{n} report of possible harm in {month} was dealt with.",
        "{n} reports of possible harm in {month} were dealt with.",
        month=words.month(month),
    )


def show_open(reports: Sequence[HarmReport]) -> None:
    """The open ones, the oldest first, each with its form for those who may write."""
    _tell()
    still_open = [one for one in reports if one.is_open]
    if not still_open:
        return
    st.error(t(cautions.HARM), icon=":material/warning:")
    may_write = state.visitor().role != "technician"
    past = [one for one in still_open if one.past()]
    if may_write and len(past) > _SIDE_BY_SIDE:
        _past(past)
    with _room(still_open):
        for one in still_open[:_MOST]:
            _open(one, may_write=may_write)
        if len(still_open) > _MOST:
            left = len(still_open) - _MOST
            st.caption(
                tn(
                    left,
                    "{n} more follows once one of these is dealt with.",
                    "{n} more follow as these are dealt with.",
                )
            )


def show_dealt_with(reports: Sequence[HarmReport]) -> None:
    """Folded: those dealt with in the last twelve months, and a form to open one of them again."""
    dealt = recently_dealt_with(reports)
    if not dealt:
        return
    with st.expander(t("Harm reports dealt with ({n})", n=len(dealt))):
        st.caption(t("Of the last twelve months, the latest first. What was done stays in the record."))
        st.markdown("\n".join(f"- {_of_what(one)} · {dealt_with_in_words(one)}" for one in dealt))
        _one_again({one.return_id: one for one in dealt})


def _one_again(dealt: Mapping[str, HarmReport]) -> None:
    """A form for the chosen one only: a form each would be a dozen fields that nobody asked for."""
    if st.session_state.get(_AGAIN) not in dealt:
        # Somebody has opened it since.
        st.session_state.pop(_AGAIN, None)
    chosen = st.selectbox(
        t("Open one of them again"),
        list(dealt),
        index=None,
        key=_AGAIN,
        format_func=lambda number: _briefly(dealt[number]),
        placeholder=t("choose a return"),
    )
    if chosen:
        label = t("Why is it opened again? ({number})", number=chosen)
        _form(dealt[chosen], label, t("Open again"), _open_again)


def _briefly(one: HarmReport) -> str:
    # A list to choose from shows text as it is, and reads no Markdown.
    return t(
        "{number} · {restoration} · {day}",
        number=one.return_id,
        restoration=one.restoration_id,
        day=words.day(one.reported_on),
    )


def _room(reports: Sequence[HarmReport]) -> st.delta_generator.DeltaGenerator:
    if len(reports) <= _SIDE_BY_SIDE:
        return st.container()
    # The newest one stands at the foot of the room.
    st.caption(t("The oldest first; the latest was reported on {day}.", day=words.day(reports[-1].reported_on)))
    return st.container(height=_ROOM)


def _open(one: HarmReport, *, may_write: bool) -> None:
    parts = [_of_what(one)]
    if one.noted is not None:
        parts.append(_noted(one.noted))
    if one.last is not None and not one.last.dealt_with:
        parts.append(
            t(
                "opened again by {who} on {day}: {why}",
                who=words.plain(words.who(one.last.who)),
                day=words.day(one.last.day),
                why=words.plain(one.last.note),
            )
        )
    elif one.last is not None:
        parts.append(t("dealt with before, then marked anew"))
    st.markdown(" · ".join(parts))
    if may_write:
        _form(one, t("What was done? ({number})", number=one.return_id), t("Dealt with"), _deal)


def _past(reports: Sequence[HarmReport]) -> None:
    """One form for what was brought in of the years before: hundreds of old reports would hide the new one."""
    line = tn(
        len(reports),
        "{n} of them came with a list and is older than {days} days: was it dealt with then?",
        "{n} of them came with lists and are older than {days} days: were they dealt with then?",
        days=YOUNG.days,
    )
    with st.expander(line):
        st.caption(
            t(
                "Only if you know it: the same words are kept with each of them, and each can be opened again. Oldest "
                "{first}, latest {last}.",
                first=words.day(reports[0].reported_on),
                last=words.day(reports[-1].reported_on),
            )
        )
        with st.form("harm_past_form", border=False), st.container(horizontal=True, vertical_alignment="bottom"):
            st.text_input(t("What was done about all of these?"), key="harm_past", max_chars=LONGEST)
            send = partial(_deal_past, "harm_past", tuple(reports))
            st.form_submit_button(
                t("All of these are dealt with"), key="harm_past_send", on_click=send, width="content"
            )


def dealt_with_in_words(one: HarmReport) -> str:
    """Who dealt with a report, when, and what was done; safe for Markdown."""
    if one.last is None:
        return ""
    return t(
        "dealt with by {who} on {day}: {what}",
        who=words.plain(words.who(one.last.who)),
        day=words.day(one.last.day),
        what=words.plain(one.last.note),
    )


def _of_what(one: HarmReport) -> str:
    """The restoration as a link, the return, its defects, and the day of the report."""
    address = frame.address_of("restoration", no=one.restoration_id)
    return t(
        "[{restoration}]({address}) · return {number} · {defects} · reported on {day}",
        restoration=words.plain(one.restoration_id),
        address=address,
        number=words.plain(one.return_id),
        defects=words.listed(words.defect_within(defect) for defect in one.defects),
        day=words.day(one.reported_on),
    )


def _noted(mark: Mark) -> str:
    names = {"who": words.plain(words.who(mark.who)), "day": words.day(local_day(mark.at))}
    if mark.how == "imported":
        return t("came with a list that {who} imported on {day}", **names)
    return t("noted by {who} on {day}", **names)


def _form(one: HarmReport, label: str, button: str, write: Callable[[str, HarmReport], None]) -> None:
    key = f"harm_{one.return_id}"
    with st.form(f"{key}_form", border=False), st.container(horizontal=True, vertical_alignment="bottom"):
        st.text_input(label, key=key, max_chars=LONGEST)
        # Written before the page is made anew: a report that another browser has answered has no form there.
        st.form_submit_button(button, key=f"{key}_send", on_click=partial(write, key, one), width="content")


def _deal(key: str, one: HarmReport) -> None:
    def write(typed: str, who: str) -> str:
        deal_with_harm(state.store(), one.return_id, done=typed, who=who, version=one.version)
        return t(
            "Return {number} is dealt with. It stands at the foot of this page under “Harm reports dealt with” and can "
            "be opened again there.",
            number=one.return_id,
        )

    _written(key, write)


def _deal_past(key: str, reports: Sequence[HarmReport]) -> None:
    def write(typed: str, who: str) -> str:
        deal_with_past_harm(state.store(), reports, done=typed, who=who)
        return tn(
            len(reports),
            "{n} old report is dealt with. It can be opened again at the foot of this page.",
            "{n} old reports are dealt with. They can be opened again at the foot of this page.",
        )

    _written(key, write)


def _open_again(key: str, one: HarmReport) -> None:
    def write(typed: str, who: str) -> str:
        open_harm_again(state.store(), one.return_id, why=typed, who=who, version=one.version)
        return t("Return {number} is open again.", number=one.return_id)

    _written(key, write)


def _written(key: str, write: Callable[[str, str], str]) -> None:
    try:
        done = write(st.session_state.get(key, ""), state.visitor().who)
    except RemakesError as error:
        st.session_state[_TOLD] = (False, error)
    else:
        st.session_state[_TOLD] = (True, done)
        # The same field asks another question of this report from now on.
        st.session_state[key] = ""


def _tell() -> None:
    good, said = st.session_state.pop(_TOLD, (True, ""))
    if not good:
        st.error(words.refusal(said), icon=":material/warning:")
    elif said:
        st.success(words.refusal(said))
