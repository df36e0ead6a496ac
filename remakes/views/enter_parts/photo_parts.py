"""Photos of the returned piece: chosen or taken before saving, looked at, and taken back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.photos import Photo, add_photo, list_photos, read_photo, void_photo
from remakes.records.pictures import MOST_BYTES, clean_picture
from remakes.texts import t, tn
from remakes.views import state
from remakes.views.fields import file_field

__all__ = ["ask", "attach", "check", "given", "open_for", "show"]

_MEGABYTES: Final = MOST_BYTES // 1024**2
#: The browser refuses more before it is sent; a little above the limit, so that our own words are seen.
_TAKEN: Final = _MEGABYTES + 2


def ask(name: str) -> None:
    """Fields for photos chosen or taken; `name` makes their keys.

    A photo is not part of the draft: it is kept when the return is saved.
    """
    st.caption(
        t(
            "The piece only, no patient: the broken surface, before anything is repaired. JPEG or PNG, up to {most} "
            "megabytes. Place, time and camera are removed; photos are kept when the return is saved.",
            most=_MEGABYTES,
        )
    )
    file_field(
        t("Photos of the piece"),
        types=["jpg", "jpeg", "png"],
        several=True,
        most=_MEGABYTES,
        taken=_TAKEN,
        key=f"{name}_files",
    )
    if st.checkbox(t("Use the camera of this machine"), key=f"{name}_camera"):
        st.camera_input(t("Take a photo of the piece"), key=_taken(name))


def given(name: str) -> list[bytes]:
    """The photos chosen or taken so far."""
    files = [*st.session_state.get(f"{name}_files", ()), st.session_state.get(_taken(name))]
    return [one.getvalue() for one in files if one is not None]


def _taken(name: str) -> str:
    return f"{name}_taken"


def check(contents: Sequence[bytes]) -> None:
    """Refuse a photo before anything is saved; raises what keeping it would raise."""
    for one in contents:
        clean_picture(one)


def attach(return_id: str, contents: Sequence[bytes]) -> list[RemakesError]:
    """Keep the photos with a saved return; gives why others could not be kept."""
    visitor, refused = state.require("quality", "manager"), []
    for content in contents:
        try:
            add_photo(state.store(), return_id, content, who=visitor.who)
        except RemakesError as error:
            refused.append(error)
    return refused


def open_for(return_id: str, restoration_id: str) -> None:
    """A dialog with the photos of one return: look, add, take back."""
    st.dialog(t("Photos of return {number}", number=words.plain(return_id)), width="large")(_dialog)(
        return_id, restoration_id
    )


def _dialog(return_id: str, restoration_id: str) -> None:
    show(list_photos(state.store(), return_ids=[return_id]), restoration_id)
    ask(f"photos_{return_id}")
    chosen = given(f"photos_{return_id}")
    if st.button(t("Keep these photos"), type="primary", disabled=not chosen, key="keep_photos"):
        try:
            check(chosen)
        except RemakesError as error:
            st.error(words.refusal(error))
            return
        refused = attach(return_id, chosen)
        for one in refused:
            st.error(words.refusal(one))
        if not refused:
            st.rerun()


def show(photos: Sequence[Photo], restoration_id: str) -> None:
    """The photos that stand, each with its return and Take back for those who may."""
    standing = [one for one in photos if not one.voided]
    if back := len(photos) - len(standing):
        st.caption(
            tn(
                back,
                "{n} photo was taken back; it is kept and not shown.",
                "{n} photos were taken back; they are kept and not shown.",
            )
        )
    columns = st.columns(2) if len(standing) > 1 else [st.container()]
    for place, one in enumerate(standing):
        with columns[place % len(columns)]:
            _one(one, restoration_id)


def _one(photo: Photo, restoration_id: str) -> None:
    content = read_photo(state.store(), photo)
    said = t("Return {number}, added by {who}", number=photo.return_id, who=photo.added_by)
    if content is None:
        st.warning(t("A photo of return {number} is lost or was changed outside the program.", number=photo.return_id))
        return
    st.image(
        content,
        caption=words.plain(said),
        alt=t("Photo of the returned piece {number}", number=restoration_id),
        width="stretch",
    )
    if state.visitor().role != "technician":
        with st.popover(t("Take this photo back")):
            _take_back(photo)


def _take_back(photo: Photo) -> None:
    why = st.text_input(t("Why is the photo taken back?"), key=f"photo_why_{photo.photo_id}")
    if st.button(t("Take back"), key=f"photo_back_{photo.photo_id}"):
        visitor = state.require("quality", "manager")
        try:
            void_photo(state.store(), photo.photo_id, who=visitor.who, why=why)
        except RemakesError as error:
            st.error(words.refusal(error))
        else:
            st.rerun()
