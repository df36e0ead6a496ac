"""The change log: who changed what, and when, a page at a time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import streamlit as st

from remakes import words
from remakes.records.bench.moments import local_day
from remakes.records.change_log import Change, Filters, authors, every_change, months, read_changes
from remakes.records.change_log import tables as changed_tables
from remakes.records.store import Store
from remakes.texts import later, t
from remakes.views import downloads, frame, state, tables, visitors
from remakes.views.addressed import from_address, into_address
from remakes.views.setup_parts.change_said import done, done_and_why

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
    "harm_notes": later("reports of possible harm"),
    "people": later("people and copies"),
    "open_work": later("work at the bench"),
    "bench_readings": later("readings at the bench"),
    "timers": later("timers"),
    "photos": later("photos"),
    "column maps": later("column maps"),
}

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
    """Filters in the address, fifty lines as sentences, one of them closely, the file."""
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
    table = _filter(middle, t("What was changed"), "log_table", changed_tables(records), _named)
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
        "{latest}, by {who} on {day}: {done}",
        latest=t("The latest change") if _before() is None else t("The latest change on this page"),
        who=words.plain(words.who(newest.who)),
        day=words.day(local_day(newest.at)),
        done=words.plain(done(newest)),
    )


def _lines(changes: tuple[Change, ...]) -> None:
    rows: list[dict[str, object]] = [
        {
            t("when"): words.clock(one.at),
            t("who"): words.who(one.who),
            t("what was done"): done_and_why(one),
            t("restoration"): one.restoration,
        }
        for one in changes
    ]
    tables.linked(rows, column=t("restoration"), address=lambda number: frame.address_of("restoration", no=number))


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
    return t(
        "{number}: {when}, {who}: {done}",
        number=str(one.number),
        when=words.clock(one.at),
        who=words.who(one.who),
        done=done(one),
    )


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
