"""The report as a page of its own, read as a browser reads it."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from remakes.reports.document import Section
from remakes.reports.html import to_html
from tests.reports.sample_report import HOSTILE, report, row, table


class Page(HTMLParser):
    """Tags with their attributes, and all text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def hostile() -> str:
    return to_html(report(words="<script>alert(1)</script>", codes=HOSTILE, picture="<img src=x onerror=y>"))


@pytest.fixture(scope="module")
def plain() -> str:
    return to_html(report())


def test_nothing_of_the_records_becomes_markup(hostile: str) -> None:
    page = Page(hostile)
    names = {name for name, _ in page.tags}
    assert not names & {"script", "img", "iframe", "object", "embed", "link", "a", "form", "foreignobject", "image"}
    assert not [key for _, attributes in page.tags for key in attributes if key.startswith("on")]
    shown = "".join(page.text)
    for one in HOSTILE:
        assert one in shown


def test_nothing_is_asked_of_the_network(hostile: str) -> None:
    page = Page(hostile)
    asked = {
        value
        for _, attributes in page.tags
        for key, value in attributes.items()
        if key in ("src", "href", "xlink:href", "action", "data", "poster", "srcset")
    }
    assert not asked
    assert set(re.findall(r"url\(([^)]*)\)", hostile)) == {"#p1-0", "#p2-0"}
    assert "@import" not in hostile
    policy = next(one["content"] for one in page.all("meta") if one.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    assert policy.startswith("default-src 'none'; style-src 'unsafe-inline'; img-src data:")
    assert "script" not in policy


def test_names_in_pictures_are_used_once(plain: str) -> None:
    counted = Counter(re.findall(r'\bid="([^"]+)"', plain))
    assert counted
    assert max(counted.values()) == 1
    assert {one.removeprefix("#") for one in re.findall(r"url\(([^)]*)\)", plain)} <= counted.keys()


def test_a_reader_without_eyes_is_served(plain: str) -> None:
    page = Page(plain)
    assert page.all("html")[0]["lang"] == "en"
    assert len(page.all("h1")) == 1
    levels = [int(name[1]) for name, _ in page.tags if re.fullmatch("h[1-6]", name)]
    assert all(after - before <= 1 for before, after in pairwise(levels))
    pictures = page.all("svg")
    assert [one["aria-label"] for one in pictures] == ["Returns by month, Plain words.", "A second picture"]
    assert all(one["role"] == "img" for one in pictures)
    assert len(page.all("caption")) == len(page.all("table")) == 2
    assert {one.get("scope") for one in page.all("th")} == {"col", "row"}


def test_light_dark_and_paper(plain: str) -> None:
    assert "prefers-color-scheme: dark" in plain
    assert "@media print" in plain
    assert plain.count('fill="white"') >= 2


def test_every_row_is_there_and_blanks_are_dashes() -> None:
    page = Page(to_html(report(rows=60)))
    assert len(page.all("tr")) == (3 + 1) + (61 + 1)
    assert "nan" not in "".join(page.text)
    assert "–" in page.text


def test_rows_left_to_the_workbook_are_counted() -> None:
    long = table(tuple(row(at) for at in range(12)), on_paper=range(10, 12))
    only = Section(heading="Nowhere", table=long, workbook_only=True)
    page = Page(to_html(replace(report(), front=(), details=(Section(heading="Lots", table=long), only))))
    assert len(page.all("tr")) == 2 + 1
    assert "2 of 12 rows; all of them are in the workbook." in page.text
    assert "Nowhere" not in page.text


def test_charts_have_a_part_of_their_own_between_front_and_details() -> None:
    made = report()
    text = " ".join(Page(to_html(replace(made, charts=(made.details[0],)))).text)
    assert text.index("Is this month different?") < text.index("Charts") < text.index("Details")


def test_broken_text_can_still_be_written() -> None:
    assert "?" in to_html(report(words="a\ud800b")).encode("utf-8").decode("utf-8")


def test_the_same_report_is_the_same_page(plain: str) -> None:
    assert to_html(report()) == plain
