"""The days of a decision: the rule is fixed before the start, and nothing is judged before it can be."""

from __future__ import annotations

from datetime import date
from typing import NamedTuple

from remakes.errors import EntryError
from remakes.records.undertakings import Decision, Verdict

__all__ = ["AgreedDays", "agreed_days", "check_agreed", "check_start", "check_verdict"]


class AgreedDays(NamedTuple):
    """Local calendar days; `starts_on` is the planned day until the work runs, then the true one."""

    decided_on: date
    starts_on: date
    due_on: date


def agreed_days(decision: Decision) -> AgreedDays:
    """The days of a decision that is past being proposed.

    Raises
    ------
    EntryError
        One is missing.
    """
    if decision.decided_on is None or decision.starts_on is None or decision.due_on is None:
        # The table refuses such a row; only a file changed by other hands holds one.
        raise EntryError(f"Decision {decision.decision_id} has lost its days. Examine the records: `remakes check`.")
    return AgreedDays(decision.decided_on, decision.starts_on, decision.due_on)


def check_agreed(decided_on: date, starts_on: date, due_on: date) -> None:
    """Refuse a start before the decision, and a day of judgement that is not after the start.

    Raises
    ------
    EntryError
        Such a day.
    """
    if starts_on < decided_on:
        raise EntryError(
            f"The start on {starts_on.isoformat()} is before the decision of {decided_on.isoformat()}. "
            "The rule must be fixed before the start: give today or a later day."
        )
    if due_on <= starts_on:
        raise EntryError(
            f"It is due on {due_on.isoformat()}, not after the start on {starts_on.isoformat()}. Give a later day."
        )


def check_start(decision: Decision, first: date, today: date) -> None:
    """Refuse a true start before the decision, in the future, or after the day of judgement.

    Raises
    ------
    EntryError
        Such a day.
    """
    decided_on, _, due_on = agreed_days(decision)
    if first > today:
        raise EntryError(
            f"The start on {first.isoformat()} is later than today ({today.isoformat()}). "
            "Come back on that day, or give the day on which the work began."
        )
    if first < decided_on:
        raise EntryError(
            f"The start on {first.isoformat()} is before the decision of {decided_on.isoformat()}, so the rule was not "
            "fixed before it. Give a later day; if that is when the work began, withdraw this one and decide anew."
        )
    if first >= due_on:
        raise EntryError(
            f"The start on {first.isoformat()} is not before {due_on.isoformat()}, when it was to be judged. "
            "Withdraw it and decide anew, with later days."
        )


def check_verdict(decision: Decision, verdict: Verdict, today: date) -> None:
    """Refuse a verdict on the day of the start, and an open one before it is due.

    Raises
    ------
    EntryError
        It is too early.
    """
    _, starts_on, due_on = agreed_days(decision)
    if today <= starts_on:
        raise EntryError(
            f"It began on {starts_on.isoformat()} and today is {today.isoformat()}: nothing can have been seen. "
            "Let it run, or withdraw it and say why."
        )
    if verdict in ("on the way", "too early") and today < due_on:
        raise EntryError(
            f"{verdict!r} is no verdict before {due_on.isoformat()}, when it is due. Let it run and look again, "
            "or withdraw it and say why."
        )
