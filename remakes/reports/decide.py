"""What the meeting has to decide: one line for each thing that stands out, the figures stand beside it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from remakes import words
from remakes.reports.document import Section
from remakes.reports.review import Review, cut, month_of, process_month, requirement
from remakes.texts import raised, t, tn
from remakes.trends.months.signals import ABOVE, RISE

if TYPE_CHECKING:
    from remakes.trends.sources.figures import SourceFigure

__all__ = ["to_decide"]


def to_decide(review: Review) -> Section:
    """Who has to do what about the chosen month; that nothing asks for a decision, where nothing does."""
    items = (
        *_harm(review),
        *_month(review),
        *cut(_defects(review), t("the table")),
        *cut(_sources(review), t("the details")),
        *cut(_bench(review), t("the details")),
    )
    nothing = t("Nothing in these figures asks for a decision. Where something is not judged, that is no all-clear.")
    return Section(heading=t("What to decide"), sentences=() if items else (nothing,), items=items)


def _harm(review: Review) -> Iterator[str]:
    still_open = sum(one.is_open for one in review.harm)
    if still_open:
        yield tn(
            still_open,
            "Who deals with the open report of suspected harm, today?",
            "Who deals with the {n:,} open reports of suspected harm, today?",
        )


def _month(review: Review) -> Iterator[str]:
    month = month_of(review.report_months.of("all"), review.month)
    if month is None or (month.complete and not month.signals):
        return
    if not month.complete:
        name = words.month(review.month)
        yield t("{name} is still coming in: nothing can be decided from its number yet.", name=name)
    elif _is_more(month.signals):
        yield t("More returns than expected: who looks into it, first at what changed and what stands out?")
    else:
        yield t("Fewer returns than expected: is everything entered? Only then it counts as better.")


def _defects(review: Review) -> Iterator[str]:
    for one in review.report_months.defects:
        month = month_of(one, review.month)
        if one.defect == "all" or month is None or not month.signals:
            continue
        names = {"defect": words.defect(one.defect), "signals": words.listed(map(t, month.signals))}
        if _is_more(month.signals):
            yield t("{defect}, more than expected ({signals}): who looks into it?", **names)
        else:
            yield t("{defect}, fewer than expected ({signals}): is everything entered?", **names)


def _is_more(signals: Sequence[str]) -> bool:
    # Where signs of both kinds meet, the one that hurts is told.
    return ABOVE in signals or RISE in signals


def _sources(review: Review) -> Iterator[str]:
    if review.sources.enough:
        yield from (_check(one) for one in review.sources.figures if one.stands_out)


def _check(one: SourceFigure) -> str:
    names = {
        "name": raised(words.listed(map(t, (one.name, *one.hard_to_tell_from)), joint="or")),
        "defect": words.defect_within(one.defect),
    }
    if one.what == "lot":
        return t("{name} ({defect}): quarantine and check, or say why not.", **names)
    return t("{name} ({defect}): have it checked, or say why not.", **names)


def _bench(review: Review) -> Iterator[str]:
    for factor in review.process:
        month = process_month(factor, review.month)
        if month is None or not (month.miss_signals or month.gap_signals):
            continue
        name = words.short(requirement(review.standard, factor.factor), most=60)
        if month.miss_signals and _is_more(month.miss_signals):
            yield t("“{name}” is missed more than usual: who looks at the bench?", name=name)
        elif month.gap_signals and _is_more(month.gap_signals):
            yield t("“{name}” is left unrecorded more than usual: who asks why?", name=name)
        else:
            yield t(
                "“{name}” is missed or left unrecorded less than usual: what was done, and is the record right?",
                name=name,
            )
