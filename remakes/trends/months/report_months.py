"""Is this month different, and since when? Returns by month of report against the number expected beforehand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.calendar import CalendarCounts
from remakes.counts.table import PatternTable
from remakes.evidence.estimate import finite_or_none
from remakes.records.codes import defect_in_text
from remakes.texts import t
from remakes.trends.months.common_variation import limits
from remakes.trends.months.expected import MIN_REFERENCE_RETURNS, Expected, expect
from remakes.trends.months.signals import (
    ABOVE,
    BELOW,
    FALL,
    RISE,
    Marks,
    mark,
    thresholds,
)
from remakes.trends.months.verdict import latest_change, said, too_few_months, too_few_returns

__all__ = ["EVERY", "MIN_COMPLETENESS", "JudgedDefect", "JudgedMonth", "ReportMonths", "judge_report_months"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: All defects together.
EVERY: Final = "all"
#: A month is judged from this share of its returns entered on.
MIN_COMPLETENESS: Final = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedMonth:
    """One month and one defect: what came back, what was expected before the month was seen, and what to make of it.

    Attributes
    ----------
    month : str
        ``2026-10``.
    defect : str
        ``all`` or a code.
    returns : int
        First returns per restoration and defect; under ``all`` their sum over defects.
    expected_late : float
        Returns that happened but are still to be entered.
    at_risk_months : float
        Restoration-months in service; under ``all`` whether or not a defect came before.
    expected, low, high : float
        From earlier months only, and the limits of common variation. A month at a limit is within it. All nan where
        the month was not judged.
    complete : bool
        The whole month was observed and nearly all its returns are entered.
    signals : tuple of str
        Empty where there is none or the month was not judged.
    """

    month: str
    defect: str
    returns: int
    expected_late: float
    at_risk_months: float
    expected: float
    low: float
    high: float
    complete: bool
    signals: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedDefect:
    """All months of one defect, oldest first.

    Attributes
    ----------
    enough : bool
    missing : str
        What is missing where there is not enough; empty otherwise.
    since : str or None
        First month of the change that a standing signal points to.
    false_alarm_months : float
        Average number of judged months between two false signals of all rules together; nan where not judged. Found
        by simulation at the expected returns, their uncertainty and the overdispersion at hand; the latter is weakly
        known, and where the monthly rate varies by 20 to 30 % beyond chance, false signals come in 26 to 45 months.
    sentence : str
    """

    defect: str
    months: tuple[JudgedMonth, ...]
    enough: bool
    missing: str
    since: str | None
    false_alarm_months: float
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportMonths:
    """Returns by report month; ``all`` first, then the defects by frequency."""

    defects: tuple[JudgedDefect, ...]

    def of(self, defect: str) -> JudgedDefect:
        """One defect, or ``all``."""
        return next(one for one in self.defects if one.defect == defect)

    @property
    def false_alarm_months(self) -> float:
        """Average months between two false signals of all defects together; nan where nothing was judged."""
        rate = sum(1.0 / one.false_alarm_months for one in self.defects if one.enough)
        return 1.0 / rate if rate else float("nan")

    def as_json(self) -> list[dict[str, object]]:
        """Rows of ``by_report_month``."""
        return [
            {
                "month": month.month,
                "defect": month.defect,
                "returns": month.returns,
                "returns_expected_late": finite_or_none(month.expected_late),
                "at_risk_months": month.at_risk_months,
                "expected": finite_or_none(month.expected),
                "low": finite_or_none(month.low),
                "high": finite_or_none(month.high),
                "signals": list(month.signals),
            }
            for one in self.defects
            for month in one.months
        ]


def judge_report_months(
    calendar: CalendarCounts,
    table: PatternTable,
    *,
    completeness: Mapping[str, Mapping[str, float]] | None = None,
    late: Mapping[str, Mapping[str, float]] | None = None,
) -> ReportMonths:
    """Is a month different from what was to be expected, and since when?

    Parameters
    ----------
    calendar : CalendarCounts
    table : PatternTable
        The one the calendar was counted with; it gives the order of the defects.
    completeness : mapping of str to mapping of str to float, optional
        By defect (or ``all``) and month: share of the returns entered by now; what is not named is complete.
    late : mapping of str to mapping of str to float, optional
        By defect and month: returns still to be entered; what is not named is 0.

    Returns
    -------
    ReportMonths
        Counts of every month; expectation, limits and signals of those that could be judged, nan and none elsewhere.
        Never an exception for few or odd records.

    Notes
    -----
    Each defect has its own false alarms, so that a lab with many defects sees more of them in all.

    References
    ----------
    Steiner SH, Cook RJ, Farewell VT, Treasure T. Biostatistics 1:441-452 (2000), for the risk-adjusted sum.
    """
    entered, to_come = completeness or {}, late or {}
    found = [_judged(calendar, name, entered.get(name, {}), to_come.get(name, {})) for name in (EVERY, *table.defects)]
    return ReportMonths(defects=tuple(found))


def _judged(
    calendar: CalendarCounts, defect: str, entered: Mapping[str, float], late: Mapping[str, float]
) -> JudgedDefect:
    at_risk, events = calendar.of(None if defect == EVERY else defect)
    # Nothing entered at all would leave nothing to divide by.
    share = np.clip([entered.get(month, 1.0) for month in calendar.months], 1e-6, 1.0)
    complete = (calendar.observed_share >= 1.0) & (share >= MIN_COMPLETENESS)
    before = expect(calendar, at_risk, events, entered=share)
    counts = events.sum(axis=(1, 2))
    expected = np.where(complete, before.returns, np.nan)
    low, high = limits(expected, before.dispersion)
    marks, false_signals = _marked(counts, expected, before)
    signals = [_named(marks, month) for month in range(len(counts))]
    months = tuple(
        JudgedMonth(
            month=month,
            defect=defect,
            returns=int(counts[k]),
            expected_late=float(late.get(month, 0.0)),
            at_risk_months=float(at_risk[k].sum()),
            expected=float(expected[k]),
            low=float(low[k]),
            high=float(high[k]),
            complete=bool(complete[k]),
            signals=signals[k],
        )
        for k, month in enumerate(calendar.months)
    )
    return _verdict(defect, months, before, complete, false_signals)


def _marked(counts: Floats, expected: Floats, before: Expected) -> tuple[Marks, Floats]:
    """Signals, and the share of false ones to be expected of each judged month."""
    rise, fall, false_signals = (np.full(len(counts), np.nan) for _ in range(3))
    for month in np.flatnonzero(np.isfinite(expected)):
        found = thresholds(
            expected=float(expected[month]),
            information=float(before.information[month]),
            overdispersion=float(before.overdispersion[month]),
        )
        rise[month], fall[month], false_signals[month] = found.rise, found.fall, found.false_signals
    marks = mark(counts[None], expected[None], before.dispersion[None], rise=rise[None], fall=fall[None])
    return marks, false_signals


def _named(marks: Marks, month: int) -> tuple[str, ...]:
    named = ((ABOVE, marks.above), (BELOW, marks.below), (RISE, marks.rise), (FALL, marks.fall))
    return tuple(name for name, flags in named if flags[0, month])


def _verdict(
    defect: str, months: tuple[JudgedMonth, ...], before: Expected, complete: Flags, false_signals: Floats
) -> JudgedDefect:
    judged = [k for k, one in enumerate(months) if np.isfinite(one.expected)]
    if not judged:
        missing = _missing(months, before, complete)
        return JudgedDefect(
            defect=defect,
            months=months,
            enough=False,
            missing=missing,
            since=None,
            false_alarm_months=float("nan"),
            sentence=t("Counts only, no judgement. {missing}", missing=missing),
        )
    latest = months[judged[-1]]
    change = latest_change(
        months=[months[k].month for k in judged],
        observed=np.array([months[k].returns for k in judged], dtype=np.float64),
        expected=np.array([months[k].expected for k in judged]),
        information=before.information[judged],
        overdispersion=before.overdispersion[judged],
        signals=[months[k].signals for k in judged],
    )
    false_alarm_months = 1.0 / max(float(np.mean(false_signals[judged])), 1e-4)
    return JudgedDefect(
        defect=defect,
        months=months,
        enough=True,
        missing="",
        since=change.since if change and change.stands else None,
        false_alarm_months=false_alarm_months,
        sentence=said(
            "" if defect == EVERY else defect_in_text(defect),
            change,
            latest=(latest.month, latest.returns, latest.expected, latest.low, latest.high),
            false_alarm_months=false_alarm_months,
        ),
    )


def _missing(months: tuple[JudgedMonth, ...], before: Expected, complete: Flags) -> str:
    """Why no month could be judged."""
    known = np.flatnonzero(np.isfinite(before.reference_returns))
    if not len(known):
        return too_few_months(len(months))
    if before.reference_returns[known].max() < MIN_REFERENCE_RETURNS:
        return too_few_returns(int(before.reference_returns[known[-1]]))
    return t(
        "No month with enough earlier months is complete yet: a month is judged once all of it was "
        "observed and at least {min_completeness:.0%} of its returns are entered.",
        min_completeness=MIN_COMPLETENESS,
    )
