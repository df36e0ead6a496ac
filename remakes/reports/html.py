"""A report as one HTML file: it asks nothing of the network, runs nothing, and shows the records as text only."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html import escape
from typing import Final

from remakes.reports.document import Column, Figure, Report, Section, Table, shown
from remakes.reports.letters import writable
from remakes.reports.pictures import svg
from remakes.texts import t

__all__ = ["to_html"]

_FONT: Final = "system-ui, sans-serif"
_WIDTH: Final = 860
_HEIGHT: Final = 260
#: The page may use its own style and nothing else, even if a text should slip through as markup.
_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
_STYLE: Final = """
:root { color-scheme: light dark; --ink: #1a1a1a; --ground: #ffffff; --soft: #5a5a5a; --line: #c8c8c8;
  --accent: #0072b2; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #ececec; --ground: #16181b; --soft: #b4b4b4; --line: #50545a; --accent: #6cb8ea; }
}
body { margin: 0 auto; padding: 1.5rem 1rem 3rem; max-width: 60rem; background: var(--ground); color: var(--ink);
  font: 1rem/1.45 system-ui, sans-serif; }
h1 { font-size: 1.7rem; margin: 0 0 .2rem; }
h2 { font-size: 1.25rem; margin: 1.8rem 0 .4rem; color: var(--accent); }
h3 { font-size: 1.08rem; margin: 1.5rem 0 .4rem; }
p, ul { margin: .4rem 0; max-width: 48rem; overflow-wrap: anywhere; }
.about, .note, footer { color: var(--soft); font-size: .9rem; }
.urgent { border: 3px solid currentColor; padding: .2rem 1rem .6rem; margin-top: 1rem; }
.urgent h2 { margin-top: .6rem; color: inherit; }
.picture { background: #ffffff; border: 1px solid var(--line); border-radius: 4px; padding: .5rem; margin: .8rem 0; }
.picture svg { display: block; width: 100%; height: auto; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; margin: .6rem 0; font-size: .92rem; font-variant-numeric: tabular-nums; }
caption { text-align: left; font-weight: 600; padding-bottom: .3rem; }
th, td { padding: .22rem .9rem .22rem 0; border-bottom: 1px solid var(--line); text-align: left;
  vertical-align: top; }
thead th { border-bottom: 2px solid currentColor; vertical-align: bottom; }
tbody th { font-weight: 400; }
.figure { text-align: right; }
td.figure { white-space: nowrap; }
tbody th { min-width: 8rem; }
footer { margin-top: 2rem; border-top: 1px solid var(--line); padding-top: .6rem; }
@media print {
  :root { --ink: #000; --ground: #fff; --soft: #333; --accent: #0072b2; --line: #b8b8b8; }
  body { padding: 0; max-width: none; font-size: 10pt; }
  .picture { border: 0; padding: 0; }
  .picture, .urgent, tr { break-inside: avoid; }
  h2, h3 { break-after: avoid; }
  thead { display: table-header-group; }
  .wide { overflow: visible; }
  .details { break-before: page; }
}
"""
_ID: Final = re.compile(r'\bid="([^"]+)"')
_USE: Final = re.compile(r"url\(#([^)]+)\)")


def to_html(report: Report) -> str:
    """The report as a page of its own.

    Notes
    -----
    Everything of the records is escaped, and the page's own rules forbid scripts and requests besides. It follows
    the reader's light or dark setting; pictures stay on white.
    """
    numbers = iter(range(1, 10_000))
    front = "\n".join(_section(one, 2, numbers) for one in report.front)
    charts = _part(t("Charts"), report.charts, numbers)
    details = _part(t("Details"), report.printed_details, numbers)
    return f"""<!DOCTYPE html>
<html lang="{report.language}">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{_POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<title>{_text(report.title)}</title>
<style>{_STYLE}</style>
</head>
<body>
<main>
<h1>{_text(report.title)}</h1>
<p class="about">{_text(report.about)}</p>
{front}
{charts}
{details}
</main>
<footer>{_text(report.caution)}</footer>
</body>
</html>
"""


def _part(heading: str, sections: Sequence[Section], numbers: Iterable[int]) -> str:
    """What begins on a page of its own; nothing where it has no sections."""
    if not sections:
        return ""
    inside = "\n".join(_section(one, 3, numbers) for one in sections)
    return f'<div class="details"><h2>{_text(heading)}</h2>{inside}</div>'


def _section(one: Section, level: int, numbers: Iterable[int]) -> str:
    parts = [f"<h{level}>{_text(one.heading)}</h{level}>"]
    parts += [f"<p>{_text(sentence)}</p>" for sentence in one.sentences]
    if one.items:
        parts.append("<ul>" + "".join(f"<li>{_text(item)}</li>" for item in one.items) + "</ul>")
    if one.figure is not None:
        parts.append(_picture(one.figure, next(iter(numbers))))
    if one.table is not None and one.table.rows:
        parts.append(_table(one.table))
    parts += [f'<p class="note">{_text(note)}</p>' for note in one.notes]
    opening = '<section class="urgent">' if one.urgent else "<section>"
    return "\n".join((opening, *parts, "</section>"))


def _picture(figure: Figure, number: int) -> str:
    drawn = svg(figure.chart, width=_WIDTH, height=None if figure.own_height else _HEIGHT, font=_FONT)
    # Several pictures in one page: names inside a picture must not meet those of another. The converter counts its
    # names on from picture to picture, so the same report would not be the same file.
    names = {name: f"p{number}-{at}" for at, name in enumerate(dict.fromkeys(_ID.findall(drawn)))}
    drawn = _ID.sub(lambda found: f'id="{names[found[1]]}"', drawn)
    drawn = _USE.sub(lambda found: f"url(#{names.get(found[1], found[1])})", drawn)
    drawn = drawn.replace("<svg ", f'<svg role="img" aria-label="{_text(figure.alternative)}" ', 1)
    return f'<div class="picture">{drawn}</div>'


def _table(table: Table) -> str:
    columns = table.columns
    head = "".join(f'<th scope="col"{_right(one)}>{_text(one.name)}</th>' for one in columns)
    printed_rows = table.printed_rows
    notes = (table.note if printed_rows else "", table.left_out)
    note = "".join(f'<p class="note">{_text(one)}</p>' for one in notes if one)
    if not printed_rows:
        return note
    rows = "\n".join(_row(row, columns) for row in shown(printed_rows, columns))
    return (
        f'<div class="wide" role="region" aria-label="{_text(table.caption)}" tabindex="0"><table>'
        f"<caption>{_text(table.caption)}</caption>\n"
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody></table></div>{note}"
    )


def _row(cells: list[str], columns: tuple[Column, ...]) -> str:
    first, *others = (_text(cell) for cell in cells)
    rest = "".join(f"<td{_right(one)}>{cell}</td>" for cell, one in zip(others, columns[1:], strict=True))
    return f'<tr><th scope="row"{_right(columns[0])}>{first}</th>{rest}</tr>'


def _right(column: Column) -> str:
    return ' class="figure"' if column.is_figure else ""


def _text(text: str) -> str:
    return escape(writable(text), quote=True)
