"""Where should the limit be? What each limit of a reading would call back to the bench, and what it would spare."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, Final

import streamlit as st

from remakes import flow, words
from remakes.records.codes import DEFECTS
from remakes.records.requirements import ProcessStandard
from remakes.texts import later, t
from remakes.views import downloads, frame, state
from remakes.views.closer import on_request
from remakes.views.month_parts.wording import number
from remakes.views.try_parts.trial import believed_defects
from remakes.views.try_parts.wording import in_place, instruction_first, said, show_for_factors

if TYPE_CHECKING:
    from remakes.actions.limits.figures import LimitPoint, LimitStudy

__all__ = ["show"]

#: A legend of three lines and room for upright names take their part of it.
_TALL: Final = 520
_ASKS: Final = {"low": later("at least"), "high": later("at most")}


def show() -> None:
    """Requirement and defect, then the comparison once it is asked for."""
    result = in_place(state.analysis)
    factors = _numeric(result)
    if not factors:
        frame.answer(t("No requirement of the standard has a number for a limit, so there is none to move."))
        instruction_first()
        return
    head = st.container()
    left, right = st.columns(2)
    factor = left.selectbox(
        t("Requirement with a number"),
        factors,
        format_func=lambda one: words.named(result.standard, one),
        key="limit_factor",
    )
    defects = _defects(result, factor)
    defect = right.selectbox(t("Defect"), defects, format_func=words.defect, key=f"limit_defect_{factor}")
    st.markdown(t("The requirement: {factor}.", factor=words.plain(words.requirement(result.standard, factor))))

    def tell(study: LimitStudy | None) -> None:
        with head:
            _answer(study, result.standard)
        if study is not None:
            _study(study, result.standard)

    on_request(
        lambda asked: state.limit_study(result, factor, defect, asked=asked),
        tell,
        button=t("Compare limits"),
        key=f"compare_{factor}_{defect}",
        brings=t(
            "Some seconds: the risk along the reading, like cases compared, and what each limit would flag and spare."
        ),
        primary=True,
    )
    show_for_factors(result.standard, [factor])


def _numeric(result: flow.Analysis) -> list[str]:
    """Requirements that ask for a number; those behind a finding first."""
    standard = result.standard
    numeric = [one for one in result.table.factors if all(each.rule.numeric for each in standard.requirements_of(one))]
    backed = [factor for action in result.actions for factor, _ in action.because]
    return [one for one in dict.fromkeys([*backed, *numeric]) if one in numeric]


def _defects(result: flow.Analysis, factor: str) -> list[str]:
    """Those that a finding or the standard connects with the reading, then all others that came back."""
    likely = believed_defects(result, factor)
    may = result.standard.may_cause(factor)
    others = [one for one in DEFECTS if one in result.table.defects]
    order = [*likely, *(one for one in others if one in may), *others]
    return list(dict.fromkeys(order)) or list(DEFECTS)


def _answer(study: LimitStudy | None, standard: ProcessStandard) -> None:
    if study is None:
        frame.answer(t("What would another limit call back to the bench, and what would it spare?"))
        instruction_first()
        return
    first, _, rest = t(words.with_words(study.sentence, standard)).partition(". ")
    frame.answer(said(first if first.endswith(".") else f"{first}."))
    instruction_first()
    if rest:
        st.markdown(said(rest))


def _study(study: LimitStudy, standard: ProcessStandard) -> None:
    # The charts bring the counting library with them: not before they are drawn.
    from remakes.charts.limit_study import flagged_and_spared, risk_by_reading

    known = [one for one in study.bands if isfinite(one.risk.estimate)]
    if len(known) > 1:
        frame.draw(
            risk_by_reading(study, name=words.short(words.requirement(standard, study.factor))),
            alt=t("Share returned along the reading with the present limit; the table below has the figures."),
        )
        st.caption(
            t(
                "Share returned with the defect within {horizon} months by reading, like cases compared, "
                "with the 95 % range; above it how many came back. Diamond: beyond the present limit.",
                horizon=study.horizon,
            )
        )
    if any(isfinite(one.spared_per_month.estimate) for one in study.points):
        frame.draw(
            flagged_and_spared(study).properties(height=_TALL),
            alt=t("Restorations flagged against returns spared a month by limit; the table below has the figures."),
        )
        st.caption(
            t(
                "Each point: one limit. To the right: more restorations called back to the bench. Up: "
                "more returns spared if those called back become as those that keep the limit are."
            )
        )
    rows = [_row(one, study) for one in study.points]
    if rows:
        frame.table(rows, whole=True)
        st.caption(
            t(
                "Laxer limits are not proposed: the material's instructions decide. Spared: returns with "
                "the defect within {horizon} months of service, if all flagged were as the kept ones are.",
                horizon=study.horizon,
            )
        )
        downloads.offer_csv([_plain_row(one, study) for one in study.points], name=f"limits_{study.factor}")
    downloads.offer_json(study.as_json, name=f"limits_{study.factor}")
    frame.how_sure(
        (
            *(said(one, standard) for one in study.cautions),
            t("What is called back has to be brought inside the limit at the bench; its time is not reckoned here."),
            t(
                "A limit may be tightened in the lab. Whether it may be loosened the material's "
                "instructions say: a laxer one is shown for information and never proposed."
            ),
        )
    )


def _row(one: LimitPoint, study: LimitStudy) -> dict[str, object]:
    return {
        t("limit"): _named(one, study),
        t("it is"): _stands(one),
        t("flagged"): words.per_cent(one.flagged_share),
        t("flagged a month"): words.figure(one.flagged_per_month),
        t("returns spared a month (95 %)"): words.interval(one.spared_per_month, digits=2),
        t("more than now (95 %)"): "" if one.standing == "present" else words.interval(one.spared_more, digits=2),
        t("returned within it"): words.share(one.risk_within),
        t("returned beyond it"): words.share(one.risk_beyond),
    }


def _named(one: LimitPoint, study: LimitStudy) -> str:
    value = t("{value:g}", value=one.limit)
    return f"{t(_ASKS[one.side])} {value} {study.unit}".rstrip()


def _stands(one: LimitPoint) -> str:
    return t(one.standing) if one.proposed else t("laxer: not proposed")


def _plain_row(one: LimitPoint, study: LimitStudy) -> dict[str, object]:
    return {
        "limit": one.limit,
        "side": str(_ASKS[one.side]),
        "unit": study.unit,
        "standing": one.standing if one.proposed else "laxer: not proposed",
        "flagged_share": number(one.flagged_share, digits=4),
        "flagged_per_month": number(one.flagged_per_month, digits=2),
        "spared_per_month": number(one.spared_per_month.estimate, digits=3),
        "spared_low": number(one.spared_per_month.low, digits=3),
        "spared_high": number(one.spared_per_month.high, digits=3),
        "probability_more": number(one.probability_more, digits=3),
    }
