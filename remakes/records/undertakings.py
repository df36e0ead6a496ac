"""Corrective actions that the lab undertook: what was agreed, how far each is, and what became of it.

Three things are kept apart, in the general terms of ISO 13485:2016, 8.5.2: the correction (what was done
about the restorations at hand), the corrective action (what is changed at the bench so that they do not
come back), and the check of its effectiveness (the rule fixed before the start, and the verdict).

People stand here by role and pseudonym, never by name.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, datetime
from typing import Any, Final, Literal, NamedTuple, get_args

from sqlalchemy import Connection, Row, select

from remakes.errors import EntryError
from remakes.records import schema
from remakes.records.cells import did_you_mean, shown
from remakes.records.codes import DEFECTS
from remakes.records.store import Store
from remakes.texts import run_on, t

__all__ = [
    "OPEN",
    "STATUSES",
    "VERDICTS",
    "Decision",
    "DecisionEvent",
    "JudgingRule",
    "Status",
    "Verdict",
    "list_decisions",
    "load_decision",
    "read_decision",
]

Status = Literal["proposed", "decided", "running", "judged", "withdrawn"]
STATUSES: Final[tuple[Status, ...]] = get_args(Status)
#: Where something is still to be done.
OPEN: Final[tuple[Status, ...]] = ("proposed", "decided", "running")

Verdict = Literal["verified", "on the way", "no effect", "too early"]
VERDICTS: Final[tuple[Verdict, ...]] = get_args(Verdict)

#: Longer looks than this judge another lab than the one that decided.
_LONGEST_MONTHS: Final = 36
#: A rule that is wrong more often than this decides nothing.
_LARGEST_ERROR: Final = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgingRule:
    """By what is the action judged? Fixed before the start, never changed afterwards.

    Attributes
    ----------
    factors : tuple of str
        Whose missed requirements are to fall.
    defects : tuple of str
        Whose returns are to fall.
    miss_share_down_by : float
        Relative fall of the share of misses that counts as kept up, in (0, 1]: 0.5 is half of it.
    returns_down_by : float
        Relative fall of returns with these defects that is worth having, in (0, 1).
    months : int
        The longest time to look, 1 to 36.
    error : float
        One-sided rate of "verified" where the action does nothing, in (0, 0.2].

    Raises
    ------
    EntryError
        A value outside its range, a name twice, or a defect that the records do not know.
    """

    factors: tuple[str, ...]
    defects: tuple[str, ...]
    miss_share_down_by: float = 0.5
    returns_down_by: float = 0.3
    months: int = 12
    error: float = 0.05

    def __post_init__(self) -> None:
        wrong = [*self._wrong_names(), *self._wrong_numbers()]
        if wrong:
            raise EntryError(run_on(t("The rule for judging cannot be used."), *wrong))

    def _wrong_names(self) -> Iterator[str]:
        if not self.factors:
            yield t("It names no factor; name at least one.")
        if len(set(self.factors)) < len(self.factors):
            yield t("It names a factor twice ({items}); name each once.", items=", ".join(self.factors))
        if not self.defects:
            yield t("It names no defect; name at least one.")
        if len(set(self.defects)) < len(self.defects):
            yield t("It names a defect twice ({items}); name each once.", items=", ".join(self.defects))
        for defect in self.defects:
            if defect not in DEFECTS:
                yield t(
                    "{shown!r} is no defect of the records.{did_you_mean}",
                    shown=shown(defect),
                    did_you_mean=did_you_mean(defect, DEFECTS),
                )

    def _wrong_numbers(self) -> Iterator[str]:
        # Written so that nan is outside every range.
        if not 0.0 < self.miss_share_down_by <= 1.0:
            yield t(
                "The fall of the share of misses is {miss_share_down_by}; give one above 0 and at most 1.",
                miss_share_down_by=self.miss_share_down_by,
            )
        if not 0.0 < self.returns_down_by < 1.0:
            yield t(
                "The fall of returns is {returns_down_by}; give one above 0 and below 1.",
                returns_down_by=self.returns_down_by,
            )
        if isinstance(self.months, bool) or not isinstance(self.months, int) or not 1 <= self.months <= _LONGEST_MONTHS:
            yield t(
                "The longest time is {months} months; give a whole number from 1 to {longest_months}.",
                months=self.months,
                longest_months=_LONGEST_MONTHS,
            )
        if not 0.0 < self.error <= _LARGEST_ERROR:
            yield t(
                "The rate of error is {error}; give one above 0 and at most {largest_error}.",
                error=self.error,
                largest_error=_LARGEST_ERROR,
            )

    def as_json(self) -> dict[str, Any]:
        """The rule as it is stored and handed on."""
        return asdict(self) | {"factors": list(self.factors), "defects": list(self.defects)}

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> JudgingRule:
        """The rule that `as_json` wrote."""
        return cls(**(dict(stored) | {"factors": tuple(stored["factors"]), "defects": tuple(stored["defects"])}))


class DecisionEvent(NamedTuple):
    """One step in the life of a decision; `at` in UTC, `from_status` blank for the first."""

    at: datetime
    who: str
    from_status: Status | Literal[""]
    to_status: Status
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One undertaking of one corrective action; the same action may be undertaken again later.

    Attributes
    ----------
    decision_id, version : int
        `version` is handed back with a change, so that nobody overwrites what another did meanwhile.
    action, title, corrects
        The action as it stood in the lab's list when it was proposed; the list may change afterwards.
    owner_role, owner_code : str
        Who sees to it: a role and a pseudonym. Blank until decided.
    decided_on, starts_on, due_on : date or None
        Local calendar days; `starts_on` is the planned start until it runs, then the true one. `due_on` is
        the day by which it is judged. None until decided.
    rule : JudgingRule or None
        None until decided.
    correction : str
        What was done about the restorations at hand; no part of the corrective action.
    verdict : str
        Blank until judged; one of `VERDICTS`.
    judged_on : date or None
    note : str
        What the verdict rests on, or why it was withdrawn; before that, what was last written.
    history : tuple of DecisionEvent
        In order, from the proposal on.
    """

    decision_id: int
    action: str
    title: str
    corrects: Mapping[str, float] = field(hash=False)
    status: Status
    owner_role: str = ""
    owner_code: str = ""
    decided_on: date | None = None
    starts_on: date | None = None
    due_on: date | None = None
    rule: JudgingRule | None = None
    correction: str = ""
    verdict: Verdict | Literal[""] = ""
    judged_on: date | None = None
    note: str = ""
    history: tuple[DecisionEvent, ...] = ()
    version: int = 1

    @property
    def is_open(self) -> bool:
        """Is something still to be done?"""
        return self.status in OPEN

    def overdue(self, today: date) -> bool:
        """Decided or running, and past the day it should have started or been judged?"""
        late_start = self.status == "decided" and self.starts_on is not None and today > self.starts_on
        return late_start or (self.status in ("decided", "running") and self.due_on is not None and today > self.due_on)

    def as_json(self) -> dict[str, Any]:
        """The decision and its history, days and times as ISO text."""
        days = ("decided_on", "starts_on", "due_on", "judged_on")
        return {
            **{name: getattr(self, name) for name in self.__slots__},
            **{name: None if (day := getattr(self, name)) is None else day.isoformat() for name in days},
            "corrects": dict(self.corrects),
            "rule": None if self.rule is None else self.rule.as_json(),
            "history": [one._asdict() | {"at": one.at.isoformat()} for one in self.history],
        }


def list_decisions(
    store: Store, *, status: Sequence[Status] = STATUSES, action: str | None = None
) -> tuple[Decision, ...]:
    """What has the lab undertaken?

    Parameters
    ----------
    status : sequence of Status
        Only those in one of these; default: all. `OPEN` for those with something still to do.
    action : str, optional
        Only those of this action.

    Returns
    -------
    tuple of Decision
        The newest first; empty where nothing was proposed.
    """
    table = schema.decisions
    query = select(table).where(table.c.status.in_(status)).order_by(table.c.decision_id.desc())
    if action is not None:
        query = query.where(table.c.action == action)
    with store.reader() as connection:
        rows = connection.execute(query).all()
        events = _events(connection, [row.decision_id for row in rows])
    return tuple(_decision(row, events[row.decision_id]) for row in rows)


def load_decision(store: Store, decision_id: int) -> Decision:
    """One decision with its history.

    Raises
    ------
    EntryError
        There is none of this number.
    """
    with store.reader() as connection:
        return read_decision(connection, decision_id)


def read_decision(connection: Connection, decision_id: int) -> Decision:
    """The same, inside a running read or write."""
    table = schema.decisions
    row = connection.execute(select(table).where(table.c.decision_id == decision_id)).one_or_none()
    if row is None:
        raise EntryError(
            t("There is no decision {decision_id}. Choose one from the list of decisions.", decision_id=decision_id)
        )
    return _decision(row, _events(connection, [decision_id])[decision_id])


def _events(connection: Connection, decisions: Sequence[int]) -> Mapping[int, Sequence[DecisionEvent]]:
    table = schema.decision_events
    found: dict[int, list[DecisionEvent]] = defaultdict(list)
    query = select(table).where(table.c.decision_id.in_(decisions)).order_by(table.c.decision_id, table.c.version)
    for row in connection.execute(query):
        event = DecisionEvent(row.at, row.who, row.from_status, row.to_status, row.note)
        found[row.decision_id].append(event)
    return found


def _decision(row: Row[Any], history: Sequence[DecisionEvent]) -> Decision:
    values = dict(row._mapping)
    rule = values.pop("rule")
    return Decision(**values, rule=None if rule is None else JudgingRule.from_json(rule), history=tuple(history))
