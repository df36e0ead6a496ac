"""The days of a decision: the rule is fixed before the start, and nothing is judged before it can be."""

from __future__ import annotations

from datetime import date
from typing import NamedTuple

from remakes.errors import EntryError
from remakes.records.undertakings import Decision, Verdict
from remakes.texts import t

__all__ = ["AgreedDays", "agreed_days", "check_agreed", "check_postponed", "check_start", "check_verdict"]


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
        raise EntryError(
            t(
                "Decision {decision_id} has lost its days. Examine the records: `remakes check`.",
                decision_id=decision.decision_id,
            )
        )
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
            t(
                "The start on {starts_on} is before the decision of {decided_on}. The rule must be fixed "
                "before the start: give today or a later day.",
                starts_on=starts_on.isoformat(),
                decided_on=decided_on.isoformat(),
            )
        )
    if due_on <= starts_on:
        raise EntryError(
            t(
                "It is due on {due_on}, not after the start on {starts_on}. Give a later day.",
                due_on=due_on.isoformat(),
                starts_on=starts_on.isoformat(),
            )
        )


def check_postponed(decision: Decision, starts_on: date, due_on: date, today: date) -> None:
    """Refuse days of which the first is past, or that are not later, or that leave less time to look than agreed.

    The rule stands as it was fixed, and with it the time from the start to the day of judgement: a shorter one would
    make another rule of it.

    Raises
    ------
    EntryError
        Such a day.
    """
    agreed = agreed_days(decision)
    if starts_on < today:
        raise EntryError(
            t(
                "The start on {day} is past (today is {today}). If the work began on that day, start it instead; "
                "if it is still to begin, give today or a later day.",
                day=starts_on.isoformat(),
                today=today.isoformat(),
            )
        )
    if starts_on <= agreed.starts_on:
        raise EntryError(
            t(
                "The start on {day} is not later than the agreed one on {agreed}. Give a later day, or start it "
                "when it begins.",
                day=starts_on.isoformat(),
                agreed=agreed.starts_on.isoformat(),
            )
        )
    planned = agreed.due_on - agreed.starts_on
    if due_on - starts_on < planned:
        raise EntryError(
            t(
                "From the start to the verdict {planned} days were agreed on; from {start} to {due} are fewer. "
                "Judge it on {needed} or later: the rule stands, and so does the time it needs.",
                planned=planned.days,
                start=starts_on.isoformat(),
                due=due_on.isoformat(),
                needed=(starts_on + planned).isoformat(),
            )
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
            t(
                "The start on {first} is later than today ({today}). Come back on that day, or give the day "
                "on which the work began.",
                first=first.isoformat(),
                today=today.isoformat(),
            )
        )
    if first < decided_on:
        raise EntryError(
            t(
                "The start on {first} is before the decision of {decided_on}, so the rule was not fixed "
                "before it. Give a later day; if that is when the work began, withdraw this one and decide "
                "anew.",
                first=first.isoformat(),
                decided_on=decided_on.isoformat(),
            )
        )
    if first >= due_on:
        raise EntryError(
            t(
                "The start on {first} is not before {due_on}, when it was to be judged. Withdraw it and "
                "decide anew, with later days.",
                first=first.isoformat(),
                due_on=due_on.isoformat(),
            )
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
            t(
                "It began on {starts_on} and today is {today}: nothing can have been seen. Let it run, or "
                "withdraw it and say why.",
                starts_on=starts_on.isoformat(),
                today=today.isoformat(),
            )
        )
    if verdict in ("on the way", "too early") and today < due_on:
        raise EntryError(
            t(
                "“{verdict}” is no verdict before {due_on}, when it is due. Let it run and look again, or "
                "withdraw it and say why.",
                verdict=t(verdict),
                due_on=due_on.isoformat(),
            )
        )
