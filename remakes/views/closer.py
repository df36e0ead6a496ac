"""One finding, looked at closely: can it be believed, the reading and its limit, when returns come, which they are."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import isfinite
from typing import TYPE_CHECKING, Final, TypeVar

import streamlit as st

from remakes import charts, flow, words
from remakes.errors import RemakesError
from remakes.evidence.findings import Finding
from remakes.records.requirements import ProcessStandard
from remakes.texts import t, tn
from remakes.views import believed, downloads, frame, sentences, state
from remakes.views.server import tell_plainly

if TYPE_CHECKING:
    from remakes.evidence.checks.closer_look import CloserLook
    from remakes.evidence.checks.dose import BandRisk, DoseResponse
    from remakes.evidence.checks.incidence import CumulativeIncidence

__all__ = ["PICKED", "known", "on_request", "show"]

Result = TypeVar("Result")

#: The finding that is looked at; stands in the address.
PICKED: Final = "finding"
_THESE: Final = "these"
#: The finding that was asked about in this visit: what came of it is not folded away.
_ASKED: Final = "looked_closer_at"
#: Months within which shares are told, the first that both sides have been observed for.
_WITHIN: Final = (12, 6, 3)


def show(result: flow.Analysis, pairs: Sequence[Finding]) -> None:
    """Pick one pair, and all that can be said of it."""
    if not pairs:
        return
    st.header(t("One finding, looked at closely"), anchor=False)
    names = {sentences.key(one): one for one in pairs}
    first = next(iter(names))
    picked = frame.pick(
        t("Finding"),
        list(names),
        key=PICKED,
        named=lambda one: sentences.label(names[one], result.standard),
        first=first,
        in_address=str,
    )
    finding = names[picked]
    closer = _can_it_be_believed(result, finding)
    if closer is not None:
        open_now = st.session_state.get(_ASKED) == picked
        _reading(closer.dose, finding, result.standard, open_now=open_now)
        _when(closer, finding, open_now=open_now)
    _these(finding)


def _can_it_be_believed(result: flow.Analysis, finding: Finding) -> CloserLook | None:
    return on_request(
        lambda asked: state.closer_look(result, finding.factor, finding.defect, asked=asked),
        lambda closer: _believed(result, finding, closer),
        button=t("Look closer"),
        key=f"look_{finding.factor}_{finding.defect}",
        brings=t(
            "Some seconds: fills the gaps in the log, leaves out lots and machines, shows the reading against its "
            "limit and when returns came."
        ),
        primary=True,
    )


def _believed(result: flow.Analysis, finding: Finding, closer: CloserLook | None) -> None:
    checks = closer.checks if closer else finding.checks
    doubts = believed.doubts_of(finding, closer)
    verdict = words.plain(believed.verdict(finding, doubts, looked=checks is not None))
    with st.expander(t("Can it be believed? {verdict}", verdict=verdict)):
        _each_check(result, finding, closer)


def _each_check(result: flow.Analysis, finding: Finding, closer: CloserLook | None) -> None:
    checks = closer.checks if closer else finding.checks
    st.markdown(_as_table(believed.answers(finding, result.findings, closer)))
    if checks and believed.names_a_person(checks.left_out):
        st.caption(
            t(
                "A technician's code in here says whose restorations were left out to try the finding. "
                "It is a check on the finding and says nothing about the person."
            )
        )
    if said := believed.left(finding, closer):
        st.markdown("\n".join([t("Also to be known:"), *(f"- {words.plain(one)}" for one in said)]))


def _as_table(answers: Sequence[tuple[str, str]]) -> str:
    """Questions beside answers: a table of text, whose lines wrap as a table of figures would not let them."""
    return "\n".join(
        [
            f"| {t('Question')} | {t('Answer')} |",
            "| --- | --- |",
            *(f"| {ask} | {words.plain(said)} |" for ask, said in answers),
        ]
    )


def on_request(
    work: Callable[[bool], Result | None],
    tell: Callable[[Result | None], None],
    *,
    button: str,
    key: str,
    brings: str,
    primary: bool = False,
) -> Result | None:
    """Tell what costly work found or, where it has not been done, what is known without it and a button for it.

    Parameters
    ----------
    work : callable
        Told whether it has been asked for; gives None where it has not and nothing is there.
    tell : callable
        Shows what was found; given None where nothing is there yet.
    button, key : str
    brings : str
        What a press brings, and how long it takes.
    primary : bool
        Whether it is the main thing to press on the page.
    """
    try:
        found = work(False)
    except RemakesError as error:
        tell(None)
        tell_plainly(error)
        return None
    tell(found)
    if found is None:
        _offer(work, button=button, key=key, brings=brings, primary=primary)
    return found


def known(work: Callable[[], Result | None]) -> Result | None:
    """What costly work found, for the line over it; None where it has not been done, or was refused."""
    try:
        return work()
    except RemakesError:
        return None  # told in words where the work is shown


def _offer(work: Callable[[bool], object], *, button: str, key: str, brings: str, primary: bool) -> None:
    place = st.empty()
    with place.container():
        asked = st.button(button, type="primary" if primary else "secondary", key=key)
        st.caption(brings)
    if not asked:
        return
    try:
        with place.container():
            work(True)
    except RemakesError as error:
        tell_plainly(error)
        return
    st.session_state[_ASKED] = st.session_state.get(PICKED)
    # What stands above the button may have more to tell now, and must not vanish while work goes on.
    st.rerun()


def _reading(dose: DoseResponse | None, finding: Finding, standard: ProcessStandard, *, open_now: bool) -> None:
    if dose is None:
        numeric = any(one.rule.numeric for one in standard.requirements_of(finding.factor))
        st.markdown(
            t("No legible reading was written down.")
            if numeric
            else t("This requirement is kept or missed, with no number behind it: there is no limit to look at.")
        )
        return
    line = t("The reading and its limit. {said}", said=words.plain(dose.sentence))
    with st.expander(line, expanded=open_now):
        _bands(dose, standard, finding.factor)


def _bands(dose: DoseResponse, standard: ProcessStandard, factor: str) -> None:
    if sum(isfinite(one.odds_ratio.estimate) for one in dose.bands) > 1:
        frame.draw(
            charts.dose_response(dose, name=_reading_of(standard, factor)),
            alt=t("Odds ratios by band of readings, with the limit; the table below has the figures."),
        )
        st.caption(
            t(
                "Each point: restorations with readings in one band, against the commonest band that "
                "keeps the limit (open square, 1 by definition), like cases compared, with the 95 % "
                "range. Above it: how many came back."
            )
        )
    reading = t("readings ({unit})", unit=dose.unit) if dose.unit else t("readings")
    rows = [_band_row(one, reading) for one in dose.bands]
    frame.table(rows, whole=True)
    st.markdown(
        t(
            "The material's instruction comes first. What is shown here may be a reason to keep "
            "further from a limit, never to go beyond it."
        )
    )


def _reading_of(standard: ProcessStandard, factor: str) -> str:
    """What is read, as the log calls it: the axis shows readings, not whether they keep the limit."""
    return max(standard.requirements_of(factor), key=lambda one: one.valid_from).reading


def _band_row(one: BandRisk, reading: str) -> dict[str, object]:
    return {
        reading: one.band.label,
        t("limit"): t("kept") if one.keeps else t("beyond"),
        t("restorations (n)"): one.band.restorations,
        t("returns (n)"): one.returns,
        t("odds ratio (95 %)"): t("1 (compared with)") if one.reference else words.interval(one.odds_ratio),
    }


def _when(closer: CloserLook, finding: Finding, *, open_now: bool) -> None:
    kept, missed = closer.incidence["met"], closer.incidence["missed"]
    if not (len(kept.months) and len(missed.months)):
        st.markdown(
            t("The step is on record as kept for no restoration: there is nothing to compare.")
            if len(missed.months)
            else t("The step is on record as missed for no restoration: there is nothing to compare.")
        )
        return
    line = t("When returns come. {said}", said=words.plain(_shares(kept, missed, finding)))
    with st.expander(line, expanded=open_now):
        _month_by_month(closer, kept, missed)


def _month_by_month(closer: CloserLook, kept: CumulativeIncidence, missed: CumulativeIncidence) -> None:
    frame.draw(
        charts.cumulative_incidence(kept, missed),
        alt=t("Share returned by months since delivery, step missed and step kept; the table below has the figures."),
    )
    st.caption(
        t(
            "Share of restorations that came back with this defect by months since delivery; at month 0 "
            "stands what was found up to delivery. A piece remade for another reason can no longer come "
            "back with it and is counted so. As they are, not like cases compared. A curve ends where fewer than "
            "ten are left."
        )
    )
    frame.table([_month_row(month, kept, missed) for month in charts.MONTHS_NAMED], whole=True)
    if closer.checks:
        st.markdown(words.plain(closer.checks.early_late.sentence))


def _shares(kept: CumulativeIncidence, missed: CumulativeIncidence, finding: Finding) -> str:
    for months in _WITHIN:
        both = missed.within(months), kept.within(months)
        if all(isfinite(one.estimate) for one in both):
            return t(
                "Within {months} months of delivery {missed} came back with “{defect}” where the step was "
                "missed, {kept} where it was kept.",
                months=months,
                missed=words.share(both[0]),
                defect=words.defect_within(finding.defect),
                kept=words.share(both[1]),
            )
    return t("Nobody has been observed for 3 months yet: too early for shares.")


def _month_row(month: int, kept: CumulativeIncidence, missed: CumulativeIncidence) -> dict[str, object]:
    row: dict[str, object] = {t("months since delivery"): t("0 (up to delivery)") if month == 0 else str(month)}
    for returned, at_risk, curve in (
        (t("missed: returned (95 %)"), t("missed: still at risk (n)"), missed),
        (t("kept: returned (95 %)"), t("kept: still at risk (n)"), kept),
    ):
        share = curve.within(month)
        row[returned] = words.share(share) if isfinite(share.estimate) else t("not observed so long")
        row[at_risk] = words.figure(curve.still_at_risk(month), digits=0)
    return row


def _these(finding: Finding) -> None:
    st.subheader(t("Show me these"))
    found = state.behind(finding.factor, finding.defect)
    numbers = {one: sum(row.status == one for row in found) for one in words.STATUS}
    st.markdown(
        tn(
            len(found),
            "{n:,} restoration came back with “{defect}”; a click on a number opens its time line.",
            "{n:,} restorations came back with “{defect}”; a click on a number opens its time line.",
            defect=words.defect_within(finding.defect),
        )
    )
    shown = [one for one in words.STATUS if one != "does not apply" or numbers[one]]
    status = st.segmented_control(
        t("Came back, and the step was"),
        ["every", *shown],
        default="every",
        required=True,
        format_func=lambda one: f"{t(words.STATUS.get(one) or t('any'))} ({numbers.get(one, len(found))})",
        key=_THESE,
    )
    rows = [_restoration_row(one) for one in found if status in ("every", one.status)]
    if not rows:
        st.markdown(t("None."))
        return
    frame.restoration_links(rows, low=True)
    downloads.offer_csv(rows, name=f"behind_{finding.factor}_{finding.defect}", label=t("Download these restorations"))


def _restoration_row(one: flow.ConcernedRestoration) -> dict[str, object]:
    return {
        t("restoration"): one.restoration_id,
        t("step was"): t(words.STATUS.get(one.status, one.status)),
        t("reading"): one.value or t("none"),
        t("returned"): one.returned_on,
        t("delivered"): one.delivered_on,
        t("technician"): one.technician,
        t("kind"): words.code(one.kind),
        t("teeth"): one.teeth,
    }
