"""What the browser does for whoever holds a scanner: it brings scans home, and hands over what was typed last."""

from __future__ import annotations

import time
from typing import Any, Final

import streamlit as st

__all__ = ["listen"]

_CURSOR: Final = "enter_cursor"

# A scanner types letters without a pause, and ends with Enter. While the cursor is in no text field, where letters mean
# nothing, they go into the field for the number; the Enter must not press the button that happens to have the focus.
# The save key leaves the text field first, as a click would, so that the last word is handed over before the save.
_LISTEN: Final = """
export default function (component) {
  // One listener for the life of the window: made anew at each run of the page, it would be deaf in between.
  const shared = window.remakesKeys ??= { label: "", cursor: null, listening: false }
  shared.label = component.data.label
  const longest = 1000
  let burst = "", last = 0
  const text = (one) => one && (one.tagName === "TEXTAREA" ||
    (one.tagName === "INPUT" && !["radio", "checkbox", "button", "file"].includes(one.type)))
  const field = () => document.querySelector(`input[aria-label="${CSS.escape(shared.label)}"]`)
  const put = (into, value) => {
    Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, "value").set.call(into, value)
    into.dispatchEvent(new Event("input", { bubbles: true }))
  }
  const enter = (into) => into.dispatchEvent(
    new KeyboardEvent("keydown", { key: "Enter", code: "Enter", keyCode: 13, bubbles: true, cancelable: true }))
  const heard = (event) => {
    if (!event.isTrusted) return
    const at = document.activeElement
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "s" && text(at)) {
      at.blur()
      return
    }
    if (text(at) || document.querySelector('[role="dialog"]') || event.ctrlKey || event.metaKey || event.altKey) {
      burst = ""
      return
    }
    const quick = event.timeStamp - last < longest
    last = event.timeStamp
    if (event.key === "Enter") {
      const scanned = quick && burst.length >= 3 ? burst : "", into = field()
      burst = ""
      if (!scanned || !into) return
      event.preventDefault()
      event.stopImmediatePropagation()
      into.focus()
      put(into, scanned)
      setTimeout(() => enter(into), 40)
    } else if (event.key.length === 1) {
      burst = quick ? burst + event.key : event.key.trim()
      if (event.key === " " && burst.length > 1) event.preventDefault()
    }
  }
  // The field may not be drawn yet, or an old one may still stand and take the cursor away with it when it goes.
  const cursor = (tries, placed) => {
    const into = field(), at = document.activeElement, scanning = burst && performance.now() - last < longest
    if (into && at !== into && !scanning && (at === document.body || !placed)) {
      into.focus()
      into.select()
    } else if (placed && at !== into && at !== document.body) {
      return
    }
    if (tries) setTimeout(() => cursor(tries - 1, placed || at === into), 50)
  }
  if (component.data.cursor && shared.cursor !== component.data.cursor) {
    shared.cursor = component.data.cursor
    setTimeout(() => cursor(60, false), 50)
  }
  if (!shared.listening) {
    shared.listening = true
    window.addEventListener("keydown", heard, true)
  }
}
"""


def listen(label: str, *, cursor: bool) -> None:
    """Listen for scans, and for the save key.

    Parameters
    ----------
    label : str
        Of the text field that scans go to: a constant, never text of the records.
    cursor : bool
        Place the cursor there now, as soon as the field is drawn.
    """
    if cursor:
        # Another word than before: the browser places the cursor once for each.
        st.session_state[_CURSOR] = time.time()
    data = {"label": label, "cursor": st.session_state.get(_CURSOR)}
    _component()(data=data, key="enter_keys", height=0)


def _component() -> Any:
    return st.components.v2.component("enter_keys", html="<span></span>", js=_LISTEN)
