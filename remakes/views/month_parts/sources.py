"""Lots, machines and clinics: with which do more restorations come back than was to be expected?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import TYPE_CHECKING, Final

import streamlit as st

from remakes import charts, flow, words
from remakes.views import downloads, frame, state
from remakes.views.month_parts.wording import about, answer, number

if TYPE_CHECKING:
    from remakes.counts.sources import Concerned
    from remakes.trends.sources.figures import SourceFigure, Sources

__all__ = ["show"]

#: Lines of the chart; the table has all.
_DRAWN: Final = 12


def show(review: flow.MonthReview, defect: str) -> None:
    """Answer, those that stand out, the restorations made with one, the whole table, clinics, how sure."""
    found = review.sources
    _answer(found)
    chosen = [one for one in found.figures if defect in ("all", one.defect)]
    if not chosen:
        st.markdown(f"No lot and no machine is on record for {about(defect)}.")
    elif found.enough:
        _chart(chosen)
    if found.figures:
        _made_with(found.figures)
        _all(chosen, defect, enough=found.enough)
    _clinics(review, defect)
    _how_sure(found.tested)


def _answer(found: Sources) -> None:
    out = [f"{one.name} with {words.defect(one.defect).lower()}" for one in found.figures if one.stands_out]
    if not out:
        answer(found.sentence, found.missing)
        return
    said = f"{words.listed(out)} {'stands' if len(out) == 1 else 'stand'} out."
    frame.answer(words.plain(said[0].upper() + said[1:]))
    st.markdown(words.said(found.sentence))


def _name(one: SourceFigure) -> str:
    return f"{one.name}: {words.defect(one.defect).lower()}"


def _chart(chosen: Sequence[SourceFigure]) -> None:
    drawn = chosen[:_DRAWN]
    st.altair_chart(
        charts.source_ratios(drawn, names=[_name(one) for one in drawn]),
        alt="Returns against expected, one line a lot or machine and defect; the tables below have the figures.",
    )
    st.caption(
        f"The {len(drawn)} with the clearest evidence. Symbol: returns against what was to be expected from age in "
        "service, case mix and the others of the same step, drawn towards those as strongly as few returns ask, with "
        "the 95 % "
        "range. Small upright tick: the ratio as it is. Dashed line at 1: as expected."
    )


def _made_with(figures: Sequence[SourceFigure]) -> None:
    """The restorations made with one lot or on one machine, those that stand out first."""
    out = list(dict.fromkeys(one.name for one in figures if one.stands_out))
    st.subheader("Quarantine and check" if out else "Restorations made with one lot or machine")
    if out:
        st.markdown(
            "Set aside what is left of the lot, or stop the machine, until it has been looked at. Whether a "
            "restoration that has not come back needs to be seen is for the dentist to say: bring the list."
        )
        said = [
            f"- Instead of {words.plain(one.name)} it may be {words.plain(words.listed(others, joint='or'))}: much the "
            "same restorations were made with it."
            for one in figures
            if (others := one.hard_to_tell_from)
        ]
        if said:
            st.markdown("\n".join(dict.fromkeys(said)))
    by_name = {name: _first(figures, name) for name in [*out, *sorted({one.name for one in figures} - {*out})]}
    picked = st.selectbox(
        "Made with",
        list(by_name),
        index=0 if out else None,
        placeholder="Choose a lot or a machine",
        format_func=lambda name: f"{name} (stands out)" if name in out else name,
        key="source",
        bind="query-params",
    )
    if picked is not None and picked in by_name:
        _concerned(by_name[picked], picked)


def _first(figures: Sequence[SourceFigure], name: str) -> SourceFigure:
    return next(one for one in figures if one.name == name)


def _concerned(source: SourceFigure, name: str) -> None:
    made = state.restorations_from("lot" if source.what == "lot" else "equipment", source.code, source.step)
    if not made:
        st.markdown(f"No restoration is on record with {words.plain(name)}.")
        return
    serving = [one for one in made if one.in_service]
    silent = sum(one.returned_on is None for one in serving)
    st.markdown(
        f"{words.counted(len(made), 'restoration')} made with {words.plain(name)}; {len(serving):,} still in service, "
        f"{silent:,} of these never came back and stand first. A click on a number opens its time line."
    )
    rows = [_concerned_row(one) for one in made]
    frame.restoration_links(rows)
    downloads.offer_csv(
        rows, name=f"made_with_{source.what}_{source.code}", label="Download these restorations", key="csv_made_with"
    )


def _concerned_row(one: Concerned) -> dict[str, object]:
    return {
        "restoration": one.restoration_id,
        "in service": "yes" if one.in_service else "no",
        "returned": one.returned_on.isoformat() if one.returned_on else "",
        "with": words.listed(words.defect(code.strip()) for code in one.returned_with.split(",")),
        "delivered": one.delivered_on,
        "clinic": one.clinic,
        "kind": one.kind,
        "teeth": one.teeth,
    }


def _all(chosen: Sequence[SourceFigure], defect: str, *, enough: bool) -> None:
    if not chosen:
        return
    with st.expander(f"All lots and machines ({len(chosen)} lines)"):
        frame.table([_row(one, enough=enough) for one in chosen])
        st.caption(
            "Ratio: observed to expected. Drawn: towards the others of its step, as strongly as few returns ask. "
            "q: share of such lines expected to be false alarms."
        )
    downloads.offer_csv(
        [_plain_row(one) for one in chosen], name=f"lots_and_machines_{defect}", label="Download all lots and machines"
    )


def _row(one: SourceFigure, *, enough: bool) -> dict[str, object]:
    row: dict[str, object] = {
        one.what if one.what == "clinic" else "made with": one.code if one.what == "clinic" else one.name,
        "defect": words.defect(one.defect),
        "restorations (n)": one.restorations,
        "in service (n)": one.still_in_service,
        "returns (n)": one.observed,
    }
    if not enough:
        return row
    return {
        **row,
        "expected": f"{one.expected:.1f}" if isfinite(one.expected) else "",
        "ratio, drawn (95 %)": words.interval(one.ratio, digits=2),
        "ratio as it is (95 %)": words.interval(one.raw, digits=2),
        "q": words.figure(one.q, digits=3) if isfinite(one.q) else "not tested",
        "stands out": "yes" if one.stands_out else "no",
    }


def _plain_row(one: SourceFigure) -> Mapping[str, object]:
    return {
        "what": one.what,
        "code": one.code,
        "step": one.step,
        "defect": one.defect,
        "restorations": one.restorations,
        "in_service": one.still_in_service,
        "observed": one.observed,
        "expected": number(one.expected, digits=3),
        "ratio": number(one.ratio.estimate, digits=3),
        "low": number(one.ratio.low, digits=3),
        "high": number(one.ratio.high, digits=3),
        "q": number(one.q, digits=5),
        "stands_out": "yes" if one.stands_out else "no",
    }


def _clinics(review: flow.MonthReview, defect: str) -> None:
    """By code, never by rank: clinics differ in what they send back at all."""
    found = review.clinics
    chosen = [one for one in found.figures if one.defect == defect]
    with st.expander("Clinics: to start a conversation"):
        st.markdown(words.said(found.sentence or found.missing))
        st.markdown(
            "Clinics differ in their cases, in how they prepare and cement, and in what they send back at all: the "
            "figures tell none of these apart. Ask before you conclude."
        )
        if chosen:
            frame.table([_row(one, enough=found.enough) for one in chosen])


def _how_sure(tested: int) -> None:
    frame.how_sure(
        (
            f"{words.counted(tested, 'pair')} of lot or machine and defect looked at; by chance alone some would look "
            "bad. The false-alarm share (q) takes that into account.",
            "A lot that does not stand out is not thereby a good one: with few restorations even three times the "
            "returns may hide.",
            "A lot is used in some weeks only. What else was different in those weeks is not taken out here: who "
            "worked, what came in, what was done in a hurry.",
            "“Stands out” is a reason to look, no proof: check the lot's other restorations, its storage and its "
            "certificate, the machine's calibration.",
        )
    )
