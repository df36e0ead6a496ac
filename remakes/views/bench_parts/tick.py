"""A ticking time. The browser ticks by itself; the start stands in the records."""

from __future__ import annotations

from typing import Any, Final

import streamlit as st

from remakes.records.bench.asked import Asked
from remakes.records.bench.timers import Timer
from remakes.records.store import now
from remakes.texts import t

__all__ = ["tick"]

_HTML: Final = '<div class="box"><span class="time" role="timer"></span> <span class="sign" role="status"></span></div>'
_CSS: Final = """
.box {font-family: var(--st-font); color: var(--st-text-color); display: flex; flex-wrap: wrap; gap: 0 1rem;
  align-items: baseline}
.time {font-size: 2rem; font-weight: 700; font-variant-numeric: tabular-nums}
.sign {font-size: 1.1rem; padding: 0.1rem 0.5rem; border: 2px solid transparent}
.sign.up {border-color: currentColor; font-weight: 700}
"""
#: Counts from the seconds that the server says have passed, so that a wrong clock of a tablet does no harm.
_JS: Final = """
export default function (component) {
  const {data, parentElement} = component;
  const begun = performance.now() - data.seconds * 1000;
  const time = parentElement.querySelector('.time'), sign = parentElement.querySelector('.sign');
  const shown = (s) => `${Math.floor(s / 60)}:${String(s % 60).padStart(2, '0')}`;
  const say = (words, up) => {
    if (sign.textContent !== words) sign.textContent = words;
    sign.classList.toggle('up', up);
  };
  const draw = () => {
    const s = Math.floor((performance.now() - begun) / 1000);
    time.textContent = shown(s);
    if (data.high !== null && s > data.high) say(data.over, true);
    else if (data.low !== null && s < data.low) say(data.wait.replace('{time}', shown(data.low)), false);
    else if (data.low !== null) say(data.reached, true);
    else if (data.high !== null) say(data.within.replace('{time}', shown(data.high)), false);
  };
  draw();
  const handle = setInterval(draw, 250);
  return () => clearInterval(handle);
}
"""


def tick(timer: Timer, asked: Asked, *, key: str) -> None:
    """A running timer: minutes and seconds, and a sign in shape and words once its time is reached."""
    low, high = _ends(asked)
    data: dict[str, Any] = {
        "seconds": timer.seconds(now()),
        "low": low,
        "high": high,
        "wait": str(t("○ until {time}", time="{time}")),
        "within": str(t("○ at most {time}", time="{time}")),
        "reached": str(t("✓ TIME REACHED")),
        "over": str(t("▲ OVER THE LIMIT")),
    }
    component = st.components.v2.component("tick", html=_HTML, css=_CSS, js=_JS)
    component(data=data, key=key, height="content")


def _ends(asked: Asked) -> tuple[float | None, float | None]:
    """The lowest and the highest time that keeps every limit, in seconds."""
    rules = [one.rule for one in asked.requirements]
    lows = [rule.low * asked.unit_seconds for rule in rules if rule.low is not None]
    highs = [rule.high * asked.unit_seconds for rule in rules if rule.high is not None]
    return max(lows, default=None), min(highs, default=None)
