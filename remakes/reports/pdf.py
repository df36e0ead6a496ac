"""A report on paper: tagged PDF that a screen reader can follow (PDF/UA-1), the front on one page."""

from __future__ import annotations

import json
from datetime import UTC, datetime, time
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from remakes.reports.document import Report, Section, Table, shown
from remakes.reports.letters import printable, replaced, writable
from remakes.reports.pictures import svg
from remakes.texts import later, t

__all__ = ["to_pdf"]

_FONT: Final = "Libertinus Serif"
#: Width of the text between the margins, and height of a plot, in pixels at 96 an inch.
_WIDTH: Final = 658
_HEIGHT: Final = 170
#: Letters of a cell that stand in one line.
_LONGEST: Final = 32
#: Letters of a line between the margins.
_LINE: Final = 112
#: Letters asked for that the columns of a line may share out: each gets a little less, and figures still hold.
_SHARED: Final = 130
#: A head of several short words is not broken into a tower.
_SHORTEST: Final = 10
_SHOWN_AS: Final = later("Letters that the report's fonts lack are printed as a question mark.")


def to_pdf(report: Report) -> bytes:
    """The report as PDF, A4.

    Returns
    -------
    bytes
        The same bytes for the same report: the only date inside is the day it was made on.

    Notes
    -----
    Words and figures reach the typesetter as data, never as its markup, and it sees one temporary folder only.
    No font of the machine is used, so that a report looks the same everywhere. Where a letter is missing from
    the fonts on board, it comes out as a question mark and the page says so, since a reader who hears the
    document would otherwise hear nothing.
    """
    import typst

    with TemporaryDirectory(prefix="report-") as place:
        folder = Path(place)
        (folder / "report.typ").write_text(files(__package__).joinpath("report.typ").read_text("utf-8"), "utf-8")
        pictures: dict[str, str] = {}
        content = replaced(_content(report, pictures), writable)
        try:
            return _typeset(folder, content, pictures, report)
        except typst.TypstError as error:
            if "could not be displayed" not in str(error):
                raise
        content["caution"] = f"{content['caution']} {t(_SHOWN_AS)}".strip()
        return _typeset(folder, replaced(content, printable), replaced(pictures, printable), report)


def _typeset(folder: Path, content: dict[str, Any], pictures: dict[str, str], report: Report) -> bytes:
    import typst

    for name, picture in pictures.items():
        (folder / name).write_text(picture, "utf-8")
    (folder / "data.json").write_text(json.dumps(content), "utf-8")
    made = typst.compile(
        folder / "report.typ",
        root=folder,
        # Nothing is fetched: packages are looked for in the same folder, which has none.
        package_path=folder,
        package_cache_path=folder,
        ignore_system_fonts=True,
        format="pdf",
        pdf_standards=["ua-1"],
        timestamp=datetime.combine(report.made_on, time(), UTC),
    )
    assert isinstance(made, bytes)  # noqa: S101 - PDF is always one file
    return made


def _content(report: Report, pictures: dict[str, str]) -> dict[str, Any]:
    return {
        "title": report.title,
        "language": report.language,
        "pages": t("page {number} of {last}"),
        "details_heading": t("Details"),
        "about": report.about,
        "caution": report.caution,
        "front": [_section(one, pictures) for one in report.front],
        "charts_heading": t("Charts"),
        "charts": [_section(one, pictures) for one in report.charts],
        "details": [_section(one, pictures) for one in report.printed_details],
    }


def _section(one: Section, pictures: dict[str, str]) -> dict[str, Any]:
    name = None
    if one.figure is not None:
        name = f"picture-{len(pictures) + 1}.svg"
        pictures[name] = svg(
            one.figure.chart, width=_WIDTH, height=None if one.figure.own_height else _HEIGHT, font=_FONT
        )
    return {
        "heading": one.heading,
        "sentences": one.sentences,
        "items": one.items,
        "picture": name,
        "alternative": one.figure.alternative if one.figure else "",
        "table": _table(one.table) if one.table is not None and one.table.rows else None,
        "notes": one.notes,
        "urgent": one.urgent,
    }


def _table(table: Table) -> dict[str, Any]:
    rows = shown(table.printed_rows, table.columns)
    letters = _fitted(
        [_letters(one.name, [row[at] for row in rows], len(table.columns)) for at, one in enumerate(table.columns)],
        heads=[_longest_word(one.name) for one in table.columns],
        least=[
            max(map(_longest_word, [one.name, *(row[at] for row in rows)])) + 2 for at, one in enumerate(table.columns)
        ],
        of_text=[not one.is_figure for one in table.columns],
    )
    return {
        "caption": table.caption,
        "columns": [
            # No line may end before a % sign.
            {
                "name": one.name.replace(" %", "\u00a0%"),
                "right": one.is_figure,
                "letters": letters[at],
            }
            for at, one in enumerate(table.columns)
        ],
        "rows": rows,
        "notes": [words for words in (table.note if rows else "", table.left_out) if words],
    }


def _letters(head: str, cells: list[str], columns: int) -> int:
    """Width of a column in letters: heads break between words, and so do long cells."""
    return (
        max(_longest_word(head) + 1, min(max(map(len, cells), default=0), max(_LONGEST, _LINE // columns)), _SHORTEST)
        + 2
    )


def _longest_word(words: str) -> int:
    return max((len(word) for word in words.split()), default=0)


def _fitted(letters: list[int], *, heads: list[int], least: list[int], of_text: list[bool]) -> list[int]:
    """Widths that a line can share out: where a head would not fit its share, the widest texts are broken first."""
    part = _LINE / max(sum(letters), _LINE)
    if all(width * part > head for width, head in zip(letters, heads, strict=True)):
        return letters
    found = list(letters)
    while sum(found) > _SHARED:
        broken = [at for at, text in enumerate(of_text) if text and found[at] > least[at]]
        if not broken:
            break
        found[max(broken, key=lambda at: found[at])] -= 1
    return found
