"""What changed between two periods, and what does the difference go with?"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING, Final

import streamlit as st

from remakes import charts, flow, words
from remakes.reports.document import signed
from remakes.texts import later, t, tn
from remakes.texts.joining import run_on
from remakes.views import downloads, frame, sentences
from remakes.views.month_parts.wording import about, answer, months_named, number

if TYPE_CHECKING:
    from remakes.evidence.estimate import Estimate
    from remakes.trends.changed.changed import Part, WhatChanged
    from remakes.trends.months.report_months import JudgedDefect

__all__ = ["show"]

#: How clearly a range leaves out 0, in words; for the whole difference and for a part of it.
_CLEAR: Final = {
    "may be none": (later("may be chance"), later("may be none")),
    "only just": (later("only just more than chance"), later("only just")),
    "clear": (later("more than chance"), later("clearly")),
}
#: Before the name of a factor, where the part is its misses.
_FACTOR: Final = "factor:"


def show(review: flow.MonthReview, defect: str) -> None:
    """Answer, the parts as a chart and as a table, how sure."""
    changed = review.changed.get(defect)
    if changed is None:
        frame.answer(t("Nothing can be said yet about what changed in {about}.", about=about(defect)))
        return
    answer(changed.sentence, changed.missing)
    if changed.enough and _common(changed, review.report_months.of(defect)):
        st.markdown(
            t(
                "Taken one by one, these months gave no signal under “Is it different?”: each is within common "
                "variation. The difference between the two periods is therefore no sign by itself that anything is "
                "wrong."
            )
        )
    if changed.before and changed.after:
        compared = t(
            "Compared: {after} ({returns_after}) with {before} ({returns_before}).",
            after=months_named(changed.after),
            returns_after=words.counted(changed.returns_after, "return"),
            before=months_named(changed.before),
            returns_before=words.counted(changed.returns_before, "return"),
        )
        scaled = t("The figures are for a period as long as the later one.") if changed.scale != 1 else ""
        st.markdown(run_on(compared, scaled))
        st.caption(t(words.COUNTED_AS_FIRST))
    if not changed.enough:
        return
    frame.draw(
        charts.parts(changed, names=_beside(changed, review)),
        alt=t("The difference in returns and its parts with their ranges; the table below has the figures."),
    )
    st.caption(
        t(
            "Each line: returns more (right of the dashed line) or fewer (left) that go with this "
            "change, with the 95 % range. All parts add up to the whole difference; what is left "
            "over goes with nothing that is recorded. Not drawn, but in the table: parts whose whole "
            "range stays within half a return of none."
        )
    )
    _tables(changed)
    _how_sure()
    downloads.offer_csv(_plain_rows(changed), name=f"what_changed_{defect}")


def _common(changed: WhatChanged, judged: JudgedDefect) -> bool:
    """Whether all months of the later period were judged, and none gave a signal."""
    months = [one for one in judged.months if one.month in changed.after]
    return bool(months) and not judged.since and all(isfinite(one.expected) and not one.signals for one in months)


def _beside(changed: WhatChanged, review: flow.MonthReview) -> dict[str, str]:
    """Misses beside the chart, in the requirement's own words as far as there is room."""
    factors = [one.part.removeprefix(_FACTOR) for one in changed.parts if one.part.startswith(_FACTOR)]
    known = [one for one in factors if one in review.standard.factors]
    names = sentences.short_names(known, review.standard)
    return {_FACTOR + one: t("misses: {requirement}", requirement=names[one]) for one in known}


def _tables(changed: WhatChanged) -> None:
    """What says something, the largest first; the rest folded under a line that says what it has in common."""
    # Here, for the counting library comes with it.
    from remakes.trends.changed.sentences import stands_out

    *parts, rest = changed.parts
    told = sorted((one for one in parts if stands_out(one.returns)), key=lambda one: -abs(one.returns.estimate))
    others = [one for one in parts if one not in told]
    whole = _row(t("the whole difference"), changed.difference, whole=True)
    frame.table([whole, *_part_rows([*told, rest])], whole=True)
    if not others:
        return
    line = tn(
        len(others),
        "{n} more part: it does not stand out",
        "{n} more parts: none of them stands out",
    )
    with st.expander(line):
        st.markdown(t("Its range holds 0, or it is half a return at most: too little to tell or to act on."))
        frame.table(_part_rows(others), whole=True)


def _part_rows(parts: Sequence[Part]) -> list[dict[str, object]]:
    return [_row(t(one.label), one.returns) for one in parts]


def _row(name: str, returns: Estimate, *, whole: bool = False) -> dict[str, object]:
    from remakes.trends.changed.sentences import clearness

    of_whole, of_part = _CLEAR[clearness(returns)]
    return {
        t("goes with"): name,
        t("returns (95 % range)"): signed(returns),
        t("how clear"): t(of_whole if whole else of_part),
    }


def _plain_rows(changed: WhatChanged) -> list[dict[str, object]]:
    lines = [("difference", changed.difference), *((one.part, one.returns) for one in changed.parts)]
    return [
        {
            "part": name,
            "returns": number(returns.estimate, digits=3),
            "low": number(returns.low, digits=3),
            "high": number(returns.high, digits=3),
            "before": months_named(changed.before),
            "after": months_named(changed.after),
        }
        for name, returns in lines
    ]


def _how_sure() -> None:
    frame.how_sure(
        (
            t(
                "“Goes with”: a part says how many returns more or fewer the records would let expect "
                "from that change alone. It does not say that undoing it would take them away again."
            ),
            t("Where the range of a part holds 0, the part may be none at all."),
            t(
                "Each range is judged by itself: where nothing has changed, about one in twenty leaves out 0 by "
                "chance. Nothing is corrected here for how many defects, parts and months are looked at. “Is it "
                "different?” says how often its limits give a false signal."
            ),
            t(
                "What is left over is chance, what nobody wrote down, and what the model has wrong; it "
                "cannot be told apart here."
            ),
            t("Steps that were not recorded may hide misses: see “At the bench” for how much was recorded."),
        )
    )
