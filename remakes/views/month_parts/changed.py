"""What changed between two periods, and what does the difference go with?"""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING

import streamlit as st

from remakes import charts, flow, words
from remakes.reports.document import signed
from remakes.texts import t
from remakes.texts.joining import run_on
from remakes.views import downloads, frame
from remakes.views.month_parts.wording import about, answer, months_named, number

if TYPE_CHECKING:
    from remakes.trends.changed.changed import WhatChanged
    from remakes.trends.months.report_months import JudgedDefect

__all__ = ["show"]


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
    if not changed.enough:
        return
    frame.draw(
        charts.parts(changed),
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
    frame.table(_rows(changed), whole=True)
    _how_sure()
    downloads.offer_csv(_plain_rows(changed), name=f"what_changed_{defect}")


def _common(changed: WhatChanged, judged: JudgedDefect) -> bool:
    """Whether all months of the later period were judged, and none gave a signal."""
    months = [one for one in judged.months if one.month in changed.after]
    return bool(months) and not judged.since and all(isfinite(one.expected) and not one.signals for one in months)


def _rows(changed: WhatChanged) -> list[dict[str, object]]:
    lines = [(t("the whole difference"), changed.difference), *((t(one.label), one.returns) for one in changed.parts)]
    return [{t("returns (95 % range)"): signed(returns), t("goes with"): name} for name, returns in lines]


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
                "What is left over is chance, what nobody wrote down, and what the model has wrong; it "
                "cannot be told apart here."
            ),
            t("Steps that were not recorded may hide misses: see “At the bench” for how much was recorded."),
        )
    )
