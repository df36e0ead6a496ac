"""What a page shows, as a file: CSV that a spreadsheet opens without running anything, or JSON."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import streamlit as st

from remakes.records.importers.mending_columns import disarmed
from remakes.texts import later, t

__all__ = ["as_csv", "offer_csv", "offer_json"]

Rows = Sequence[Mapping[str, object]]

_AS_CSV: Final = later("Download as CSV")
_AS_JSON: Final = later("Download as JSON")


def as_csv(rows: Rows, *, columns: Sequence[str] | None = None) -> bytes:
    """Rows as CSV in UTF-8 with a byte order mark, text that looks like a formula disarmed by an apostrophe.

    Parameters
    ----------
    rows : sequence of mapping
    columns : sequence of str, optional
        Default: those of the first row.
    """
    names = list(columns or (rows[0] if rows else ()))
    out = io.StringIO(newline="")
    table = csv.writer(out)
    table.writerow(names)
    table.writerows([disarmed(row.get(name)) for name in names] for row in rows)
    # Spreadsheets take a file without the mark for the machine's old encoding.
    return out.getvalue().encode("utf-8-sig")


def offer_csv(
    rows: Rows,
    *,
    name: str,
    label: str = _AS_CSV,
    key: str | None = None,
    columns: Sequence[str] | None = None,
) -> None:
    """A button that hands rows over as `name`.csv."""
    _offer(
        lambda: as_csv(rows, columns=columns),
        label=label,
        file_name=f"{name}.csv",
        mime="text/csv",
        key=key or f"csv_{name}",
    )


def offer_json(content: Callable[[], Any], *, name: str, label: str = _AS_JSON) -> None:
    """A button that hands content over as `name`.json, built when it is clicked."""
    _offer(
        lambda: json.dumps(content(), indent=1, allow_nan=False).encode(),
        label=label,
        file_name=f"{name}.json",
        mime="application/json",
        key=f"json_{name}",
    )


def _offer(data: Callable[[], bytes], *, label: str, file_name: str, mime: str, key: str) -> None:
    st.download_button(t(label), data=data, file_name=file_name, mime=mime, key=key, on_click="ignore")
