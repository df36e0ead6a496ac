"""A line of the change log as a sentence: what was done, to what, and why."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from string import Formatter
from typing import Any, Final

from remakes import words
from remakes.records.change_log import Change, in_words
from remakes.records.codes import DEFECTS
from remakes.texts import later, t
from remakes.texts.joining import run_on

__all__ = ["SAID", "done", "done_and_why"]

#: The lists that are imported, inside a sentence.
_LISTS: Final[Mapping[str, str]] = {
    "restorations": later("restorations"),
    "process_log": later("process log"),
    "returns": later("returns"),
    "standard": later("process standard"),
    "requirements": later("process standard"),
    "actions": later("corrective actions"),
}

#: What the log calls a change, and how it is told; the first sentence counts whose names all have something to say.
SAID: Final[Mapping[str, tuple[str, ...]]] = {
    "add action": (
        later("Added the corrective action “{title}” ({key})."),
        later("Added the corrective action {key}."),
    ),
    "add person": (
        later("Added the person {key} with the roles: {roles}."),
        later("Added the person {key}."),
    ),
    "add photo": (later("Added a photo to return {return_id}."), later("Added a photo.")),
    "add requirement": (
        later("Added the requirement “{says}” ({key}) to the process standard."),
        later("Added the requirement {key} to the process standard."),
    ),
    "backup": (later("Made a copy of the records: {to}."), later("Made a copy of the records.")),
    "begin work": (later("Began work on restoration {restoration}."),),
    "change action": (
        later("Changed the corrective action “{title}” ({key})."),
        later("Changed the corrective action {key}."),
    ),
    "change costs": (later("Changed what returns and working time cost."),),
    "change own password": (later("Changed their own password."),),
    "change requirement": (
        later("Gave the requirement “{says}” ({key}) a new limit from a day to come."),
        later("Gave the requirement {key} a new limit from a day to come."),
    ),
    "change roles": (
        later("Changed the roles of {key}. They are now: {roles}."),
        later("Changed the roles of {key}."),
    ),
    "change steps": (later("Changed the title or the steps of the process standard."),),
    "change work": (later("Corrected what is known of restoration {restoration}, which is in work."),),
    "choose language": (later("Chose the language: {language}."), later("Chose another language.")),
    "correct requirement": (
        later("Corrected the requirement “{says}” ({key}), under which nothing had been delivered."),
        later("Corrected the requirement {key}, under which nothing had been delivered."),
    ),
    "correct return": (
        later("Corrected return {return_id} of restoration {restoration}."),
        later("Corrected a return of restoration {restoration}."),
        later("Corrected a return."),
    ),
    "deal with harm": (
        later("Dealt with the report of possible harm on return {key}, restoration {restoration}."),
        later("Dealt with the report of possible harm on return {key}."),
    ),
    "decide action": (later("Decided on the action of decision {key}."),),
    "deliver": (
        later("Noted restoration {restoration} as delivered on {delivered_on}."),
        later("Noted restoration {restoration} as delivered."),
    ),
    "delivered by import": (
        later("Closed the open work on restoration {restoration}, since a list says it was delivered."),
    ),
    "end action": (
        later("Took the corrective action “{title}” ({key}) off the list."),
        later("Took the corrective action {key} off the list."),
    ),
    "end requirement": (
        later("Ended the requirement “{says}” ({key})."),
        later("Ended the requirement {key}."),
    ),
    "enter restoration": (later("Entered restoration {restoration} by hand."),),
    "enter return": (
        later("Entered return {return_id} of restoration {restoration}: {defect}."),
        later("Entered return {return_id} of restoration {restoration}."),
        later("Entered a return."),
    ),
    "forget map": (later("Let the app ask again how the columns of such a file are named."),),
    "give reason": (
        later("Gave a reason why a limit was not kept: “{after}”."),
        later("Gave a reason why a limit was not kept."),
    ),
    "give up timer": (
        later("Gave up the timer for {reading} on restoration {restoration}."),
        later("Gave up a timer."),
    ),
    "give up trial": (later("Gave up trial {key}."),),
    "give up work": (later("Gave up the work on restoration {restoration}."),),
    "import": (
        later("Imported {file} ({list}): {taken:,} added, {changed:,} changed, {refused:,} refused."),
        later("Imported a list: {file}."),
        later("Imported a list."),
    ),
    "judge action": (later("Judged the action of decision {key}."),),
    "keep trial plan": (later("Kept the plan of trial {key}: {title}."), later("Kept the plan of trial {key}.")),
    "let go": (later("Noted that {key} has left and can no longer sign in."),),
    "link remake": (
        later("Linked restoration {restoration} as a remake of {remake_of}."),
        later("Linked restoration {restoration} as a remake."),
    ),
    "move bench readings": (
        later("Took over readings from the bench into the process log: {readings}."),
        later("Took over readings from the bench into the process log."),
    ),
    "open harm again": (
        later("Opened the report of possible harm on return {key}, restoration {restoration}, again."),
        later("Opened the report of possible harm on return {key} again."),
    ),
    "postpone action": (later("Postponed the action of decision {key}."),),
    "propose action": (
        later("Proposed the action “{title}” as decision {key}."),
        later("Proposed the action of decision {key}."),
    ),
    "read trial": (later("Read the outcome of trial {key}: {sentence}"), later("Read the outcome of trial {key}.")),
    "remember map": (
        later("Had the app remember how the columns of {file} are named."),
        later("Had the app remember how the columns of a file are named."),
    ),
    "reword requirement": (
        later("Reworded the requirement “{says}” ({key})."),
        later("Reworded the requirement {key}."),
    ),
    "set": (later("Changed a setting of the lab: {key}."), later("Changed a setting of the lab.")),
    "set password": (later("Gave {key} a new password."),),
    "set single sign-on": (later("Changed how single sign-on knows {key}."),),
    "start action": (later("Started the action of decision {key}."),),
    "start timer": (
        later("Started the timer for {reading} on restoration {restoration}."),
        later("Started a timer."),
    ),
    "sweep photos": (
        later("Cleared away picture files that no return refers to: {files}."),
        later("Cleared away picture files that no return refers to."),
    ),
    "take action up again": (
        later("Put the corrective action “{title}” ({key}) back on the list."),
        later("Put the corrective action {key} back on the list."),
    ),
    "take actions": (later("Took in the list of corrective actions and costs."),),
    "take back": (later("Let {key} sign in again, with a new password."),),
    "take back link": (later("Took back the link of restoration {restoration} to the one it was said to replace."),),
    "take back photo": (later("Took back a photo of return {return_id}."), later("Took back a photo.")),
    "take back reading": (
        later("Took back the reading {reading} = {value} of restoration {restoration}."),
        later("Took back the reading {reading} of restoration {restoration}."),
        later("Took back a reading."),
    ),
    "take back return": (
        later("Took back return {return_id} of restoration {restoration}."),
        later("Took back return {return_id}."),
        later("Took back a return of restoration {restoration}."),
        later("Took back a return."),
    ),
    "take over work": (later("Took over the work on restoration {restoration}."),),
    "take standard": (later("Took in the process standard."),),
    "undo import": (
        later("Took the import of {file} ({list}) back."),
        later("Took the import {key} back."),
    ),
    "withdraw action": (later("Withdrew the action of decision {key}."),),
    "write reading": (
        later("Wrote {reading} = {value} for restoration {restoration} ({step})."),
        later("Wrote that {reading} was not done for restoration {restoration} ({step})."),
        later("Wrote a reading at the bench."),
    ),
}

#: Settings by their name in the records, in the place of the sentence that names them so.
_SETTINGS: Final[Mapping[str, tuple[str, ...]]] = {
    "observed_until": (later("Stated that all returns are in up to {value}."),),
    "own_work_seen_by": (
        later("Settled who may see a technician's own page besides the technician: {roles}."),
        later("Settled that nobody but the technician may see a technician's own page."),
    ),
    "idle_minutes": (later("Settled that whoever does nothing for so many minutes is signed out: {minutes}."),),
}
#: Tables whose lines name a restoration by their key.
_BY_RESTORATION: Final = ("restorations", "open_work")
_LANGUAGES: Final[Mapping[str, str]] = {"en": "English", "de": "Deutsch"}


def done(one: Change) -> str:
    """What was done to what, as a whole sentence in the reader's language; plain text, not Markdown.

    A change that this version has no sentence for is told by its name in the records: nothing is left out.
    """
    values = _values(one)
    choices = _SETTINGS.get(one.key, SAID["set"]) if one.what == "set" else SAID.get(one.what, ())
    chosen = next((text for text in choices if _names(text) <= values.keys()), None)
    if chosen is None:
        return t("Another change: {what} {key}", what=one.what, key=one.key).rstrip()
    return t(chosen, **values)


def done_and_why(one: Change) -> str:
    """The same, with the reason and the note that were given."""
    why, note = one.detail.get("why"), one.detail.get("note")
    return run_on(
        done(one),
        t("Reason: {why}", why=_ended(why)) if why else "",
        # A decision's note can be its reason already.
        t("Note: {note}", note=_ended(note)) if note and note != why else "",
    )


def _ended(text: object) -> str:
    told = str(text).strip()
    return told if told.endswith((".", "!", "?")) else f"{told}."


def _names(text: str) -> set[str]:
    return {name for _before, name, _spec, _how in Formatter().parse(str(text)) if name}


def _values(one: Change) -> dict[str, Any]:
    """What a sentence can name; what the line does not tell is left out."""
    stands = _content(one.detail)
    values: dict[str, Any] = {name: _said(content) for name, content in {**stands, **one.detail}.items()}
    values |= {
        "key": one.key,
        "restoration": one.restoration or (one.key if one.table in _BY_RESTORATION else ""),
        "list": t(_LISTS[one.table]) if one.table in _LISTS else "",
        "defect": words.defect_within(str(one.detail["defect"])) if one.detail.get("defect") in DEFECTS else "",
        "language": _LANGUAGES.get(str(one.detail.get("language")), ""),
        "delivered_on": _day(one.detail.get("delivered_on")),
    }
    if isinstance(roles := one.detail.get("roles") or stands.get("roles"), list):
        values["roles"] = words.listed(words.who(str(role)) for role in roles)
    if one.key == "observed_until":
        values["value"] = _day(one.detail.get("value"))
    return {name: said for name, said in values.items() if said != ""}


def _said(content: object) -> object:
    """A number stays one, so that a sentence writes it with the signs of its language."""
    return content if isinstance(content, int) and not isinstance(content, bool) else in_words(content)


def _content(detail: Mapping[str, Any]) -> Mapping[str, Any]:
    """What was changed as it stands afterwards, or stood before it went."""
    kept = (detail.get(name) for name in ("after", "before"))
    return next((one for one in kept if isinstance(one, dict) and one), {})


def _day(told: object) -> str:
    try:
        return words.day(date.fromisoformat(str(told)))
    except ValueError:
        return ""
