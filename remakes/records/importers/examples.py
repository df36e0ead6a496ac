"""An invented foreign bench sheet to try the matching of columns on: nothing in it comes from a real list."""

from __future__ import annotations

import io
from collections.abc import Iterator
from random import Random
from typing import Final

from sqlalchemy import select

from remakes.records import schema
from remakes.records.standard import load_standard
from remakes.records.store import Store

__all__ = ["example_bench_sheet"]

_ROWS: Final = 24
_READINGS: Final = 6
_SEED: Final = 20_260_302


def example_bench_sheet(store: Store) -> bytes:
    """A workbook as labs have them: a title, headings of its own, minutes for seconds, commas, crosses for ticks.

    It names the latest restorations of the records and up to six readings of the process standard, so that it can
    be brought in for a try (and taken back); in empty records the numbers are invented.
    """
    import xlsxwriter

    file = io.BytesIO()
    book = xlsxwriter.Workbook(file, {"in_memory": True, "strings_to_formulas": False, "strings_to_numbers": False})
    sheet = book.add_worksheet("Bench 2026")
    hidden = book.add_worksheet("old")
    hidden.hide()
    sheet.merge_range(0, 0, 0, 3, "Bench sheet (invented example)", book.add_format({"bold": True}))
    for number, row in enumerate(_rows(store), start=2):
        for place, text in enumerate(row):
            sheet.write_string(number, place, text)
    book.close()
    return file.getvalue()


def _rows(store: Store) -> Iterator[list[str]]:
    draw = Random(_SEED)  # noqa: S311 - invented values, no secret
    newest = {one.reading: one for one in load_standard(store).requirements}
    usable = [one for one in newest.values() if one.rule.numeric or set(one.rule.values) <= {"yes", "no"}]
    # Times first: they show that minutes can become seconds.
    readings = sorted(usable, key=lambda one: (one.unit != "s", one.rule.numeric))[:_READINGS]
    yield ["No.", "Who", "Day", *(_heading(one.reading, one.unit) for one in readings)]
    for day, number in enumerate(_numbers(store), start=1):
        cells = [number, f"T{draw.randrange(1, 4):02d}", f"{day % 28 + 1:02d}.03.2026"]
        for one in readings:
            if draw.random() < 0.1:
                cells.append("")
            elif not one.rule.numeric:
                cells.append("x" if draw.random() < 0.9 else "-")
            else:
                limit = one.rule.low if one.rule.low is not None else one.rule.high or 1.0
                value = limit * draw.uniform(0.9, 1.2) / (60 if one.unit == "s" else 1)
                cells.append(f"{value:.2f}".replace(".", ","))
        yield cells


def _heading(reading: str, unit: str | None) -> str:
    words = reading.removesuffix(f"_{unit}").replace("_", " ").capitalize()
    if unit in (None, "", "yes/no"):
        return words
    return f"{words} min" if unit == "s" else f"{words} {unit}"


def _numbers(store: Store) -> list[str]:
    table = schema.restorations.c
    with store.reader() as connection:
        query = select(table.restoration_id).order_by(table.delivered_on.desc(), table.restoration_id).limit(_ROWS)
        found = [str(one) for one in connection.scalars(query)]
    return sorted(found) or [f"R{number:05d}" for number in range(1, _ROWS + 1)]
