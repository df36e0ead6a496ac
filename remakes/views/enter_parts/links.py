"""Which piece replaces which: asked where a return makes it likely, changed on the restoration's page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.look_up import RestorationRecord, match_number
from remakes.records.remake_links import check_link, likely_replaced, link_remake, unlink_remake
from remakes.texts import t
from remakes.views import state
from remakes.views.enter_parts import answers

__all__ = ["Link", "ask", "change", "given"]

_REMADE: Final = "remade"
_REPLACES: Final = "replaces"
_REPLACED_BY: Final = "replaced_by"
#: An answer beside the numbers offered, and like none of them: it links nothing.
_NONE_OF_THEM: Final = "none of them"


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A remake, and the piece it was made in place of."""

    remake: str
    replaces: str

    def check(self) -> None:
        """Raises what `make` would raise."""
        check_link(state.store(), self.remake, replaces=self.replaces)

    def make(self, who: str) -> None:
        """Link the two."""
        link_remake(state.store(), self.remake, replaces=self.replaces, who=who)

    def tried(self, who: str) -> RemakesError | None:
        """Link the two, where the return is saved already; why not, if somebody else was quicker."""
        try:
            self.make(who)
        except RemakesError as error:
            return error
        return None


def ask(record: RestorationRecord) -> None:
    """Ask what follows from the answers before; nothing of it is compulsory."""
    if earlier := likely_replaced(state.store(), record.restoration_id):
        offered = [*earlier, _NONE_OF_THEM]
        st.radio(
            t("Was this piece made in place of an earlier one?"),
            offered,
            index=None,
            format_func=_offered,
            key=answers.known(_REPLACES, offered),
            horizontal=True,
        )
    if answers.content().get("disposition") == _REMADE:
        st.text_input(
            t("Number of the new piece that replaces it"),
            key=answers.key(_REPLACED_BY),
            placeholder=t("blank: not in the records yet"),
        )


def _offered(number: str) -> str:
    return t("no") if number == _NONE_OF_THEM else t("yes, of {number}", number=number)


def given(record: RestorationRecord) -> list[Link]:
    """The links that follow from what was answered."""
    found, filled = [], answers.content()
    if (replaces := filled.get(_REPLACES)) and replaces != _NONE_OF_THEM:
        found.append(Link(remake=record.restoration_id, replaces=replaces))
    typed = str(filled.get(_REPLACED_BY, "")).strip()
    if typed and filled.get("disposition") == _REMADE:
        found.append(Link(remake=match_number(state.store(), typed).found or typed, replaces=record.restoration_id))
    return found


def change(record: RestorationRecord) -> None:
    """Link a restoration to the one it replaces, or take that link back."""
    if record.remake_of is None:
        _link(record)
    else:
        _unlink(record, record.remake_of)


def _link(record: RestorationRecord) -> None:
    with st.form("link", border=False):
        typed = st.text_input(t("Number of the earlier piece that this one replaces"), key="link_replaces")
        if st.form_submit_button(t("Link")) and typed.strip():
            number = match_number(state.store(), typed).found or typed
            link = Link(remake=record.restoration_id, replaces=number)
            _tried(lambda who: link.make(who))


def _unlink(record: RestorationRecord, was: str) -> None:
    with st.form("unlink", border=False):
        why = st.text_input(t("Why is the link to {number} taken back?", number=words.plain(was)), key="unlink_why")
        if st.form_submit_button(t("Take the link back")):
            _tried(lambda who: unlink_remake(state.store(), record.restoration_id, was=was, who=who, why=why))


def _tried(write: Callable[[str], None]) -> None:
    visitor = state.require("quality", "manager")
    try:
        write(visitor.who)
    except RemakesError as error:
        st.error(words.refusal(error))
    else:
        st.rerun()
