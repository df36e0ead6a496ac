"""Files to start from: the tidy ones, and a foreign one to try the matching on."""

from __future__ import annotations

from functools import partial

import streamlit as st

from remakes.records.demo_lab import demo_files
from remakes.records.importers.examples import example_bench_sheet
from remakes.records.rows import COLUMNS
from remakes.records.store import Store
from remakes.texts import t
from remakes.views import downloads

__all__ = ["show"]

_XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def show(records: Store) -> None:
    """Buttons to download them."""
    st.subheader(t("Sample files"))
    st.markdown(
        t(
            "Header rows of the three lists, and the invented demo lab's process standard and corrective actions to "
            "rewrite. Dates as 2026-10-31, decimal points, teeth in two-digit codes (ISO 3950)."
        )
    )
    columns = st.columns(len(COLUMNS) + 2)
    for column, (name, names) in zip(columns, COLUMNS.items(), strict=False):
        file_name = f"{name}.csv"
        with column:
            downloads.offer_csv([], columns=names, name=name, label=file_name, key=f"sample_{name}")
    for column, name in zip(columns[len(COLUMNS) :], ("standard.toml", "actions.toml"), strict=True):
        with column:
            st.download_button(
                name,
                data=partial(_sample_file, name),
                file_name=name,
                mime="application/toml",
                key=f"sample_{name}",
                on_click="ignore",
            )
    st.markdown(
        t(
            "Your own lists need not look like that: choose them above, and the page asks what their columns are. To "
            "try it, take this invented bench sheet, with its own headings, minutes for seconds, commas and crosses."
        )
    )
    st.download_button(
        t("A foreign bench sheet (XLSX)"),
        data=lambda: example_bench_sheet(records),
        file_name="bench sheet.xlsx",
        mime=_XLSX,
        key="sample_foreign",
        on_click="ignore",
    )


def _sample_file(name: str) -> bytes:
    return (demo_files() / name).read_bytes()
