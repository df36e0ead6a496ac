"""Timers on the page: running ones, and those that were forgotten."""

from __future__ import annotations

from datetime import datetime
from typing import Final

import streamlit as st

from remakes import words
from remakes.errors import EntryError
from remakes.records.bench.asked import Asked, find_asked
from remakes.records.bench.moments import on_the_clock, read_time
from remakes.records.bench.pieces import find_piece
from remakes.records.bench.timers import Timer, give_up_timer, start_timer, stop_forgotten, stop_timer
from remakes.records.store import now
from remakes.records.typed_values import read_day
from remakes.texts import later, t
from remakes.views.bench_parts.hand import Hand, said, tap
from remakes.views.bench_parts.tick import tick
from remakes.views.bench_parts.wording import name

__all__ = ["elsewhere", "running", "start"]

#: Why a timer is given up, in one tap.
_WHY: Final = (later("Started by mistake"), later("Work was interrupted"), later("The time is not known any more"))


def elsewhere(hand: Hand, timers: tuple[Timer, ...], *, number: str, step: str) -> None:
    """The timers that the step now open does not show."""
    others = [one for one in timers if (one.restoration_id, one.step) != (number, step)]
    if not others:
        return
    st.subheader(t("Timers that are running"))
    for timer in others:
        piece = find_piece(hand.store, timer.restoration_id)
        if piece is None:
            continue
        with st.container(border=True):
            asked = find_asked(hand.standard, piece, timer.step, timer.reading, today=hand.today)
            head = t(
                "**{number}** · {step} · {reading}",
                number=words.plain(timer.restoration_id),
                step=words.plain(timer.step),
                reading=name(asked),
            )
            st.markdown(head)
            running(hand, timer, asked)


def start(hand: Hand, number: str, asked: Asked) -> None:
    """One tap: the time runs."""

    def work() -> None:
        start_timer(hand.store, number, step=asked.step, reading=asked.reading, who=hand.who)

    st.button(
        t("Start {reading}", reading=name(asked)),
        icon=":material/play_arrow:",
        type="primary",
        key=f"start_{number}_{asked.step}_{asked.reading}",
        on_click=tap,
        args=(work,),
        width="stretch",
    )


def running(hand: Hand, timer: Timer, asked: Asked) -> None:
    """A running timer: its time, one tap to stop it, and a way to give it up."""
    if timer.started_at > now():
        st.warning(
            t(
                "The clock of the machine that runs the app was set back since this timer was started, so how long it "
                "has run is not known. Give it up; if you know the time, type it."
            )
        )
        _give_up(hand, timer, asked)
        return
    if timer.forgotten(now()):
        with st.expander(t("▲ Forgotten: when was the time up?")):
            _forgotten(hand, timer, asked)
        return
    tick(timer, asked, key=f"tick_{timer.id}")

    def work() -> str:
        codes = hand.codes(timer.step)
        stopped = stop_timer(
            hand.store, timer.id, who=hand.who, operator=codes.operator, equipment=codes.equipment, lot=codes.lot
        )
        return _written(timer, asked, stopped.value)

    st.button(
        t("Stop {reading}", reading=name(asked)),
        icon=":material/stop:",
        type="primary",
        key=f"stop_{timer.id}",
        on_click=tap,
        args=(work,),
        width="stretch",
    )
    # Wet gloves, a visit that had ended: the tap may have come too late.
    with st.expander(t("Its time was up before now")):
        _when_up(hand, timer, asked)
    # What has run is lost by it: two taps.
    with st.expander(t("Give this timer up")):
        _give_up(hand, timer, asked)


def _written(timer: Timer, asked: Asked, value: str) -> str:
    return t(
        "{number}: {value} {unit} written down for {reading}.",
        number=words.plain(timer.restoration_id),
        value=value,
        unit=asked.unit,
        reading=name(asked),
    )


def _give_up(hand: Hand, timer: Timer, asked: Asked) -> None:
    for place, why in enumerate(_WHY):

        def work(why: str = why) -> str:
            give_up_timer(hand.store, timer.id, why=str(t(why)), who=hand.who)
            return t("The timer for {reading} is given up; no time was written down.", reading=name(asked))

        st.button(t(why), key=f"give_up_{timer.id}_{place}", on_click=tap, args=(work,), width="stretch")


def _forgotten(hand: Hand, timer: Timer, asked: Asked) -> None:
    begun = on_the_clock(timer.started_at)
    st.warning(
        t(
            "{who} started it on {day} at {time}. It ran for more than twelve hours or into another day, so its time "
            "is not taken as it is. When was the time up?",
            who=words.plain(timer.started_by),
            day=begun.date().isoformat(),
            time=f"{begun:%H:%M}",
        )
    )
    _when_up(hand, timer, asked)
    st.markdown(t("Or give it up; no time is written down:"))
    _give_up(hand, timer, asked)


def _when_up(hand: Hand, timer: Timer, asked: Asked) -> None:
    """When the time was up, said afterwards."""
    begun = on_the_clock(timer.started_at)
    day_key, time_key = f"up_day_{timer.id}", f"up_time_{timer.id}"
    st.session_state.setdefault(day_key, begun.date().isoformat())
    with st.form(f"up_{timer.id}", border=False):
        st.text_input(t("Day it was up"), key=day_key)
        st.text_input(t("Time it was up"), key=time_key, placeholder=f"{begun:%H:%M:%S}")

        def work() -> str:
            day, time = read_day(said(day_key), today=hand.today), read_time(said(time_key))
            if day is None or time is None:
                raise EntryError(t("Nothing was written down: type the day and the time, or give the timer up."))
            ended = datetime.combine(day, time)
            stopped = stop_forgotten(hand.store, timer.id, stopped_at=ended, who=hand.who, operator=hand.code)
            return _written(timer, asked, stopped.value)

        st.form_submit_button(t("Write this time down as a late entry"), on_click=tap, args=(work,), width="stretch")
