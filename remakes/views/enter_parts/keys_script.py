"""The script that looks after the keys in the browser; `keys` says what it is told about the page."""

from __future__ import annotations

from typing import Final

__all__ = ["SCRIPT"]

# Whoever types faster than the page is drawn would press what stands there still: the next Tab would lead past the form
# to Undo. So keys typed between an answer that changes the form (number, defect, save) and the form that answers it are
# held, and then given to it in their order. A script cannot press a key; it does what the browser would have done.
SCRIPT: Final = r"""
export default function (component) {
  // One listener for the life of the window: made anew at each run of the page, it would be deaf in between.
  const keys = window.remakesKeys ??= made()
  keys.drawn(component)
}

const LONGEST_PAUSE = 1000  // between two letters of a scan into no field, in ms
const SWIFT = 30  // nobody types a number with less than this between all of its letters, in ms
const PATIENCE = 8000  // no longer than this are keys held, in ms
const MOST_HELD = 200
const MODIFIERS = ["Shift", "Control", "Alt", "AltGraph", "Meta", "CapsLock"]
const ARROWS = { ArrowDown: 1, ArrowRight: 1, ArrowUp: -1, ArrowLeft: -1 }

const made = () => {
  let page, data, cursor, placed = true, wanted = false
  let burst = "", last = 0, swift = null
  let held = null, queue = [], timer

  const field = () => document.querySelector(`input[aria-label="${CSS.escape(data.label)}"]`)
  const inside = (name) => document.querySelector(`.st-key-${CSS.escape(name)}`)
  const defects = () => inside(data.start + "defect")
  const button = (name) => inside(name)?.querySelector("button")
  const text = (one) => one && (one.tagName === "TEXTAREA" ||
    (one.tagName === "INPUT" && !["radio", "checkbox", "button", "file"].includes(one.type)))
  const put = (into, value) => {
    Object.getOwnPropertyDescriptor(Object.getPrototypeOf(into), "value").set.call(into, value)
    into.dispatchEvent(new Event("input", { bubbles: true }))
  }
  const enter = (into) => into.dispatchEvent(
    new KeyboardEvent("keydown", { key: "Enter", code: "Enter", keyCode: 13, bubbles: true, cancelable: true }))
  const stop = (event) => {
    event.preventDefault()
    event.stopImmediatePropagation()
  }

  // ---- is what stands there drawn for what was answered?
  // Read from the page: what the toolkit hands to this script may be missed while the script itself is being fetched.
  const look = () => {
    const told = document.querySelector(".enter-told")?.dataset.told
    if (told) data = JSON.parse(told)
    if (!data.cursor || cursor === data.cursor) return
    cursor = data.cursor
    placed = false
    wanted = true
    setTimeout(() => bring(60), 50)
  }
  const answered = () => (held.number === undefined || held.number === data.number) &&
    (held.tries === undefined || held.tries !== data.tries)
  const drawn = () => {
    // A field that is used for the first time is brought a moment later; a grey bar stands in its place.
    if (document.querySelector('[data-test-script-state="running"], .stMain [data-testid="stSkeleton"]')) return false
    if (!data.form) return true
    const chosen = defects()?.querySelector("input:checked")?.value ?? ""
    return defects() && chosen === data.defect && (!chosen || inside(data.start + "harm"))
  }

  // ---- holding keys, and giving them back
  const later = () => {
    clearTimeout(timer)
    timer = setTimeout(step, 10)
  }
  const hold = (what) => {
    held = { ...what, since: performance.now() }
    later()
  }
  const giveUp = () => {
    const lost = queue.length
    held = null
    queue = []
    if (lost) page.setTriggerValue("dropped", lost)
  }
  const step = () => {
    if (!held) return
    look()
    if (!field() || performance.now() - held.since > PATIENCE) return giveUp()
    const along = queue.length && ARROWS[queue[0].key] && defects()?.contains(document.activeElement)
    if (answered() && (along || drawn())) {
      place()
      if (!queue.length) {
        held = null
        return
      }
      held.since = performance.now()
      const stroke = queue.shift()
      if (!act(stroke)) {
        queue.unshift(stroke)
        return giveUp()
      }
    }
    later()
  }
  const act = (stroke) => {
    const at = document.activeElement
    // Where the form did not come, what was typed for it would press something else.
    if (!data.form && !stroke.undo && !(at === field() && (stroke.key.length === 1 || stroke.key === "Enter"))) {
      return false
    }
    if (stroke.save) return save(at)
    if (stroke.undo) return press(button("enter_undo"))
    if (watched(stroke, at)) return true
    if (stroke.key === "Tab") return tab(stroke.shift)
    if (text(at)) return write(stroke.key, at)
    if (ARROWS[stroke.key]) return turn(ARROWS[stroke.key], at)
    if (stroke.key === " " || (stroke.key === "Enter" && at.type !== "radio")) press(at)
    return true
  }
  const press = (one) => {
    one?.click()
    return Boolean(one)
  }
  const save = (at) => {
    if (text(at)) at.blur()
    hold({ tries: data.tries })
    return press(button(data.save))
  }
  const write = (key, at) => {
    if (key === "Enter") enter(at)
    else if (key === "Backspace") document.execCommand("delete")
    else if (key.length === 1) document.execCommand("insertText", false, key)
    else if (ARROWS[key]) {
      const to = Math.max(0, at.selectionEnd + ARROWS[key])
      at.setSelectionRange(to, to)
    }
    return true
  }
  const siblings = (one) => [...document.querySelectorAll(`input[type=radio][name="${CSS.escape(one.name)}"]`)]
  const turn = (by, at) => {
    if (at.type === "radio") {
      const all = siblings(at), next = all[(all.indexOf(at) + by + all.length) % all.length]
      next.focus()
      next.click()
    }
    return true
  }
  const tab = (back) => {
    const at = document.activeElement, from = at === document.body ? field() : at
    // A group of choices is one stop: at the one that is chosen, else at its end that is met first.
    const stopsAt = (one) => {
      if (one.type !== "radio" || one === from) return true
      const all = siblings(one).filter((other) => other.tabIndex >= 0)
      return !all.includes(from) && one === (all.find((other) => other.checked) ?? all.at(back ? -1 : 0))
    }
    const all = [...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex]")]
      .filter((one) => one === from || (one.tabIndex >= 0 && !one.disabled && one.checkVisibility())).filter(stopsAt)
    const next = all[all.indexOf(from) + (back ? -1 : 1)]
    next?.focus()
    if (text(next)) next.select()
    return true
  }

  // ---- scans, and the answers that change the form
  const scanned = (number) => {
    const into = field()
    into.focus()
    put(into, number)
    if (number.trim() !== data.number) hold({ number: number.trim() })
    // Only after the field has taken the text in.
    setTimeout(() => {
      enter(into)
      into.select()
    }, 40)
  }
  // Gives whether the key is done with.
  const watched = (stroke, at) => {
    if (at === field()) return atNumber(stroke, at)
    if (text(at)) {
      burst = ""
      return data.prose.includes(at.getAttribute("aria-label")) && inProse(stroke, at)
    }
    return inNoField(stroke)
  }
  const atNumber = (stroke, at) => {
    const forward = stroke.key === "Tab" && !stroke.shift, number = at.value.trim()
    burst = ""
    // From a form that is just being drawn, the focus would fall back to where it came from.
    const known = number === data.number, drawing = forward && number && known && !drawn()
    if (stroke.key !== "Enter" && !drawing && !(forward && number && !known)) return false
    if (!known || drawing) hold({ number })
    if (drawing) {
      queue.unshift(stroke)
      return true
    }
    enter(at)
    at.select()  // another scan replaces it
    if (forward) queue.unshift(stroke)
    return true
  }
  const inProse = (stroke, at) => {
    const follows = swift?.at === at && stroke.time - swift.last < SWIFT
    if (stroke.key === "Enter") {
      const { letters = "", value, start, end } = swift ?? {}
      swift = null
      const whole = follows && at.value === value.slice(0, start) + letters + value.slice(end)
      if (!whole || letters.length < 4 || !/^\S*\d\S*$/.test(letters)) return false
      put(at, value)
      scanned(letters)
      return true
    }
    if (stroke.key.length !== 1) swift = null
    else if (follows) swift = { ...swift, letters: swift.letters + stroke.key, last: stroke.time }
    else {
      const { value, selectionStart: start, selectionEnd: end } = at
      swift = { at, value, start, end, letters: stroke.key, last: stroke.time }
    }
    return false
  }
  const inNoField = (stroke) => {
    const quick = stroke.time - last < LONGEST_PAUSE
    last = stroke.time
    if (stroke.key === "Enter") {
      const number = quick && burst.length >= 3 ? burst : ""
      burst = ""
      if (number) scanned(number)
      return Boolean(number)
    }
    // A blank begins no number: it chooses what has the focus.
    burst = stroke.key.length === 1 ? ((quick ? burst : "") + stroke.key).trimStart() : ""
    return stroke.key === " " && burst.length > 1
  }

  // ---- what the browser tells
  const strokeOf = (event) => {
    const command = (event.ctrlKey || event.metaKey || event.altKey) && !event.getModifierState("AltGraph")
    const save = (event.ctrlKey || event.metaKey) && !event.altKey && event.key.toLowerCase() === "s"
    const undo = event.altKey && event.code === "KeyU"
    return { key: event.key, shift: event.shiftKey, time: event.timeStamp, command, save, undo }
  }
  const holdable = (one) => one.save || one.undo || (!one.command &&
    (one.key.length === 1 || ["Tab", "Enter", "Backspace"].includes(one.key) || one.key in ARROWS))
  const heard = (event) => {
    look()
    // Whoever types in the field has the cursor there, and takes it along from now on.
    if (!held && document.activeElement === field()) {
      wanted = false
      placed = true
    }
    if (!event.isTrusted || event.isComposing || MODIFIERS.includes(event.key) || !field()) return
    if (document.querySelector('[role="dialog"]')) {
      giveUp()
      burst = ""
      return
    }
    const stroke = strokeOf(event), at = document.activeElement
    if (held) {
      if (event.key === "Escape" || queue.length >= MOST_HELD) return giveUp()
      if (holdable(stroke)) {
        stop(event)
        queue.push(stroke)
      }
    } else if (stroke.save) {
      // The text field is left first, as a click would, so that the last word is handed over before the save.
      if (text(at)) at.blur()
      if (button(data.save)) hold({ tries: data.tries })
    } else if (stroke.command) {
      burst = ""
    } else if (watched(stroke, at)) {
      stop(event)
    }
  }
  const changed = (event) => {
    look()
    if (event.target.type === "radio" && defects()?.contains(event.target)) hold({})
  }

  // ---- the cursor: the field may not be drawn yet, or an old one may still stand and take it away when it goes
  const place = () => {
    if (placed) return
    placed = true
    field().focus()
    field().select()
  }
  const bring = (tries) => {
    if (!wanted) return
    const into = field(), at = document.activeElement, scanning = burst && performance.now() - last < LONGEST_PAUSE
    if (placed && at !== into && at !== document.body) return
    if (into && at !== into && !scanning) {
      placed = false
      place()
    } else if (at === into) placed = true
    if (tries) setTimeout(() => bring(tries - 1), 50)
  }

  window.addEventListener("keydown", heard, true)
  window.addEventListener("change", changed, true)
  // A click is an answer of its own, to what stands there now.
  window.addEventListener("pointerdown", () => giveUp(), true)
  return {
    drawn: (component) => {
      page = component
      data = component.data
      look()
    }
  }
}
"""
