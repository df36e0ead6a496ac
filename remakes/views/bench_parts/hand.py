"""Who stands at the bench, and how a tap is carried out: written at once, told at the top of the page."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final, Literal

import streamlit as st

from remakes import words
from remakes.errors import RemakesError
from remakes.records.bench.codes import StepCodes, in_use
from remakes.records.bench.moments import local_day, on_the_clock
from remakes.records.permissions import Actor
from remakes.records.standard import ProcessStandard, load_standard
from remakes.records.still_allowed import SessionEndedError
from remakes.records.store import Store, now
from remakes.records.typed_values import read_day
from remakes.texts import speak, t
from remakes.views import state, visitors

__all__ = [
    "LARGE",
    "PART",
    "Hand",
    "due_day",
    "hand",
    "leave",
    "open_piece",
    "opened",
    "said",
    "show_told",
    "tap",
    "tell",
]

#: Under which the part of the page is kept, and its name in the address.
PART: Final = "bench_part"
_TOLD: Final = "bench_told"
_PIECE: Final = "piece"
_STEP: Final = "step"

#: Every target on this page can be hit with a gloved thumb. The toolkit sets its fields' height on their frames.
LARGE: Final = """<style>
.stMain button, .stMain [data-testid="stExpander"] summary {min-height: 3rem}
.stMain [data-testid="stElementToolbar"] button {min-height: 0}
.stMain [data-testid="stTextInputRootElement"], .stMain div:has(> [data-testid="stTextInputRootElement"]),
.stMain [data-testid="stSelectbox"] div:has(> input), .stMain [data-testid="stSelectbox"] div:has(> div > input),
.stMain [data-testid="stSelectbox"] input, .stMain [data-testid="stTextInputField"] {height: 3rem}
.stMain [data-testid="stButtonGroup"] button {color: inherit !important}
</style>"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """Whose bench it is, and what counts there today."""

    store: Store
    code: str
    who: str
    today: date
    standard: ProcessStandard

    def codes(self, step: str) -> StepCodes:
        """Who, machine and lot at a step today; the person's own code unless somebody else was named."""
        return in_use(self.store, owner=self.code, today=self.today).get(step) or StepCodes(operator=self.code)


def hand() -> Hand:
    """The visitor at the bench."""
    visitor = state.require("technician")
    store = state.store()
    if store.actor is None:
        # Opened without accounts, the code that was picked still writes on its own work only.
        store = store.acting_as(Actor(code=visitor.code, roles=frozenset({visitor.role})))
    return Hand(store=store, code=visitor.code, who=visitor.who, today=local_day(now()), standard=load_standard(store))


def tap(work: Callable[[], str | None]) -> None:
    """Carry a tap out, before the page is shown again; what it comes to is told at the top."""
    # A tap is carried out before the page has asked who is there, and in a thread of its own.
    with suppress(RemakesError):
        speak(state.language())
    try:
        message = work()
    except SessionEndedError:
        # The next thing shown is the page of whoever is not signed in: it tells this.
        st.session_state[visitors.NOT_SAVED_KEY] = t(
            "You were signed out before your tap at {time}: nothing was written down. A timer that was running runs "
            "on. Sign in; if its time was up at {time}, say so under the timer: “Its time was up before now”.",
            time=f"{on_the_clock(now()):%H:%M:%S}",
        )
        return
    except RemakesError as error:
        tell("error", words.refusal(error))
        return
    if message:
        tell("success", message)


def tell(kind: Literal["success", "error", "warning"], message: str) -> None:
    """Say this at the top of the page when it is shown next."""
    st.session_state[_TOLD] = (kind, message)


def show_told() -> None:
    """What the last tap came to."""
    kind, message = st.session_state.pop(_TOLD, ("", ""))
    if kind == "success":
        st.success(message)
    elif kind == "warning":
        st.warning(message)
    elif kind == "error":
        st.error(message)


def opened() -> tuple[str, str]:
    """The number and the step that stand in the address; blank where none is open."""
    return st.query_params.get(_PIECE, ""), st.query_params.get(_STEP, "")


def open_piece(number: str, step: str = "") -> None:
    """Open a piece, and a step of it."""
    st.query_params[_PIECE] = number
    if step:
        st.query_params[_STEP] = step
    else:
        st.query_params.pop(_STEP, None)


def leave() -> None:
    """Back to the list."""
    for name in (_PIECE, _STEP):
        st.query_params.pop(name, None)


def due_day(text: str, today: date) -> date | None:
    """The day work is due, as typed; one without a year is the next such day, or one of the last two months.

    Raises
    ------
    EntryError
        No day.
    """
    return read_day(text, today=today + timedelta(days=300))


def said(key: str) -> str:
    """What stands in a field, inside a tap."""
    return str(st.session_state.get(key) or "").strip()
