"""What every page needs: the records, who is looking, and results that are worked out once per state of the records."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final, Literal, cast

import streamlit as st

from remakes import flow
from remakes.cautions import SAFETY_LINE
from remakes.errors import EntryError
from remakes.records.permissions import ROLES, Role
from remakes.records.store import DEFAULT_URL, Store, open_store
from remakes.views.jobs import Tell, follow, shelf
from remakes.views.server import DATABASE_VARIABLE

if TYPE_CHECKING:
    from remakes.actions.follow_up.verdicts import FollowUp
    from remakes.actions.limits.study import LimitStudy
    from remakes.actions.trial.plan import TrialPlan
    from remakes.counts.sources import Concerned
    from remakes.evidence.checks.closer_look import CloserLook
    from remakes.evidence.checks.cross_check import CrossCheck
    from remakes.evidence.checks.interactions import Interactions
    from remakes.records.decisions import Decision

__all__ = [
    "HORIZON",
    "ROLES",
    "Role",
    "Visitor",
    "analysis",
    "behind",
    "choices",
    "closer_look",
    "cross_checks",
    "decisions",
    "follow_up",
    "interactions",
    "limit_study",
    "months",
    "report",
    "require",
    "restorations_from",
    "store",
    "trial_plan",
    "visitor",
]

#: Months of service that risks and avoidable returns look at.
HORIZON: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """Who says to be looking: a role, and a pseudonym or nothing."""

    role: Role
    code: str

    @property
    def who(self) -> str:
        """For the record of changes."""
        return f"{self.role} {self.code}".strip()


def visitor() -> Visitor:
    """The role and the code picked in the side bar."""
    role = st.session_state.get("role")
    role = role if role in ROLES else "quality"
    code = st.session_state.get("technician" if role == "technician" else "code") or ""
    return Visitor(role=cast("Role", role), code=str(code))


def require(*roles: Role) -> Visitor:
    """The visitor, if in one of these roles.

    Raises
    ------
    EntryError
        Another role: an address can be opened without the menu.
    """
    one = visitor()
    if one.role not in roles:
        raise EntryError(
            f"This page is for the role {' or '.join(roles)}; {one.role} is chosen. "
            "Choose another role at the left, or another page."
        )
    return one


def store() -> Store:
    """The lab's records, opened once for all visits."""
    return _store(_url())


def _url() -> str:
    return os.environ.get(DATABASE_VARIABLE) or DEFAULT_URL


@st.cache_resource(show_spinner=False, max_entries=4)
def _store(url: str) -> Store:
    return open_store(url)


def analysis() -> flow.Analysis:
    """Findings and ranked actions of the records as they stand; shows how far it is while it works."""
    records = store()
    key = ("analysis", records.url, records.figures_version(), HORIZON)
    job = shelf().job(key, lambda tell: flow.analyze(records, horizon=HORIZON, progress=tell))
    return follow(job, "Comparing steps with returns", flow.Analysis)


def months(month: str | None = None) -> flow.MonthReview:
    """One month of the records as they stand; the latest complete one where none is named."""
    whole = _months()
    key = ("month", _url(), store().figures_version(), month or whole.latest)
    job = shelf().job(key, lambda tell: _told(tell, lambda: whole.review(month)))
    return follow(job, "Comparing with the months before", flow.MonthReview)


def _months() -> flow.Months:
    records = store()
    key = ("months", records.url, records.figures_version())
    job = shelf().job(key, lambda tell: flow.count_months(records, progress=tell))
    return follow(job, "Counting months", flow.Months)


def report(month: str, kind: str) -> bytes:
    """The report of a month as the content of a file: pdf, html or xlsx."""
    review, today = months(month), date.today()
    key = ("report", _url(), store().figures_version(), month, kind, today)
    job = shelf().job(
        key,
        lambda tell: _told(tell, lambda: flow.month_report(review, kind, caution=SAFETY_LINE, made_on=today)),
    )
    return follow(job, "Writing the report", bytes)


def restorations_from(what: Literal["lot", "equipment", "clinic"], code: str, step: str) -> tuple[Concerned, ...]:
    """The restorations made with a lot or a machine."""
    return _restorations_from(_url(), store().figures_version(), what, code, step)


@st.cache_data(show_spinner=False, max_entries=64)
def _restorations_from(
    url: str, version: int, what: Literal["lot", "equipment", "clinic"], code: str, step: str
) -> tuple[Concerned, ...]:
    return flow.restorations_from(_store(url), what=what, code=code, step=step)


def choices(result: flow.Analysis) -> flow.Choices:
    """What the lab could change, prepared for “what if”."""
    records = store()
    key = ("choices", _url(), records.figures_version(), HORIZON)
    job = shelf().job(key, lambda tell: _told(tell, lambda: flow.prepare_choices(records, result)))
    return follow(job, "Preparing the actions", flow.Choices)


def decisions() -> tuple[Decision, ...]:
    """What has been proposed and decided, newest first; always as it stands now."""
    from remakes.records.decisions import list_decisions

    return list_decisions(store())


def follow_up(decision: Decision) -> FollowUp:
    """Whether a decision has worked so far."""
    from remakes.actions.follow_up.verdicts import FollowUp

    records = store()
    key = ("follow-up", _url(), records.figures_version(), decision.decision_id, decision.version)
    job = shelf().job(key, lambda tell: _told(tell, lambda: flow.follow_up(records, decision)))
    return follow(job, "Looking whether it worked", FollowUp)


def limit_study(result: flow.Analysis, factor: str, defect: str, *, asked: bool) -> LimitStudy | None:
    """What another limit would flag and spare; None until somebody has asked for it."""
    records = store()
    found = _on_demand(
        ("limit study", records.figures_version(), factor, defect),
        lambda tell: _told(tell, lambda: flow.limit_study(records, result, factor=factor, defect=defect)),
        "Comparing limits",
        asked=asked,
    )
    return cast("LimitStudy | None", found)


def trial_plan(result: flow.Analysis, wishes: Mapping[str, Any], *, asked: bool) -> TrialPlan | None:
    """How long a trial must run; None until somebody has asked for it."""
    found = _on_demand(
        ("trial", store().figures_version(), *sorted((name, str(value)) for name, value in wishes.items())),
        lambda tell: _told(tell, lambda: flow.plan_trial(result, **wishes)),
        "Planning the trial",
        asked=asked,
    )
    return cast("TrialPlan | None", found)


def closer_look(result: flow.Analysis, factor: str, defect: str, *, asked: bool) -> CloserLook | None:
    """What more can be said of one pair; None until somebody has asked for it."""
    records = store()
    found = _on_demand(
        ("closer look", records.figures_version(), factor, defect),
        lambda tell: _told(tell, lambda: flow.closer_look(records, result, factor=factor, defect=defect)),
        "Looking closer",
        asked=asked,
    )
    return cast("CloserLook | None", found)


def interactions(result: flow.Analysis, *, asked: bool) -> Interactions | None:
    """Which misses act together; None until somebody has asked for it."""
    found = _on_demand(
        ("interactions", store().figures_version()),
        lambda tell: flow.interactions(result, progress=tell),
        "Comparing misses two by two",
        asked=asked,
    )
    return cast("Interactions | None", found)


def cross_checks(result: flow.Analysis, *, asked: bool) -> tuple[CrossCheck, ...] | None:
    """Whether boosted trees see more than the model; None until somebody has asked for it."""
    found = _on_demand(
        ("cross-check", store().figures_version()),
        lambda tell: _told(tell, lambda: flow.cross_checks(result)),
        "Fitting the other kind of model",
        asked=asked,
    )
    return cast("tuple[CrossCheck, ...] | None", found)


def _on_demand(key: tuple[Any, ...], work: Callable[[Tell], Any], label: str, *, asked: bool) -> object | None:
    """Costly work of this state of the records: begun when asked for, shown to everybody once it is there."""
    key = (*key, _url(), HORIZON)
    if not asked and not shelf().holds(key):
        return None
    return follow(shelf().job(key, work), label, object)


def _told(tell: Tell, work: Callable[[], Any]) -> Any:
    """Work that cannot say how far it is."""
    tell("some seconds", 0, 0)
    return work()


def behind(factor: str, defect: str) -> tuple[flow.ConcernedRestoration, ...]:
    """The returned restorations behind a finding."""
    return _behind(_url(), store().figures_version(), factor, defect)


@st.cache_data(show_spinner=False, max_entries=64)
def _behind(url: str, version: int, factor: str, defect: str) -> tuple[flow.ConcernedRestoration, ...]:
    # `version` is part of the key: a new state of the records asks anew.
    return flow.restorations_behind(_store(url), factor=factor, defect=defect)
