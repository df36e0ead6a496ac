"""A copy of the records now, whether they are sound, and what the lab has settled."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.backups import backup_remark, copy_as_bytes, keep_copy, last_copy, photos_go_to
from remakes.records.photos import photos_folder
from remakes.records.store import Store
from remakes.records.upkeep import Finding, check
from remakes.texts import t, tn
from remakes.views import frame, state, visitors
from remakes.views.setup_parts import house
from remakes.views.setup_parts.forms import open_form, save, tell_saved

__all__ = ["show"]


def show() -> None:
    """Last copy; a new one; faults and remarks; settings."""
    state.require("manager")
    records = state.store()
    frame.answer(_answer(records))
    tell_saved()
    if backup_remark(records):
        st.warning(t("No copy is newer than a week: make one below."))
    if records.sqlite_path is None:
        st.info(
            t(
                "The records are on a database server, which has a tool of its own for copies: "
                "pg\\_dump --format=custom --file=FILE. Ask whoever keeps the server."
            )
        )
    else:
        _into_folder(records)
        _download(records)
    _where(records)
    st.subheader(t("Are the records sound?"))
    _soundness()
    st.subheader(t("Settings"))
    house.show()


def _answer(records: Store) -> str:
    last = last_copy(records)
    if last is None:
        return t("The records have not been copied from here yet.")
    return t(
        "The last copy was made on {day} by {who}.", day=words.day(last.at.date()), who=words.plain(words.who(last.who))
    )


def _into_folder(records: Store) -> None:
    opened = open_form("copy", "", probe="folder")
    left, right = st.columns([3, 1], vertical_alignment="bottom")
    typed = left.text_input(
        t("Folder on the machine where the app runs: better on another disk"),
        placeholder=str(Path.home()),
        key=f"folder_{opened.suffix}",
    )
    if right.button(t("Copy now"), type="primary", width="stretch", key=f"save_{opened.suffix}"):

        def work(who: str) -> str:
            to = keep_copy(records, Path(typed.strip()), who=who)
            return t("Copied to {file}, read back, and found sound.", file=words.plain(str(to)))

        save(opened, work)


def _download(records: Store) -> None:
    who, opened = state.visitor().who, visitors.store_later("keep people")
    st.download_button(
        t("Download a copy"),
        data=lambda: copy_as_bytes(opened(), who=who),
        file_name=f"remakes-{date.today().isoformat()}.zip",
        mime="application/zip",
        key="copy_download",
        on_click="ignore",
    )
    st.caption(
        t(
            "A copy holds everything: pseudonyms, case numbers, what signs people in, and the photos, which stand in "
            "a folder beside the .sqlite file. Keep it where only a manager gets at it. To go back to a copy, stop the "
            "app, unpack a download, and start the app with the .sqlite file after --db."
        )
    )
    if place := photos_go_to(records):
        st.caption(
            t(
                "The photos of these records stand in a folder of their own: when you go back to a copy, put what is "
                "in its folder of photos into {folder}.",
                folder=words.plain(str(place)),
            )
        )


def _where(records: Store) -> None:
    try:
        folder = str(photos_folder(records))
    except RemakesError as error:
        folder = str(error)
    rows: list[dict[str, object]] = [
        {t("what"): t("records"), t("where"): str(records.sqlite_path or records.url)},
        {t("what"): t("photos of returned pieces"), t("where"): folder},
    ]
    frame.table(rows, whole=True)


def _soundness() -> None:
    with st.spinner(t("Looking through the records")):
        found = _findings(visitors.records_url(), state.store().data_version())
    faults = [one for one in found if one.severity == "fault"]
    remarks = [one for one in found if one.severity == "remark"]
    if not faults:
        st.success(t("No fault was found: files, links between rows and dates fit together."))
    for one in faults:
        st.error(words.plain(t(one.text)))
    if remarks:
        st.markdown(
            tn(
                len(remarks),
                "One remark on what the figures leave out:",
                "{n} remarks on what the figures leave out:",
            )
        )
        st.markdown("\n".join(f"- {words.plain(t(one.text))}" for one in remarks))


@st.cache_data(show_spinner=False, max_entries=4)
def _findings(url: str, version: int) -> list[Finding]:
    # `version` is part of the key: a new state of the records asks anew.
    return check(visitors.opened(url))
