"""The readings of the step now open, each with what fits its rule."""

from __future__ import annotations

import streamlit as st

from remakes import words
from remakes.records.bench.asked import Asked
from remakes.records.bench.codes import StepCodes, known_values, use_at_step
from remakes.records.bench.overview import BenchPiece
from remakes.records.bench.readings import Standing, Written, give_reason, void_reading, write_reading_over
from remakes.records.bench.timers import Timer
from remakes.texts import t
from remakes.views import cautions
from remakes.views.bench_parts import clocks
from remakes.views.bench_parts.hand import Hand, said, tap
from remakes.views.bench_parts.wording import asks, name, standing_in_words

__all__ = ["show_step"]


def show_step(hand: Hand, one: BenchPiece, step: str, timers: tuple[Timer, ...]) -> None:
    """Every reading that the piece needs at this step."""
    st.caption(
        t(
            "The material's instructions come first. What is left open is not recorded; a value outside the limit is "
            "written down as it is."
        )
    )
    _codes(hand, step)
    for asked in one.asked[step]:
        with st.container(border=True):
            mine = next((timer for timer in timers if _of(timer, one, asked)), None)
            _reading(hand, one, asked, mine)
    cautions.show_for_steps([step])


def _of(timer: Timer, one: BenchPiece, asked: Asked) -> bool:
    wanted = (one.piece.restoration_id, asked.step, asked.reading)
    return (timer.restoration_id, timer.step, timer.reading) == wanted


def _codes(hand: Hand, step: str) -> None:
    """Who, machine and lot at this step today."""
    codes, none = hand.codes(step), t("not recorded")
    shown = t(
        "Who: {who} · machine: {machine} · lot: {lot}",
        who=words.plain(codes.operator or none),
        machine=words.plain(codes.equipment or none),
        lot=words.plain(codes.lot or none),
    )
    with st.expander(shown), st.form(f"codes_{step}", border=False):
        keys = {name: f"codes_{name}_{step}" for name in ("operator", "equipment", "lot")}
        st.text_input(t("Who does it (code)"), value=codes.operator, key=keys["operator"])
        st.text_input(t("Machine"), value=codes.equipment, key=keys["equipment"])
        st.text_input(t("Lot"), value=codes.lot, key=keys["lot"])

        def work() -> str:
            typed = StepCodes(**{name: said(key) for name, key in keys.items()})
            use_at_step(hand.store, step, typed, owner=hand.code, today=hand.today)
            return t("Kept for {step} today.", step=words.plain(step))

        st.form_submit_button(t("Use these today"), on_click=tap, args=(work,), width="stretch")


def _reading(hand: Hand, one: BenchPiece, asked: Asked, timer: Timer | None) -> None:
    number = one.piece.restoration_id
    standing = one.standing.get((asked.step, asked.reading))
    st.markdown(asks(asked))
    st.markdown(standing_in_words(asked, standing))
    if timer is not None:
        clocks.running(hand, timer, asked)
        return
    if standing is None:
        _controls(hand, number, asked, standing)
        return
    if standing.reading_id is not None and not standing.reason and asked.missed(standing.value):
        _why(hand, standing.reading_id)
    with st.expander(t("Correct {reading}", reading=name(asked))):
        _controls(hand, number, asked, standing)
        if standing.reading_id is not None:
            _take_back(hand, standing, asked)


def _controls(hand: Hand, number: str, asked: Asked, standing: Standing | None) -> None:
    match asked.control:
        case "timer":
            clocks.start(hand, number, asked)
            _typed(hand, number, asked, standing, label=t("Or type the time"))
        case "number":
            _typed(hand, number, asked, standing, label=t("Value"))
        case "tick":
            _tick(hand, number, asked, standing)
        case _:
            _choice(hand, number, asked, standing)
    if asked.not_done is not None and asked.control != "tick":
        _button(hand, number, asked, standing, t("Not done"), asked.not_done, not_done=True)


def _tick(hand: Hand, number: str, asked: Asked, standing: Standing | None) -> None:
    left, right = st.columns(2)
    with left:
        _button(hand, number, asked, standing, t("Yes"), "yes", primary=True)
    with right:
        _button(hand, number, asked, standing, t("No, not done"), "no", not_done=True)


def _choice(hand: Hand, number: str, asked: Asked, standing: Standing | None) -> None:
    known = known_values(hand.store, asked.step, asked.reading)
    for word in dict.fromkeys([*asked.words, *known]):
        _button(hand, number, asked, standing, words.plain(words.code(word)), word)
    _typed(hand, number, asked, standing, label=t("Or another word"))


def _button(
    hand: Hand,
    number: str,
    asked: Asked,
    standing: Standing | None,
    label: str,
    value: str,
    *,
    not_done: bool = False,
    primary: bool = False,
) -> None:
    def work() -> str:
        return _write(hand, number, asked, standing, value, not_done=not_done)

    st.button(
        label,
        type="primary" if primary else "secondary",
        key=f"write_{number}_{asked.step}_{asked.reading}_{value}",
        on_click=tap,
        args=(work,),
        width="stretch",
    )


def _typed(hand: Hand, number: str, asked: Asked, standing: Standing | None, *, label: str) -> None:
    place = f"{number}_{asked.step}_{asked.reading}"
    unit = asked.unit
    with st.form(f"form_{place}", border=False):
        key = f"typed_{place}"
        reading = name(asked)
        shown = t("{label}: {reading}", label=label, reading=reading)
        if unit:
            shown = t("{label}: {reading} in {unit}", label=label, reading=reading, unit=unit)
        st.text_input(shown, key=key)

        def work() -> str:
            told = _write(hand, number, asked, standing, said(key))
            # What is refused stays, to be mended.
            st.session_state[key] = ""
            return told

        st.form_submit_button(
            t("Write {reading} down", reading=reading),
            key=f"save_{place}",
            on_click=tap,
            args=(work,),
            width="stretch",
        )


def _write(
    hand: Hand, number: str, asked: Asked, standing: Standing | None, value: str, *, not_done: bool = False
) -> str:
    codes = hand.codes(asked.step)
    written = Written(
        restoration_id=number,
        step=asked.step,
        reading=asked.reading,
        value=value,
        not_done=not_done,
        operator=codes.operator,
        equipment=codes.equipment,
        lot=codes.lot,
    )
    write_reading_over(hand.store, written, standing, who=hand.who)
    return t("{number}: {reading} is written down.", number=words.plain(number), reading=name(asked))


def _why(hand: Hand, reading_id: int) -> None:
    key = f"why_{reading_id}"
    with st.form(f"form_{key}", border=False):
        st.text_input(t("Outside the limit: why? (may stay blank)"), key=key)

        def work() -> str:
            give_reason(hand.store, reading_id, said(key), who=hand.who, before="")
            return t("The reason is kept with the reading.")

        st.form_submit_button(t("Keep the reason"), on_click=tap, args=(work,), width="stretch")


def _take_back(hand: Hand, standing: Standing, asked: Asked) -> None:
    key = f"back_{standing.reading_id}"
    with st.form(f"form_{key}", border=False):
        st.text_input(t("Why is it taken back?"), key=key)

        def work() -> str:
            void_reading(hand.store, standing.reading_id or 0, who=hand.who, why=said(key))
            return t("{reading} is taken back, and kept with the reason.", reading=name(asked))

        st.form_submit_button(
            t("Take {reading} back", reading=name(asked)), on_click=tap, args=(work,), width="stretch"
        )
