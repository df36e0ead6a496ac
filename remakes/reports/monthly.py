"""The month in review as a report: a page for the meeting, the details behind it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from remakes import words
from remakes.reports.details import details
from remakes.reports.document import Report, Section
from remakes.reports.front import front
from remakes.reports.review import Review
from remakes.texts import language, t

__all__ = ["monthly_report"]


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
        details=_spelled(details(review)),
        caution=t(caution),
        language=language(),
        marks=(t("invented records, for trying out"),) if review.invented else (),
    )


def _spelled(sections: tuple[Section, ...]) -> tuple[Section, ...]:
    """Sections with the months in their sentences as a reader says them; tables keep the short form."""
    return tuple(
        replace(
            one,
            sentences=tuple(map(words.spelled, one.sentences)),
            items=tuple(map(words.spelled, one.items)),
            notes=tuple(map(words.spelled, one.notes)),
        )
        for one in sections
    )
