"""What a new limit would have flagged in the last year, before it is saved."""

from __future__ import annotations

from typing import Final

import streamlit as st

from remakes import words
from remakes.flow.standard_preview import Judged, LastYear, LimitPreview, last_year, preview_limit
from remakes.records.requirements import Requirement
from remakes.texts import later, t, tn
from remakes.views import downloads, frame, state, visitors
from remakes.views.try_parts.wording import LIMITS

__all__ = ["show"]

_STANDS: Final = {
    "missed": later("missed"),
    "met": later("kept"),
    "not recorded": later("not recorded"),
    "does not apply": later("does not apply"),
}


def show(present: Requirement | None, new: Requirement) -> None:
    """One sentence, the readings with both limits, who stands where, how sure.

    Parameters
    ----------
    present : Requirement or None
        None for one that the standard does not have yet.
    """
    with st.spinner(t("Reading the last year")):
        year = _last_year(visitors.records_url(), state.store().figures_version(), new.step, new.reading)
    if year is None:
        st.info(t("No restoration has been delivered yet, so nothing can be said of what the limit would flag."))
        return
    same = present if present is not None and (present.step, present.reading) == (new.step, new.reading) else None
    found = preview_limit(year, same, new)
    st.markdown(f"**{_sentence(found, anew=same is None)}**")
    if found.values:
        # The charts bring the counting library with them: not before they are drawn.
        from remakes.charts.limit_preview import readings_and_limits

        frame.draw(
            readings_and_limits(
                found.values, same.rule if same else None, new.rule, name=new.reading, unit=new.unit or ""
            ),
            alt=t("Restorations by reading, with the present and the new limit; the table below has the figures."),
        )
    if found.groups:
        frame.table([_row(one, found) for one in found.groups], whole=True)
        downloads.offer_json(found.as_json, name=f"preview_{new.factor}", label=t("Download the preview as JSON"))
    st.markdown("\n".join(f"- {one}" for one in _cautions(found, new)))


@st.cache_data(show_spinner=False, max_entries=16)
def _last_year(url: str, version: int, step: str, reading: str) -> LastYear | None:
    # `version` is part of the key: a new state of the records asks anew.
    from remakes.errors import NothingToAnalyzeError

    try:
        return last_year(visitors.opened(url), step=step, reading=reading)
    except NothingToAnalyzeError:
        return None


def _sentence(found: LimitPreview, *, anew: bool) -> str:
    if not found.recorded:
        return t(
            "Of {delivered:,} restorations delivered from {after} to {until} none has a reading that this "
            "limit is for.",
            delivered=found.delivered,
            after=words.day(found.after),
            until=words.day(found.until),
        )
    if anew:
        return t(
            "Of {recorded:,} restorations with a reading, delivered from {after} to {until}, this limit would have "
            "flagged {flagged:,}: {share}.",
            recorded=found.recorded,
            after=words.day(found.after),
            until=words.day(found.until),
            flagged=found.flagged,
            share=words.share(found.flagged_share),
        )
    return t(
        "Of {recorded:,} restorations with a reading, delivered from {after} to {until}, the new limit would have "
        "flagged {flagged:,}, that is {share}; the present one flags {now:,}. Flagged anew: {anew:,}, no longer: "
        "{no_longer:,}.",
        recorded=found.recorded,
        after=words.day(found.after),
        until=words.day(found.until),
        flagged=found.flagged,
        share=words.share(found.flagged_share),
        now=found.flagged_now,
        anew=found.anew,
        no_longer=found.no_longer,
    )


def _row(one: Judged, found: LimitPreview) -> dict[str, object]:
    return {
        t("present limit"): t(_STANDS[one.present]),
        t("new limit"): t(_STANDS[one.new]),
        t("restorations"): one.restorations,
        t("came back, any defect"): one.returned,
        t("came back with a defect it may lead to"): one.returned_likely,
        t("share that came back (95 %)"): words.share(found.returned_share(one)),
    }


def _cautions(found: LimitPreview, new: Requirement) -> list[str]:
    said: list[str] = [
        tn(
            found.not_recorded,
            "One restoration has no legible reading and is counted neither as kept nor as missed.",
            "{n} restorations have no legible reading and are counted neither as kept nor as missed.",
        ),
        t(
            "Counted as if either limit had held for the whole time. Late deliveries have had less time to come back, "
            "and nothing is compared like with like here."
        ),
    ]
    if found.heaped:
        said.insert(
            0,
            t(
                "{share} of the readings are {value}: a limit near it parts what was rounded, not what was done. "
                "Look how the reading is taken before you move the limit.",
                share=words.per_cent(found.commonest_share, digits=0),
                value=words.plain(found.commonest),
            ),
        )
    if new.rule.numeric:
        said.append(
            t(
                "What a limit would spare is estimated under [Where should the limit be?]({address}).",
                address=frame.address_of("try-next", part=LIMITS),
            )
        )
    return said
