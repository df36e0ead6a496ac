"""The life of a corrective action: proposed, decided, running, judged, or withdrawn.

::

    proposed ──► decided ──► running ──► judged
        │           │           │
        └───────────┴───────────┴──────► withdrawn

Every step holds the write lock, adds one line to the decision's own history and one to the audit, and is
saved whole or not at all. What a decision holds, and how it is read: see `undertakings`.

The rule for judging is fixed with the decision, the start cannot lie before it, and neither can be changed
afterwards: a rule chosen after a look at the outcome verifies whatever it is meant to. Only before the work has
begun may the days move, to later ones. Who signed in needs the permission to decide for every step; at a store that
nobody signs in to, deciding, postponing, judging and giving up what was decided ask for the role of the manager.
People stand here by role and pseudonym, never by name.
"""

from __future__ import annotations

from datetime import date
from typing import Any, Final

from remakes.errors import EntryError
from remakes.records.cells import shown
from remakes.records.decision_days import agreed_days, check_agreed, check_postponed, check_start, check_verdict
from remakes.records.decision_steps import (
    DecisionChangedError,
    decision_as_seen,
    decision_before,
    first_step,
    listed_action,
    next_step,
    refuse_second,
)
from remakes.records.store import Store
from remakes.records.typed_text import note_text, one_line, pseudonym
from remakes.records.undertakings import (
    OPEN,
    STATUSES,
    VERDICTS,
    Decision,
    DecisionEvent,
    JudgingRule,
    Status,
    Verdict,
    list_decisions,
    load_decision,
)
from remakes.texts import t

__all__ = [
    "OPEN",
    "STATUSES",
    "VERDICTS",
    "Decision",
    "DecisionChangedError",
    "DecisionEvent",
    "JudgingRule",
    "Status",
    "Verdict",
    "decide",
    "judge",
    "list_decisions",
    "load_decision",
    "postpone",
    "propose",
    "start",
    "withdraw",
]

_DECIDES: Final = "manager"


def propose(store: Store, *, action: str, who: str, correction: str = "", note: str = "") -> Decision:
    """Put one action of the lab's list up for decision.

    Parameters
    ----------
    action : str
        Its short name in the list of corrective actions; title and what it corrects are copied, since the
        list may change.
    who : str
        Role and pseudonym, for the history.
    correction : str
        What was done about the restorations at hand, if anything.
    note : str
        Why it is proposed.

    Returns
    -------
    Decision
        Proposed, version 1.

    Raises
    ------
    EntryError
        No such action, or it is proposed, decided or running already; no `who`; a faulty text.
    """
    texts = {"correction": note_text(correction, t("correction")), "note": note_text(note, t("note"))}
    with store.writer(may="decide actions") as connection:
        values = listed_action(connection, action.strip()) | texts
        refuse_second(connection, values["action"])
        return first_step(store, connection, values, who=who)


def decide(
    store: Store,
    decision_id: int,
    *,
    owner_role: str,
    owner_code: str,
    starts_on: date,
    due_on: date,
    rule: JudgingRule,
    who: str,
    role: str,
    version: int,
    correction: str | None = None,
    note: str = "",
    today: date | None = None,
) -> Decision:
    """Decide that a proposed action is undertaken: who sees to it, when, and by which rule it is judged.

    Parameters
    ----------
    owner_role, owner_code : str
        Who sees to it, by role and pseudonym.
    starts_on : date
        The planned start, today or later: the rule is fixed before it.
    due_on : date
        By when it is judged; after the start.
    rule : JudgingRule
        Its factors are among those that the action corrects. From now on it stands.
    who, role : str
        Who decides; the role must be manager.
    version : int
        The decision's, as it was when it was looked at.
    correction : str, optional
        What was done about the restorations at hand; default: as proposed.
    today : date, optional
        Default: the calendar day of this machine; it becomes `decided_on`.

    Raises
    ------
    EntryError
        Not proposed, another role, a date or text that cannot be, or a factor the action does not correct.
    DecisionChangedError
        Changed since `version`.
    """
    _managers(t("decides"), role)
    today = today or date.today()
    check_agreed(today, starts_on, due_on)
    note = note_text(note, t("note"))
    values: dict[str, Any] = {
        "owner_role": one_line(owner_role, t("role of the owner")),
        "owner_code": pseudonym(owner_code, t("pseudonym of the owner")),
        "decided_on": today,
        "starts_on": starts_on,
        "due_on": due_on,
        "rule": rule.as_json(),
    }
    if correction is not None:
        values["correction"] = note_text(correction, t("correction"))
    with store.writer(may="decide actions") as connection:
        before = decision_before(connection, decision_id, version, to="decided")
        foreign = [factor for factor in rule.factors if factor not in before.corrects]
        if foreign:
            raise EntryError(
                t(
                    "The rule looks at {items}, which {action} does not correct. Choose among {items_2}, or "
                    "propose the action that corrects it.",
                    items=", ".join(foreign),
                    action=before.action,
                    items_2=", ".join(before.corrects),
                )
            )
        return next_step(store, connection, before, "decided", who=who, note=note, values=values)


def postpone(
    store: Store,
    decision_id: int,
    *,
    starts_on: date,
    due_on: date,
    who: str,
    role: str,
    why: str,
    version: int,
    today: date | None = None,
) -> Decision:
    """Move the start of a decided action that has not begun, and with it the day of judgement; the rule stands.

    Parameters
    ----------
    starts_on : date
        Later than agreed, and not before today.
    due_on : date
        As long after the start as agreed, or longer.
    who, role : str
        Who postpones it; the role must be manager.
    why : str
        For the history, beside the days that were agreed.
    version : int
        The decision's, as it was when it was looked at.
    today : date, optional
        Default: the calendar day of this machine.

    Raises
    ------
    EntryError
        Not decided, begun already, another role, no reason, or a day that cannot be.
    DecisionChangedError
        Changed since `version`.
    """
    _managers(t("postpones"), role)
    today = today or date.today()
    why = note_text(why, t("reason"), needed=t("Write why it begins later; it is kept in the history."))
    with store.writer(may="decide actions") as connection:
        before = decision_as_seen(connection, decision_id, version)
        if before.status != "decided":
            raise EntryError(
                t(
                    "Decision {number} is {status}: only what is decided and has not begun can be postponed. "
                    "Withdraw it and propose it anew if it is to begin later.",
                    number=decision_id,
                    status=t(before.status),
                )
            )
        check_postponed(before, starts_on, due_on, today)
        agreed = agreed_days(before)
        note = t(
            "Was to begin on {starts_on} and to be judged by {due_on}; now {starts_on_2} and {due_on_2}. {why}",
            starts_on=agreed.starts_on.isoformat(),
            due_on=agreed.due_on.isoformat(),
            starts_on_2=starts_on.isoformat(),
            due_on_2=due_on.isoformat(),
            why=why,
        )
        values = {"starts_on": starts_on, "due_on": due_on}
        return next_step(
            store, connection, before, "decided", who=who, note=note, values=values, audited_as="postpone action"
        )


def start(
    store: Store,
    decision_id: int,
    *,
    who: str,
    version: int,
    on: date | None = None,
    note: str = "",
    today: date | None = None,
) -> Decision:
    """Say that a decided action is being done at the bench.

    Parameters
    ----------
    who : str
        Role and pseudonym; the owner, as a rule.
    on : date, optional
        The first day it was done; default: the planned one. It takes the place of the planned start, which
        stays in the history. Not before the decision, not in the future, and before it is due.

    Raises
    ------
    EntryError
        Not decided, or a day that cannot be.
    DecisionChangedError
        Changed since `version`.
    """
    today = today or date.today()
    note = note_text(note, t("note"))
    with store.writer(may="decide actions") as connection:
        before = decision_before(connection, decision_id, version, to="running")
        planned = agreed_days(before).starts_on
        first = planned if on is None else on
        check_start(before, first, today)
        if first != planned:
            note = t(
                "Planned for {planned}, began on {first}. {note}",
                planned=planned.isoformat(),
                first=first.isoformat(),
                note=note,
            ).strip()
        return next_step(store, connection, before, "running", who=who, note=note, values={"starts_on": first})


def judge(
    store: Store,
    decision_id: int,
    *,
    verdict: Verdict,
    note: str,
    who: str,
    role: str,
    version: int,
    by_rule: Verdict | None = None,
    today: date | None = None,
) -> Decision:
    """Close a running action with a verdict by the rule that was fixed before the start.

    Parameters
    ----------
    verdict : Verdict
        "verified" or "no effect" at any time; "on the way" and "too early" only once it is due, and then
        they mean that the records could not tell in that time.
    note : str
        What the verdict rests on: the figures, and what else was looked at.
    who, role : str
        Who judges; the role must be manager.
    by_rule : Verdict, optional
        What the rule came to on that day. It is kept in the note, above all where the verdict is another.

    Raises
    ------
    EntryError
        Not running, another role, no such verdict, no note, or no verdict yet.
    DecisionChangedError
        Changed since `version`.
    """
    _managers(t("judges"), role)
    today = today or date.today()
    if verdict not in VERDICTS:
        raise EntryError(
            t(
                "{shown!r} is no verdict. Choose one of: {items}.",
                shown=shown(verdict),
                items=", ".join(t(one) for one in VERDICTS),
            )
        )
    note = note_text(note, t("note"), needed=t("Write what the verdict rests on."))
    if by_rule is not None:
        note = t("By the rule: {by_rule}. {note}", by_rule=t(by_rule), note=note)
    with store.writer(may="decide actions") as connection:
        before = decision_before(connection, decision_id, version, to="judged")
        check_verdict(before, verdict, today)
        values = {"verdict": verdict, "judged_on": today}
        return next_step(store, connection, before, "judged", who=who, note=note, values=values)


def withdraw(store: Store, decision_id: int, *, why: str, who: str, role: str, version: int) -> Decision:
    """Give an action up before it is judged; it is kept, with the reason.

    Parameters
    ----------
    why : str
        For the history.
    who, role : str
        Who gives it up; for what was decided, the role must be manager.

    Raises
    ------
    EntryError
        Judged or withdrawn before, another role, or no reason.
    DecisionChangedError
        Changed since `version`.
    """
    why = note_text(why, t("reason"), needed=t("Write why it is given up; it is kept with the decision."))
    with store.writer(may="decide actions") as connection:
        before = decision_before(connection, decision_id, version, to="withdrawn")
        if before.status != "proposed":
            _managers(t("withdraws what was decided"), role)
        return next_step(store, connection, before, "withdrawn", who=who, note=why, values={})


def _managers(does: str, role: str) -> None:
    if role != _DECIDES:
        raise EntryError(
            t(
                "Only the role {decides} {does}; the role here is {held}. Nothing was saved: ask a "
                "{decides}, or choose that role if it is yours.",
                decides=t(_DECIDES),
                does=does,
                held=t(shown(role)) if role.strip() else t("blank"),
            )
        )
