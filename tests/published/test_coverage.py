"""Every published case is computed by some test, or listed with the reason why none does."""

from __future__ import annotations

import re
from pathlib import Path

from tests.published.cases import published_ids

HERE = Path(__file__).parent


def section(title: str) -> str:
    text = (HERE / "README.md").read_text(encoding="utf-8")
    return text.split(f"## {title}")[1].split("\n## ")[0]


def first_cells(text: str) -> list[str]:
    """Case ids in the first column of a section's table."""
    return [
        case for line in text.splitlines() for case in re.findall(r"P-\w+", line.split("|")[1] if "|" in line else "")
    ]


def named_in_tests() -> set[str]:
    # The loader's own tests use cases as examples, which computes nothing.
    files = [path for path in HERE.parent.rglob("test_*.py") if path not in (HERE / "test_cases.py", Path(__file__))]
    return {case for path in files for case in re.findall(r'"(P-[a-z]\d+)"', path.read_text(encoding="utf-8"))}


def test_each_case_is_computed_or_excused() -> None:
    excused, computed = first_cells(section("Cases that no test computes")), named_in_tests()
    assert len(excused) == len(set(excused))
    assert computed & set(excused) == set()
    assert computed | set(excused) == set(published_ids())


def test_cases_computed_in_part_are_computed_at_all() -> None:
    partly = first_cells(section("Cases of which a part is not computed"))
    assert partly
    assert set(partly) <= named_in_tests()
