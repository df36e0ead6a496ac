"""The change log: who changed what, and when, a page at a time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final
from urllib.parse import quote

import streamlit as st

from remakes import words
from remakes.records.bench.moments import local_day
from remakes.records.change_log import Change, Filters, authors, every_change, months, read_changes, tables
from remakes.records.store import Store
from remakes.texts import later, t
from remakes.views import downloads, frame, state, visitors
from remakes.views.addressed import from_address, into_address

__all__ = ["show"]

#: In the address: the log goes on below this number.
_BEFORE: Final = "before"
_ALL: Final = ""
_TABLES: Final = {
    "restorations": later("restorations"),
    "process_log": later("process log"),
    "returns": later("returns"),
    "standard": later("process standard, imported"),
    "requirements": later("process standard"),
    "actions": later("corrective actions"),
    "settings": later("settings and costs"),
    "decisions": later("decisions"),
    "trial_plans": later("trials"),
    "harm_notes": later("harm dealt with"),
    "people": later("people and copies"),
    "open_work": later("work at the bench"),
    "bench_readings": later("readings at the bench"),
    "timers": later("timers"),
    "photos": later("photos"),
    "column maps": later("column maps"),
}

#: What the log calls a change, so that it can be said in every language.
_DONE: Final = (
    later("add action"),
    later("add person"),
    later("add photo"),
    later("add requirement"),
    later("backup"),
    later("begin work"),
    later("change action"),
    later("change costs"),
    later("change own password"),
    later("choose language"),
    later("change requirement"),
    later("change roles"),
    later("change steps"),
    later("change work"),
    later("correct requirement"),
    later("correct return"),
    later("deal with harm"),
    later("decide action"),
    later("deliver"),
    later("delivered by import"),
    later("end action"),
    later("end requirement"),
    later("enter restoration"),
    later("enter return"),
    later("forget map"),
    later("give reason"),
    later("give up timer"),
    later("give up trial"),
    later("give up work"),
    later("import"),
    later("judge action"),
    later("keep trial plan"),
    later("let go"),
    later("link remake"),
    later("move bench readings"),
    later("open harm again"),
    later("postpone action"),
    later("propose action"),
    later("read trial"),
    later("remember map"),
    later("reword requirement"),
    later("set"),
    later("set password"),
    later("start action"),
    later("start timer"),
    later("sweep photos"),
    later("take action up again"),
    later("take actions"),
    later("take back"),
    later("take back link"),
    later("take back photo"),
    later("take back reading"),
    later("take back return"),
    later("take over work"),
    later("take standard"),
    later("undo import"),
    later("withdraw action"),
    later("write reading"),
)

#: Columns and particulars of the records, as a reader calls them; any other keeps the name of the records.
_FIELDS: Final = {
    "defect": later("defect"),
    "delivered_on": later("delivered on"),
    "file": later("file"),
    "files": later("files"),
    "kind": later("kind"),
    "language": later("language"),
    "late": later("late"),
    "minutes": later("minutes"),
    "not_done": later("not done"),
    "note": later("note"),
    "reading": later("reading"),
    "readings": later("readings"),
    "refused": later("refused"),
    "remake_of": later("replaces"),
    "restoration_id": later("restoration"),
    "restorations": later("restorations"),
    "return_id": later("return"),
    "roles": later("roles"),
    "rows": later("rows"),
    "source": later("source"),
    "step": later("step"),
    "steps": later("steps"),
    "taken": later("taken"),
    "teeth": later("teeth"),
    "title": later("title"),
    "to": later("copied to"),
    "changed": later("changed"),
    "unchanged": later("unchanged"),
    "value": later("value"),
    "why": later("reason"),
}


def show() -> None:
    """Filters in the address, fifty lines, one of them closely, the file."""
    state.require("manager")
    records = state.store()
    filters = _filters(records)
    page = read_changes(records, filters, before=_before())
    frame.answer(_answer(page.changes))
    if not page.changes:
        st.info(t("Nothing fits. Take a filter away, or go back to the latest."))
        _turn(None)
        return
    _lines(page.changes)
    _turn(page.older)
    _closely(page.changes)
    _download(filters)
    frame.how_sure(
        (
            t("Lines are only added: the records refuse to change or delete one."),
            t(
                "Times are those of the clock here; the file has them in UTC. Who it was is the role and pseudonym of "
                "whoever was signed in."
            ),
            t("Signing in and out is not kept here."),
        )
    )


def _filters(records: Store) -> Filters:
    left, middle, right = st.columns(3)
    who = _filter(left, t("Who"), "log_who", authors(records), words.who)
    table = _filter(middle, t("What was changed"), "log_table", tables(records), _named)
    month = _filter(right, t("Month"), "log_month", months(records), words.month)
    return Filters(who=who, table=table, month=month)


def _filter(place: Any, label: str, key: str, codes: tuple[str, ...], named: Callable[[str], str]) -> str:
    from_address(key, codes)
    chosen = place.selectbox(
        label,
        [_ALL, *codes],
        format_func=lambda code: str(named(code)) if code else str(t("all")),
        key=key,
        on_change=_latest,
    )
    into_address(key)
    return chosen or ""


def _named(table: str) -> str:
    return str(t(_TABLES[table])) if table in _TABLES else table


def _field(name: str) -> str:
    return str(t(_FIELDS.get(name, name)))


def _besides(one: Change) -> str:
    return "; ".join(f"{_field(name)}: {said}" for name, said in one.particulars())


def _before() -> int | None:
    typed = st.query_params.get(_BEFORE, "")
    return int(typed) if typed.isascii() and typed.isdecimal() and len(typed) < 16 else None


def _latest() -> None:
    st.query_params.pop(_BEFORE, None)


def _answer(changes: tuple[Change, ...]) -> str:
    if not changes:
        return t("No change fits.")
    newest = changes[0]
    return t(
        "{latest}: {who}, {what}, on {day}.",
        latest=t("The latest change") if _before() is None else t("The latest change on this page"),
        who=words.plain(words.who(newest.who)),
        what=words.plain(t(newest.what)),
        day=words.day(local_day(newest.at)),
    )


def _lines(changes: tuple[Change, ...]) -> None:
    role = state.visitor().role
    head = str(t("restoration"))
    rows = [
        {
            t("number"): one.number,
            t("when"): words.clock(one.at),
            t("who"): words.who(one.who),
            t("what"): t(one.what),
            t("in"): _named(one.table),
            **({head: f"restoration?role={role}&no={quote(one.restoration)}"} if one.restoration else {}),
            t("which"): one.key,
            t("besides"): _besides(one),
        }
        for one in changes
    ]
    link = st.column_config.LinkColumn(head, display_text=r"no=(.+)$")
    st.dataframe(frame.as_frame(rows), hide_index=True, column_config={head: link}, placeholder="")


def _turn(older: int | None) -> None:
    left, right = st.columns(2)
    if left.button(t("Latest"), key="log_latest", width="stretch", disabled=_before() is None):
        _latest()
        st.rerun()
    if right.button(t("Older"), key="log_older", width="stretch", disabled=older is None):
        st.query_params[_BEFORE] = str(older)
        st.rerun()


def _closely(changes: tuple[Change, ...]) -> None:
    by_number = {one.number: one for one in changes}
    picked = st.selectbox(
        t("One change, closely"),
        list(by_number),
        index=None,
        placeholder=t("choose one"),
        format_func=lambda number: _line_named(by_number[number]) if number in by_number else str(number),
        key=f"log_one_{changes[0].number}",
    )
    if picked not in by_number:
        return
    one = by_number[picked]
    touched = one.before_and_after()
    if touched:
        frame.table(
            [{t("field"): _field(name), t("before"): before, t("after"): after} for name, before, after in touched],
            whole=True,
        )
    st.markdown(words.plain(_besides(one)) or t("The line keeps nothing besides." if not touched else ""))


def _line_named(one: Change) -> str:
    return f"{one.number}: {one.at:%Y-%m-%d %H:%M}, {words.who(one.who)}, {t(one.what)} {one.key}".rstrip()


def _download(filters: Filters) -> None:
    records = visitors.store_later("keep people")
    columns = ("number", "at_utc", "who", "what", "table", "key", "restoration", "before", "after", "besides")

    def content() -> bytes:
        return downloads.as_csv([one.as_row() for one in every_change(records(), filters)], columns=columns)

    st.download_button(
        t("Download what fits as CSV"),
        data=content,
        file_name="changes.csv",
        mime="text/csv",
        key="log_csv",
        on_click="ignore",
    )
