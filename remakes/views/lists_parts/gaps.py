"""Where the log has gaps: of each column and reading, how much is recorded, month by month."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from remakes import flow, words
from remakes.records.gaps import Gap, Gaps
from remakes.records.store import Store
from remakes.texts import t
from remakes.views import downloads, frame
from remakes.views.lists_parts import wording

__all__ = ["show"]


def show(records: Store) -> None:
    """One sentence, then the tables."""
    found = _gaps(records.url, records.figures_version(), records)
    if not found.months:
        return
    st.subheader(t("Where the records have gaps"))
    st.markdown(_sentence(found))
    if found.readings:
        rows = _rows(found.readings, found.months)
        frame.table([_worded(row, one) for row, one in zip(rows, found.readings, strict=True)])
        downloads.offer_csv(rows, name="gaps_in_readings", label=t("Download the readings as CSV"))
    with st.expander(t("The columns of the restorations")):
        rows = _rows(found.columns, found.months)
        frame.table(rows, whole=True)
        downloads.offer_csv(rows, name="gaps_in_columns", label=t("Download the columns as CSV"))
    st.caption(
        t(
            "By month of delivery, the last {n} months with deliveries. A reading is wanted where a requirement in "
            "force on the day of delivery applies to the piece. Not recorded counts neither as kept nor as missed.",
            n=len(found.months),
        )
    )


@st.cache_data(show_spinner=False, max_entries=4)
def _gaps(url: str, version: int, _records: Store) -> Gaps:
    # Address and version are the key: a new state of the records is looked at anew.
    return flow.gaps(_records)


def _sentence(found: Gaps) -> str:
    if not found.readings:
        return t("Without a process standard nothing says which readings are wanted: bring in a standard.toml.")
    worst = found.worst
    if worst is None:
        return t("Every reading that the process standard asks for is recorded.")
    month = worst.emptiest
    return t(
        "The log has most gaps at {reading} ({step}): recorded for {share} of the pieces that need it, least in "
        "{month} ({least}).",
        reading=words.plain(_reading(worst)),
        step=words.plain(worst.step),
        share=words.per_cent(worst.share, digits=0),
        month=words.month(month),
        least=words.per_cent(worst.share_in(month), digits=0),
    )


def _reading(one: Gap) -> str:
    """A reading by what the standard says of it, before the lab's name for it: `“Wait 3 minutes” (wait_s)`."""
    return t("“{says}” ({factor})", says=one.says.rstrip("."), factor=one.name) if one.says else one.name


def _worded(row: dict[str, object], one: Gap) -> dict[str, object]:
    """A row of the page: in words first, and then by the name in the records, which the file has alone."""
    first, what = t("step"), t("what")
    return {first: row[first], t("what it says"): words.short(one.says), t("reading"): one.name} | {
        name: value for name, value in row.items() if name not in (first, what)
    }


def _rows(gaps: Sequence[Gap], months: Sequence[str]) -> list[dict[str, object]]:
    return [
        {
            t("step"): one.step,
            t("what"): one.name if one.step else wording.column(one.name),
            t("recorded (n)"): one.recorded,
            t("wanted"): one.wanted,
            t("share"): words.per_cent(one.share, digits=0),
            **{month: _cell(one, month) for month in months},
        }
        for one in gaps
    ]


def _cell(one: Gap, month: str) -> str:
    return words.per_cent(one.share_in(month), digits=0) if one.by_month.get(month, (0, 0))[1] else t("none wanted")
