"""The month in review as a report: a page for the meeting, a page of charts, the details behind them."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from typing import Final

from remakes import words
from remakes.reports.details import details
from remakes.reports.document import Report, Section
from remakes.reports.drawn import drawn
from remakes.reports.front import front
from remakes.reports.review import Review
from remakes.texts import language, t

__all__ = ["monthly_report"]

#: With no blank, or the narrow one of German, before the sign.
_CLOSE_PER_CENT: Final = re.compile("(?<=[0-9])\u202f?%")


def monthly_report(review: Review, *, made_on: date, caution: str = "") -> Report:
    """Is this month different, since when, what changed: for the meeting, with everything behind it.

    Parameters
    ----------
    review : Review
        One month with all that was worked out about it.
    made_on : date
        Stands on the report, and is the only date in the file.
    caution : str
        What the laboratory has to be reminded of on every page.

    Returns
    -------
    Report
        In the language spoken now. To be handed to `to_pdf`, `to_html` or `to_xlsx`. Where the records are too few
        it gives counts and says what is missing. No technician appears in it.
    """
    return Report(
        title=t("Month in review: {month}", month=words.month(review.month)),
        lab=review.lab,
        month=review.month,
        made_on=made_on,
        observed_until=review.observed_until,
        front=_spelled(front(review)),
        charts=_spelled(drawn(review)),
        details=_spelled(details(review)),
        caution=t(caution),
        language=language(),
        marks=(t("invented records, for trying out"),) if review.invented else (),
    )


def _spelled(sections: tuple[Section, ...]) -> tuple[Section, ...]:
    """Sections with the months in their sentences as a reader says them, and per cent one way; tables have both so."""
    return tuple(
        replace(
            one,
            sentences=tuple(map(_one_way, one.sentences)),
            items=tuple(map(_one_way, one.items)),
            notes=tuple(map(_one_way, one.notes)),
        )
        for one in sections
    )


def _one_way(sentence: str) -> str:
    """Months spelled out, and a blank before the sign for per cent, as the tables have it."""
    return _CLOSE_PER_CENT.sub(" %", words.spelled(sentence))
