"""Lots, machines and clinics: with which do more restorations come back than was to be expected?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import TYPE_CHECKING, Final

import streamlit as st

from remakes import charts, flow, words
from remakes.texts import in_english, t, tn
from remakes.views import downloads, frame, state
from remakes.views.addressed import from_address, into_address
from remakes.views.month_parts.wording import about, answer, number

if TYPE_CHECKING:
    from remakes.counts.sources import Concerned
    from remakes.trends.sources.figures import SourceFigure, Sources

__all__ = ["show"]

#: Lines of the chart; the table has all.
_DRAWN: Final = 12
#: The lot or machine that is looked at; stands in the address, in English whoever reads.
_SOURCE: Final = "source"


def show(review: flow.MonthReview, defect: str) -> None:
    """Answer, those that stand out, the restorations made with one, the whole table, clinics, how sure."""
    found = review.sources
    _answer(found)
    st.caption(
        t(
            "Over all deliveries and returns on record up to {day}, whichever month is chosen above.",
            day=words.day(review.observed_until),
        )
    )
    chosen = [one for one in found.figures if defect in ("all", one.defect)]
    if not chosen:
        st.markdown(t("No lot and no machine is on record for {about}.", about=about(defect)))
    elif found.enough:
        _chart(chosen)
    if found.figures:
        _made_with(found.figures)
        _all(chosen, defect, enough=found.enough)
    _clinics(review, defect)
    _how_sure(found.tested)


def _answer(found: Sources) -> None:
    out = [
        t("{name} with {defect}", name=_source(one), defect=words.defect_within(one.defect))
        for one in found.figures
        if one.stands_out
    ]
    if not out:
        answer(found.sentence, found.missing)
        return
    said = tn(len(out), "{names} stands out.", "{names} stand out.", names=words.listed(out))
    frame.answer(words.plain(said[0].upper() + said[1:]))
    st.markdown(words.said(found.sentence))


def _name(one: SourceFigure) -> str:
    return t("{name}: {defect}", name=_source(one), defect=words.defect_within(one.defect))


def _source(one: SourceFigure) -> str:
    return t(one.name)


def _chart(chosen: Sequence[SourceFigure]) -> None:
    drawn = chosen[:_DRAWN]
    frame.draw(
        charts.source_ratios(drawn, names=[_name(one) for one in drawn]),
        alt=t("Returns against expected, one line a lot or machine and defect; the tables below have the figures."),
    )
    st.caption(
        t(
            "The {n} with the clearest evidence. Symbol: returns against what was to be expected "
            "from age in service, case mix and the others of the same step, drawn towards those as "
            "strongly as few returns ask, with the 95 % range. Small upright tick: the ratio as it "
            "is. Dashed line at 1: as expected.",
            n=len(drawn),
        )
    )


def _made_with(figures: Sequence[SourceFigure]) -> None:
    """The restorations made with one lot or on one machine, those that stand out first."""
    out = list(dict.fromkeys(one.name for one in figures if one.stands_out))
    st.subheader(t("Quarantine and check") if out else t("Restorations made with one lot or machine"))
    if out:
        st.markdown(
            t(
                "Set aside what is left of the lot, or stop the machine, until it has been looked at. "
                "Whether a restoration that has not come back needs to be seen is for the dentist to "
                "say: bring the list."
            )
        )
        said = [
            "- "
            + t(
                "Instead of {name} it may be {others}: much the same restorations were made with it.",
                name=words.plain(one.name),
                others=words.plain(words.listed(others, joint="or")),
            )
            for one in figures
            if (others := one.hard_to_tell_from)
        ]
        if said:
            st.markdown("\n".join(dict.fromkeys(said)))
    names = [*out, *sorted({one.name for one in figures} - {*out})]
    picked = _picked({in_english(name): _first(figures, name) for name in names}, out)
    if picked is not None:
        _concerned(picked, picked.name)


def _picked(by_name: Mapping[str, SourceFigure], out: Sequence[str]) -> SourceFigure | None:
    first = next(iter(by_name)) if out else None

    def shown(name: str) -> str:
        said = _source(by_name[name])
        return t("{name} (stands out)", name=said) if by_name[name].name in out else said

    # A lot of another month may not be among those of this one.
    if st.session_state.get(_SOURCE) not in by_name:
        st.session_state.pop(_SOURCE, None)
    from_address(_SOURCE, by_name)
    if first:
        st.session_state.setdefault(_SOURCE, first)
    picked = st.selectbox(
        t("Made with"),
        list(by_name),
        index=0 if first else None,
        placeholder=t("Choose a lot or a machine"),
        format_func=shown,
        key=_SOURCE,
    )
    into_address(_SOURCE, first or "")
    return by_name.get(picked or "")


def _first(figures: Sequence[SourceFigure], name: str) -> SourceFigure:
    return next(one for one in figures if one.name == name)


def _concerned(source: SourceFigure, name: str) -> None:
    made = state.restorations_from("lot" if source.what == "lot" else "equipment", source.code, source.step)
    if not made:
        st.markdown(t("No restoration is on record with {name}.", name=words.plain(name)))
        return
    serving = [one for one in made if one.in_service]
    silent = sum(one.returned_on is None for one in serving)
    st.markdown(
        tn(
            len(made),
            "{n:,} restoration made with {name}; {serving:,} still in service, {silent:,} of these never came back "
            "and stand first. A click on a number opens its time line.",
            "{n:,} restorations made with {name}; {serving:,} still in service, {silent:,} of these never came back "
            "and stand first. A click on a number opens its time line.",
            name=words.plain(t(name)),
            serving=len(serving),
            silent=silent,
        )
    )
    rows = [_concerned_row(one) for one in made]
    frame.restoration_links(rows)
    downloads.offer_csv(
        rows, name=f"made_with_{source.what}_{source.code}", label=t("Download these restorations"), key="csv_made_with"
    )


def _concerned_row(one: Concerned) -> dict[str, object]:
    return {
        t("restoration"): one.restoration_id,
        t("in service"): t("yes") if one.in_service else t("no"),
        t("returned"): one.returned_on.isoformat() if one.returned_on else "",
        t("with"): words.listed(words.defect(code.strip()) for code in one.returned_with.split(",")),
        t("delivered"): one.delivered_on,
        t("clinic"): one.clinic,
        t("kind"): words.code(one.kind),
        t("teeth"): one.teeth,
    }


def _all(chosen: Sequence[SourceFigure], defect: str, *, enough: bool) -> None:
    if not chosen:
        return
    with st.expander(t("All lots and machines ({n} lines)", n=len(chosen))):
        frame.table([_row(one, enough=enough) for one in chosen])
        st.caption(
            t(
                "Ratio: observed to expected. Drawn: towards the others of its step, as strongly as few "
                "returns ask. q: share of such lines expected to be false alarms."
            )
        )
    downloads.offer_csv(
        [_plain_row(one) for one in chosen],
        name=f"lots_and_machines_{defect}",
        label=t("Download all lots and machines"),
    )


def _row(one: SourceFigure, *, enough: bool) -> dict[str, object]:
    row: dict[str, object] = {
        t("clinic") if one.what == "clinic" else t("made with"): one.code if one.what == "clinic" else _source(one),
        t("defect"): words.defect(one.defect),
        t("restorations (n)"): one.restorations,
        t("in service (n)"): one.still_in_service,
        t("returns (n)"): one.observed,
    }
    if not enough:
        return row
    return {
        **row,
        t("expected"): words.figure(one.expected) if isfinite(one.expected) else "",
        t("ratio, drawn (95 %)"): words.interval(one.ratio, digits=2),
        t("ratio as it is (95 %)"): words.interval(one.raw, digits=2),
        "q": words.figure(one.q, digits=3) if isfinite(one.q) else t("not tested"),
        t("stands out"): t("yes") if one.stands_out else t("no"),
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
    with st.expander(t("Clinics: to start a conversation")):
        st.markdown(words.said(found.sentence or found.missing))
        st.markdown(
            t(
                "Clinics differ in their cases, in how they prepare and cement, and in what they send "
                "back at all: the figures tell none of these apart. Ask before you conclude."
            )
        )
        if chosen:
            frame.table([_row(one, enough=found.enough) for one in chosen])


def _how_sure(tested: int) -> None:
    frame.how_sure(
        (
            tn(
                tested,
                "{n:,} pair of lot or machine and defect looked at; by chance alone some would look bad. The "
                "false-alarm share (q) takes that into account.",
                "{n:,} pairs of lot or machine and defect looked at; by chance alone some would look bad. The "
                "false-alarm share (q) takes that into account.",
            ),
            t(
                "A lot that does not stand out is not thereby a good one: with few restorations even "
                "three times the returns may hide."
            ),
            t(
                "A lot is used in some weeks only. What else was different in those weeks is not taken "
                "out here: who worked, what came in, what was done in a hurry."
            ),
            t(
                "“Stands out” is a reason to look, no proof: check the lot's other restorations, its "
                "storage and its certificate, the machine's calibration."
            ),
        )
    )
