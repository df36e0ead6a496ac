"""Which frameworks may show bare metal where the veneer broke."""

from __future__ import annotations

import pytest

from remakes.records.defect_questions import may_be_metal


@pytest.mark.parametrize(
    "framework",
    [
        None,
        "",
        "base metal",
        "Noble metal",
        "CoCr",
        "co-cr milled",
        "NEM",
        "Titan",
        "gold alloy",
        "metal-ceramic",
        "K7",
    ],
)
def test_metal_and_what_nobody_can_tell_is_asked_about(framework: str | None) -> None:
    assert may_be_metal(framework)


@pytest.mark.parametrize(
    "framework",
    [
        "none",
        " None ",
        "kein",
        "zirconia",
        "Zirkonoxid",
        "ZrO2",
        "lithium disilicate",
        "Glaskeramik",
        "PEEK",
        "fibre",
        "PMMA",
    ],
)
def test_where_there_is_no_metal_none_can_lie_bare(framework: str) -> None:
    assert not may_be_metal(framework)
