"""What every page needs: the records, who is looking, and results that are worked out once per state of the records.

Who is looking stands in `visitors`; pages ask here for both.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from contextvars import copy_context
from datetime import date
from functools import partial
from typing import TYPE_CHECKING, Any, Final, Literal, TypeVar, cast

import streamlit as st

from remakes import flow
from remakes.cautions import SAFETY_LINE
from remakes.records.harm import harm_reports, harm_version
from remakes.records.permissions import ROLES, Role
from remakes.records.store import Store
from remakes.texts import language as spoken
from remakes.texts import later, t, tn
from remakes.views.jobs import Tell, follow, shelf
from remakes.views.visitors import (
    Visitor,
    language,
    may_see,
    may_see_work_of,
    open_here,
    opened,
    require,
    session,
    store,
    visitor,
)
from remakes.views.visitors import records as _unnamed
from remakes.views.visitors import records_url as _url

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
    "begin",
    "behind",
    "choices",
    "closer_look",
    "cross_checks",
    "decisions",
    "follow_up",
    "interactions",
    "language",
    "limit_study",
    "may_see",
    "may_see_work_of",
    "months",
    "open_here",
    "report",
    "require",
    "restorations_from",
    "session",
    "store",
    "trial_plan",
    "visitor",
]

Result = TypeVar("Result")
_Shown = Literal["with a line", "quietly", "nothing", "newest"]
#: What a page tells of an answer that is being brought up to date: a line and the new answer when it is there; only
#: that; nothing, since it has been told already; nothing, since the newest is waited for.
_WITH_LINE: Final = "with a line"
_QUIETLY: Final = "quietly"
_NOTHING: Final = "nothing"
_NEWEST: Final = "newest"

#: Months of service that risks and avoidable returns look at.
HORIZON: Final = 12


def analysis() -> flow.Analysis:
    """Findings and ranked actions of the records as they stand; shows how far it is while it works."""
    records = store()
    return _up_to_date(_analysis_topic(records), _analyzing(records), t("Comparing steps with returns"), flow.Analysis)


def _analysis_topic(records: Store) -> Hashable:
    return ("analysis", records.url, HORIZON)


def _analyzing(records: Store) -> Callable[[Tell], flow.Analysis]:
    return lambda tell: flow.analyze(records, horizon=HORIZON, progress=tell)


def begin() -> None:
    """Begin the analysis before anybody asks for it, where there is something to analyze."""
    records = _unnamed()
    brief = flow.brief(records)
    version = records.figures_version()
    if brief.requirements and brief.returns:
        shelf().latest(_analysis_topic(records), version, _analyzing(records), waiting=False)
    if not brief.empty:
        shelf().latest(_months_topic(), version, _counting_months(records), waiting=False)


def months(month: str | None = None) -> flow.MonthReview:
    """One month of the records as they stand; the latest complete one where none is named."""
    # The page asks for the latest month first, and is told once whether it is up to date.
    return _review(_months(shown=_NOTHING if month else _WITH_LINE), month)


def _review(whole: flow.Months, month: str | None) -> flow.MonthReview:
    topic, version = _months_topic(), whole.records_version
    key = ("month", *topic, version, month or whole.latest)
    work = partial(_told, work=lambda: whole.review(month))
    job = shelf().job(key, work, topic=topic, version=version)
    return follow(job, t("Comparing with the months before"), flow.MonthReview)


def _months(*, shown: _Shown) -> flow.Months:
    work = _counting_months(store())
    return _up_to_date(_months_topic(), work, t("Counting months"), flow.Months, shown=shown)


def _counting_months(records: Store) -> Callable[[Tell], flow.Months]:
    return lambda tell: flow.count_months(records, progress=tell)


def _months_topic() -> tuple[str, str]:
    return ("months", _url())


def report(month: str, kind: str) -> bytes:
    """The report of a month as the content of a file: pdf, html or xlsx."""
    # A report leaves the house: it waits for what was entered a moment ago.
    whole, today = _months(shown=_NEWEST), date.today()
    topic, noted = _months_topic(), harm_version(store())
    review = _review(whole, month).with_harm(harm_reports(store()))
    key = ("report", *topic, whole.records_version, noted, month, kind, today, spoken())
    # The thread of the work speaks the language of whoever asked.
    speaking = copy_context()
    write = partial(flow.month_report, review, kind, caution=SAFETY_LINE, made_on=today, language=spoken())
    work = partial(_told, work=lambda: speaking.run(write))
    job = shelf().job(key, work, topic=topic, version=whole.records_version)
    return follow(job, t("Writing the report"), bytes)


def restorations_from(what: Literal["lot", "equipment", "clinic"], code: str, step: str) -> tuple[Concerned, ...]:
    """The restorations made with a lot or a machine."""
    return _restorations_from(_url(), store().figures_version(), what, code, step)


@st.cache_data(show_spinner=False, max_entries=64)
def _restorations_from(
    url: str, version: int, what: Literal["lot", "equipment", "clinic"], code: str, step: str
) -> tuple[Concerned, ...]:
    return flow.restorations_from(opened(url), what=what, code=code, step=step)


def choices(result: flow.Analysis) -> flow.Choices:
    """What the lab could change, prepared for “what if”."""
    records, topic = store(), _analysis_topic(store())
    key = ("choices", topic, result.records_version)
    work = partial(_told, work=lambda: flow.prepare_choices(records, result))
    job = shelf().job(key, work, topic=topic, version=result.records_version)
    return follow(job, t("Preparing the actions"), flow.Choices)


def decisions() -> tuple[Decision, ...]:
    """What has been proposed and decided, newest first; always as it stands now."""
    from remakes.records.decisions import list_decisions

    return list_decisions(store())


def follow_up(decision: Decision) -> FollowUp:
    """Whether a decision has worked so far."""
    from remakes.actions.follow_up.verdicts import FollowUp

    records = store()
    topic = ("follow-up", records.url, decision.decision_id, decision.version)
    work = partial(_told, work=lambda: flow.follow_up(records, decision))
    return _up_to_date(topic, work, t("Looking whether it worked"), FollowUp, shown=_QUIETLY)


def limit_study(result: flow.Analysis, factor: str, defect: str, *, asked: bool) -> LimitStudy | None:
    """What another limit would flag and spare; None until somebody has asked for it."""
    records = store()
    found = _on_demand(
        result,
        ("limit study", factor, defect),
        partial(_told, work=lambda: flow.limit_study(records, result, factor=factor, defect=defect)),
        t("Comparing limits"),
        asked=asked,
    )
    return cast("LimitStudy | None", found)


def trial_plan(result: flow.Analysis, wishes: Mapping[str, Any], *, asked: bool) -> TrialPlan | None:
    """How long a trial must run; None until somebody has asked for it."""
    found = _on_demand(
        result,
        ("trial", *sorted((name, str(value)) for name, value in wishes.items())),
        partial(_told, work=lambda: flow.plan_trial(result, **wishes)),
        t("Planning the trial"),
        asked=asked,
    )
    return cast("TrialPlan | None", found)


def closer_look(result: flow.Analysis, factor: str, defect: str, *, asked: bool) -> CloserLook | None:
    """What more can be said of one pair; None until somebody has asked for it."""
    records = store()
    found = _on_demand(
        result,
        ("closer look", factor, defect),
        partial(_told, work=lambda: flow.closer_look(records, result, factor=factor, defect=defect)),
        t("Looking closer"),
        asked=asked,
    )
    return cast("CloserLook | None", found)


def interactions(result: flow.Analysis, *, asked: bool) -> Interactions | None:
    """Which misses act together; None until somebody has asked for it."""
    found = _on_demand(
        result,
        ("interactions",),
        lambda tell: flow.interactions(result, progress=tell),
        t("Comparing misses two by two"),
        asked=asked,
    )
    return cast("Interactions | None", found)


def cross_checks(result: flow.Analysis, *, asked: bool) -> tuple[CrossCheck, ...] | None:
    """Whether boosted trees see more than the model; None until somebody has asked for it."""
    found = _on_demand(
        result,
        ("cross-check",),
        partial(_told, work=lambda: flow.cross_checks(result)),
        t("Fitting the other kind of model"),
        asked=asked,
    )
    return cast("tuple[CrossCheck, ...] | None", found)


def _on_demand(
    result: flow.Analysis, key: tuple[Any, ...], work: Callable[[Tell], Any], label: str, *, asked: bool
) -> object | None:
    """Costly work on an analysis: begun when asked for, shown to everybody once it is there, gone with the analysis."""
    topic = _analysis_topic(store())
    key = (*key, topic, result.records_version)
    if not asked and not shelf().holds(key):
        return None
    return follow(shelf().job(key, work, topic=topic, version=result.records_version), label, object)


def _up_to_date(
    topic: Hashable, work: Callable[[Tell], Any], label: str, kind: type[Result], *, shown: _Shown = _WITH_LINE
) -> Result:
    """The answer of the records as they stand, or the last one with a line that says so while the new one is made."""
    records = store()
    latest = shelf().latest(topic, records.figures_version(), work)
    while shown == _NEWEST and latest.behind:
        follow(shelf().newest(topic), label, object)
        latest = shelf().latest(topic, records.figures_version(), work)
    if latest.behind and shown == _WITH_LINE:
        _say_behind(records.figure_changes_since(latest.version))
    if latest.behind and shown != _NOTHING:
        _look_again(topic)
    return follow(latest.job, label, kind)


def _say_behind(changes: int) -> None:
    st.info(
        tn(
            changes,
            "Worked out before the latest change; being brought up to date.",
            "Worked out before the latest {n} changes; being brought up to date.",
        )
    )


@st.fragment(run_every="2s")
def _look_again(topic: Hashable) -> None:
    """Run the page anew once the newer answer is there."""
    if not shelf().under_way(topic):
        st.rerun()


def _told(tell: Tell, *, work: Callable[[], Any]) -> Any:
    """Work that cannot say how far it is."""
    tell(later("some seconds"), 0, 0)
    return work()


def behind(factor: str, defect: str) -> tuple[flow.ConcernedRestoration, ...]:
    """The returned restorations behind a finding."""
    return _behind(_url(), store().figures_version(), factor, defect)


@st.cache_data(show_spinner=False, max_entries=64)
def _behind(url: str, version: int, factor: str, defect: str) -> tuple[flow.ConcernedRestoration, ...]:
    # `version` is part of the key: a new state of the records asks anew.
    return flow.restorations_behind(opened(url), factor=factor, defect=defect)
