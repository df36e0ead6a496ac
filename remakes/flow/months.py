"""From the records to the months."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from remakes.flow.start import observed_until as _observed_until
from remakes.records.store import Store

if TYPE_CHECKING:
    from remakes.trends import MonthlyRate, MonthlyShare

__all__ = ["MonthReview", "month_review"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthReview:
    """Months by report and by delivery."""

    observed_until: date
    by_report_month: tuple[MonthlyRate, ...]
    by_delivery_month: tuple[MonthlyShare, ...]


def month_review(store: Store) -> MonthReview:
    """What came back month by month, against what was in service; what became of each month's deliveries.

    Raises
    ------
    NothingToAnalyzeError
        The records are empty.
    """
    from remakes import trends
    from remakes.counts.engine import connect
    from remakes.counts.months import count_delivery_months, count_report_months
    from remakes.records.snapshot import take_snapshot

    snapshot = take_snapshot(store)
    observed_until = _observed_until(snapshot)
    tables = connect(snapshot)
    return MonthReview(
        observed_until=observed_until,
        by_report_month=trends.rates(count_report_months(tables, observed_until=observed_until)),
        by_delivery_month=trends.shares(count_delivery_months(tables, observed_until=observed_until)),
    )
