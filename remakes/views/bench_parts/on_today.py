"""What the page Today tells a technician of the own bench."""

from __future__ import annotations

import streamlit as st

from remakes import words
from remakes.records.bench.overview import BenchStand, bench_stand
from remakes.records.store import now
from remakes.texts import in_a_row, run_on, t, tn
from remakes.views import frame, state
from remakes.views.bench_parts.hand import hand

__all__ = ["show"]


def show(harm: str) -> None:
    """The answer of the page: running timers, harm, work with readings not recorded.

    Parameters
    ----------
    harm : str
        What is to be said of returns that may have hurt somebody; blank where there is none.
    """
    if not state.visitor().code:
        frame.answer(t("Choose your own code at the left: then your timers and your work stand here."))
        return
    here = hand()
    stand = bench_stand(here.store, technician=here.code, who=here.who, today=here.today)
    said = run_on(_timers(stand), harm, _work(stand))
    frame.answer(said or t("No timer of yours is running, and nothing of yours is left to write down."))
    forgotten = [one for one in stand.timers if one.forgotten(now())]
    if forgotten:
        numbers = in_a_row(dict.fromkeys(words.plain(one.restoration_id) for one in forgotten))
        st.warning(
            t("▲ A timer was forgotten on {numbers}: say in the bench log when its time was up.", numbers=numbers)
        )


def _timers(stand: BenchStand) -> str:
    if not stand.timers:
        return ""
    numbers = in_a_row(dict.fromkeys(words.plain(one.restoration_id) for one in stand.timers))
    return tn(
        len(stand.timers),
        "One timer is running ({numbers}).",
        "{n} timers are running ({numbers}).",
        numbers=numbers,
    )


def _work(stand: BenchStand) -> str:
    if not stand.unfinished:
        return ""
    return tn(
        stand.unfinished,
        "One restoration in work has readings that are not recorded.",
        "{n} restorations in work have readings that are not recorded.",
    )
