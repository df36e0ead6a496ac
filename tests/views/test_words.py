"""Figures in words, cells that a spreadsheet must not run, work beside the page, the icon."""

from __future__ import annotations

import json
import tomllib
from concurrent.futures import Future
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from remakes import words
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.records.standard import parse_standard
from remakes.texts import later, run_on, speaking, t
from remakes.views import cautions, downloads, jobs, page_icon, server
from tests.sample_months import STANDARD

ROOT = Path(__file__).parents[2]


def test_what_is_no_number_is_said_in_words() -> None:
    assert words.interval(UNKNOWN) == "cannot be estimated"
    assert words.figure(float("nan")) == words.figure(float("inf")) == "cannot be estimated"
    assert words.interval(Estimate(2.0, 0.5, float("inf"))) == "2.0 (0.5 to no upper limit)"
    assert words.interval(Estimate(6.11, 4.01, 9.28)) == "6.1 (4.0 to 9.3)"
    assert words.share(Estimate(0.05, 0.028, 0.088)) == "5.0 % (2.8 % to 8.8 %)"
    assert words.share(UNKNOWN) == words.per_cent(float("nan")) == "cannot be estimated"


def test_a_chance_is_never_certainty() -> None:
    assert words.chance(1.0) == "over 99 %"
    assert words.chance(0.0) == "under 1 %"
    assert words.chance(0.363) == "36 %"


def test_sentences_get_the_words_of_requirements_before_their_codes_however_deep() -> None:
    standard = parse_standard(STANDARD, file="standard.toml")
    inner = later("{named}: missed in {n} of 80.")
    told = run_on(t(inner, named="bond wait", n=4), t("Misses of {factor} fell.", factor="bond_wait"), "bond_wait")
    assert words.with_words(told, standard) == (
        "“Left to react for 3 minutes” (bond_wait): missed in 4 of 80. "
        "Misses of “Left to react for 3 minutes” (bond_wait) fell. bond_wait"
    )
    # What has the words already does not get them twice; what is no requirement stays.
    once = t("{factor} helps.", factor=words.named(standard, "bond_wait"))
    assert words.with_words(once, standard) == once
    assert words.with_words(t("{name} is new.", name="polish"), standard) == "polish is new."
    assert words.with_words("bond_wait fell.", standard) == "bond_wait fell."
    listed = words.with_words(words.defect("chipping"), standard)
    assert listed == words.defect("chipping")
    with speaking("de"):
        assert "(bond_wait)" in words.with_words(told, standard)


def test_days_and_months() -> None:
    assert words.day(date(2026, 10, 31)) == "31 October 2026"
    assert words.month("2026-02") == "February 2026"
    assert words.unfinished("2026-10", date(2026, 10, 30))
    assert not words.unfinished("2026-10", date(2026, 10, 31))
    assert not words.unfinished("2026-09", date(2026, 10, 30))
    assert words.age(date(2026, 10, 31), date(2026, 11, 25)) == "25 days ago"
    assert words.age(date(2026, 10, 31), date(2026, 10, 31)) == "today"


def test_text_of_the_records_cannot_format_a_page() -> None:
    assert words.plain("*x* [a](b) :red[c] $y$ <b>") == r"\*x\* \[a\]\(b\) \:red\[c\] \$y\$ \<b\>"


@given(st.builds(str.__add__, st.sampled_from(["", "=", "+", "-", "@", "\t", "\r"]), st.text(max_size=20)))
def test_no_cell_of_a_download_starts_like_a_formula(text: str) -> None:
    import csv
    import io

    written = downloads.as_csv([{"a": text, "b": -1.5}]).decode("utf-8-sig")
    _, (cell, number) = csv.reader(io.StringIO(written, newline=""))
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert cell.removeprefix("'") == text.removeprefix("'")
    assert number == "-1.5"


def test_a_download_without_rows_is_its_header() -> None:
    assert downloads.as_csv([], columns=["a", "b"]).decode("utf-8-sig") == "a,b\r\n"


def test_cautions_go_with_the_steps_they_concern() -> None:
    blasting = " ".join(cautions.usual_cautions(["blasting"]))
    assert "Dust" in blasting
    assert "Compressed air" in blasting
    assert "monomer" not in blasting
    for step in ("bonding", "opaquer", "final cure"):
        assert "monomer" in " ".join(cautions.usual_cautions([step]))
    assert cautions.usual_cautions(["checking"]) == ()
    together = cautions.usual_cautions(["opaquer", "final cure"])
    assert len(together) == len(set(together))


def test_work_is_done_once_for_a_key_and_begun_anew_after_a_failure() -> None:
    shelf, calls = jobs.Shelf(), []

    def work(_tell: jobs.Tell) -> int:
        calls.append(1)
        if len(calls) == 1:
            raise ValueError("first time")
        return 7

    with pytest.raises(ValueError, match="first time"):
        shelf.job("a", work).future.result()
    assert shelf.job("a", work).future.result() == 7
    assert shelf.job("a", work).future.result() == 7
    assert len(calls) == 2


def test_a_job_tells_how_far_it_is() -> None:
    go: Future[None] = Future()

    def work(tell: jobs.Tell) -> str:
        tell("comparing", 3, 10)
        go.set_result(None)
        return "done"

    job = jobs.Shelf().once(work)
    assert job.future.result(timeout=5) == "done"
    assert go.done()
    assert job.seen == ("comparing", 3, 10)


def test_the_icon_in_the_folder_is_the_one_that_is_drawn() -> None:
    assert page_icon.ICON.read_bytes() == page_icon.draw()


def test_both_ways_to_start_have_the_same_settings() -> None:
    def flat(part: dict[str, object], prefix: str = "") -> dict[str, object]:
        found: dict[str, object] = {}
        for name, value in part.items():
            found |= flat(value, f"{prefix}{name}.") if isinstance(value, dict) else {f"{prefix}{name}": value}
        return found

    assert flat(tomllib.loads((ROOT / ".streamlit/config.toml").read_text())) == dict(server.SETTINGS)
    assert json.loads(json.dumps(dict(server.SETTINGS)))["server.address"] == "localhost"
    assert server.SETTINGS["browser.gatherUsageStats"] is False


def test_an_errors_words_come_out_as_they_were_written() -> None:
    said = words.refusal(ValueError("no ![x](http://a.b/c.png)\nnext line"))
    assert said == "no \\!\\[x\\]\\(http\\://a.b/c.png\\)  \nnext line"


def test_parts_of_large_numbers_read_like_those_in_sentences() -> None:
    assert words.part_of(20, 1064) == "20 of 1,064"


def test_who_is_a_role_and_a_pseudonym_or_as_it_was_written() -> None:
    with speaking("de"):
        assert [words.who(one) for one in ("manager M1", "technician", "demo", "")] == [
            "Leitung M1",
            "Technik",
            "demo",
            "",
        ]


def test_months_in_an_analysis_s_sentence_are_spelled_out() -> None:
    said = words.spelled("Since 2026-03 (2026-04 as well): 2026-10-31, R2026-03x and 12026-03 are no months.")
    assert said == "Since March 2026 (April 2026 as well): 2026-10-31, R2026-03x and 12026-03 are no months."
    assert words.said("2026-03 had 5 *more*.") == r"March 2026 had 5 \*more\*."


def test_shares_below_one_per_cent_keep_a_digit_more_so_that_a_ratio_can_be_checked() -> None:
    assert [words.per_cent_closely(value) for value in (0.032, 0.0044, 0.0)] == ["3.2 %", "0.44 %", "0.0 %"]


def test_per_cent_in_a_sentence_of_an_analysis_stands_apart_from_its_number() -> None:
    assert words.plain(t("{share:.0%} of them", share=0.75)) == "75 % of them"
    assert words.spelled(t("{share:.0%} of them", share=0.75)) == "75 % of them"
    assert words.plain("75% of them") == "75% of them"


def test_the_toolkit_offers_nothing_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    from streamlit import config
    from streamlit.web import skills

    usual = config.get_option
    ours = {**server.SETTINGS, "server.headless": False}
    monkeypatch.setattr(config, "get_option", lambda name: ours.get(name, usual(name)))
    assert skills.nudge_suppression_reason() == "welcome_hidden"
