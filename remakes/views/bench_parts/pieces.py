"""The pieces on somebody's bench: the list, the one now open, and what is done with it as a whole."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import streamlit as st

from remakes import words
from remakes.errors import EntryError
from remakes.records.bench.delivery import deliver
from remakes.records.bench.overview import BenchPiece, BenchStand, bench_piece
from remakes.records.bench.pieces import Piece, find_piece, may_write
from remakes.records.bench.work import WorkChangedError, change_work, give_up_work, take_over
from remakes.records.typed_values import read_day
from remakes.texts import t, tn
from remakes.views import frame
from remakes.views.bench_parts.hand import Hand, due_day, leave, open_piece, said, tap
from remakes.views.bench_parts.readings import show_step
from remakes.views.bench_parts.wording import piece_in_words

__all__ = ["show_list", "show_piece"]


def show_list(hand: Hand, stand: BenchStand) -> None:
    """What is in work, the first due first; one tap opens it."""
    if not stand.pieces:
        frame.answer(t("Nothing is in work for {code}.", code=words.plain(hand.code)))
        st.info(t("Scan the number of a restoration, or choose “Begin a restoration” and type it."))
        return
    frame.answer(
        tn(
            len(stand.pieces),
            "One restoration is in work; {open} with readings not recorded.",
            "{n} restorations are in work; {open} with readings not recorded.",
            open=stand.unfinished,
        )
    )
    for one in stand.pieces:
        st.button(
            _line(one, hand.today),
            key=f"open_{one.piece.restoration_id}",
            on_click=open_piece,
            args=(one.piece.restoration_id, one.next_step),
            width="stretch",
        )


def _line(one: BenchPiece, today: date) -> str:
    parts = [
        f"**{words.plain(one.piece.restoration_id)}**",
        _due(one.piece, today),
        t("{recorded} of {needed} recorded", recorded=one.recorded, needed=one.needed),
        words.plain(piece_in_words(one.piece)),
        "" if one.piece.technician else t("nobody has it yet"),
    ]
    return " · ".join(part for part in parts if part)


def _due(piece: Piece, today: date) -> str:
    if piece.due_on is None:
        return t("no due day")
    if piece.due_on < today:
        return t("▲ was due on {day}", day=words.day(piece.due_on))
    return t("due today") if piece.due_on == today else t("due on {day}", day=words.day(piece.due_on))


def show_piece(hand: Hand, stand: BenchStand, number: str, step: str) -> None:
    """One piece with its steps in working order."""
    st.button(t("Back to the list"), icon=":material/arrow_back:", key="back", on_click=leave, width="stretch")
    piece = find_piece(hand.store, number)
    if piece is None:
        st.warning(t("{number} is neither in work nor in the records.", number=words.plain(number)))
        return
    if not may_write(hand.store, piece):
        _others(hand, piece)
        return
    one = bench_piece(hand.store, piece, hand.standard, today=hand.today)
    frame.answer(
        t(
            "{number}: {recorded} of {needed} readings are recorded.",
            number=words.plain(number),
            recorded=one.recorded,
            needed=one.needed,
        )
    )
    st.markdown(f"{words.plain(piece_in_words(piece))} · {_due(piece, hand.today)}")
    if piece.delivered_on is not None:
        st.info(
            t(
                "It left the lab on {day}. What you write now goes into the process log at once; after a return it is "
                "marked as such.",
                day=words.day(piece.delivered_on),
            )
        )
    if not one.asked:
        st.info(t("No requirement of the process standard applies to it, so nothing is asked."))
    _steps(hand, stand, one, step if step in one.asked else "")
    if piece.version is not None:
        _deliver(hand, piece, one)
        _correct(hand, piece)
        _give_up(hand, piece)


def _steps(hand: Hand, stand: BenchStand, one: BenchPiece, opened: str) -> None:
    for step, readings in one.asked.items():
        recorded = one.recorded_of(step)
        mark = "✓" if recorded == len(readings) else "○"
        st.button(
            t(
                "{mark} {step}: {recorded} of {needed} recorded",
                mark=mark,
                step=words.plain(step),
                recorded=recorded,
                needed=len(readings),
            ),
            icon=":material/expand_less:" if step == opened else ":material/expand_more:",
            key=f"step_{step}",
            on_click=open_piece,
            args=(one.piece.restoration_id, "" if step == opened else step),
            width="stretch",
        )
        if step == opened:
            show_step(hand, one, step, stand.timers)


def _others(hand: Hand, piece: Piece) -> None:
    number = words.plain(piece.restoration_id)
    if piece.technician is not None:
        st.warning(
            t(
                "{number} is the work of {technician}: only {technician} or the manager writes on it.",
                number=number,
                technician=words.plain(piece.technician),
            )
        )
        return
    st.info(t("Nobody works on {number} yet.", number=number))

    def work() -> str:
        take_over(hand.store, piece.restoration_id, technician=hand.code, version=piece.version or 0, who=hand.who)
        return t("{number} is your work now.", number=number)

    if piece.version is not None:
        label = t("Take {number} over", number=number)
        st.button(label, type="primary", key="take_over", on_click=tap, args=(work,), width="stretch")


def _deliver(hand: Hand, piece: Piece, one: BenchPiece) -> None:
    number, key = piece.restoration_id, f"deliver_{piece.restoration_id}"
    with st.expander(t("It leaves the lab: deliver")), st.form(f"form_{key}", border=False):
        missing = one.needed - one.recorded
        if missing:
            st.markdown(
                tn(
                    missing,
                    "One reading is not recorded, and stays so unless it is entered late.",
                    "{n} readings are not recorded, and stay so unless they are entered late.",
                )
            )
        st.text_input(t("Left the lab on"), value=hand.today.isoformat(), key=key)

        def work() -> str:
            day = read_day(said(key), today=hand.today)
            if day is None:
                raise EntryError(t("No day was typed. Type the day on which it left the lab, then deliver."))
            moved = deliver(hand.store, number, delivered_on=day, version=piece.version, who=hand.who)
            leave()
            return tn(
                moved,
                "{number} is delivered; one reading went into the process log.",
                "{number} is delivered; {n} readings went into the process log.",
                number=words.plain(number),
            )

        st.form_submit_button(t("Deliver"), type="primary", key="deliver", on_click=tap, args=(work,), width="stretch")


def _correct(hand: Hand, piece: Piece) -> None:
    number = piece.restoration_id
    with st.expander(t("Correct what is known of it")), st.form(f"correct_{number}", border=False):
        shown: dict[str, tuple[str, str]] = {
            "teeth": (t("Teeth"), piece.teeth),
            "units": (t("Units"), str(piece.units)),
            "veneer": (t("Veneer"), piece.veneer or ""),
            "framework": (t("Framework"), piece.framework or ""),
            "due_on": (t("Due on"), piece.due_on.isoformat() if piece.due_on else ""),
        }
        # The version is part of the key: after somebody else's change the fields show what stands there now.
        keys = {name: f"correct_{name}_{number}_{piece.version}" for name in shown}
        for name, (label, value) in shown.items():
            st.text_input(label, value=value, key=keys[name])

        def work() -> str:
            changes: dict[str, object] = {name: said(key) for name, key in keys.items()}
            changes["due_on"] = due_day(said(keys["due_on"]), hand.today)
            try:
                change_work(hand.store, number, changes, version=piece.version or 0, who=hand.who)
            except WorkChangedError as error:
                raise EntryError(_with_typed(error, shown, keys)) from error
            return t("{number} is corrected.", number=words.plain(number))

        st.form_submit_button(t("Keep the correction"), key="correct", on_click=tap, args=(work,), width="stretch")


def _with_typed(error: WorkChangedError, shown: Mapping[str, tuple[str, str]], keys: Mapping[str, str]) -> str:
    """The refusal, and what was typed in vain: the fields show what stands there now."""
    typed = [
        t("{field}: {value}", field=label, value=said(keys[name]) or t("blank"))
        for name, (label, before) in shown.items()
        if said(keys[name]) != before
    ]
    refusal = str(error.args[0])
    return t("{refusal} You had typed: {typed}.", refusal=refusal, typed=words.listed(typed)) if typed else refusal


def _give_up(hand: Hand, piece: Piece) -> None:
    number, key = piece.restoration_id, f"end_{piece.restoration_id}"
    with st.expander(t("It will not be delivered: give it up")), st.form(f"form_{key}", border=False):
        st.text_input(t("Why is the work given up?"), key=key)

        def work() -> str:
            give_up_work(hand.store, number, why=said(key), version=piece.version or 0, who=hand.who)
            leave()
            return t("{number} is given up; its readings are kept and are in no figure.", number=words.plain(number))

        st.form_submit_button(t("Give it up"), key="end", on_click=tap, args=(work,), width="stretch")
