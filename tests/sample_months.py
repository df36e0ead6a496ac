"""A month in review made by hand: twenty months with a step up, sources, a bench, and a lab too small for all that."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import Any, Final

from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.records.standard_file import parse_standard
from remakes.trends.changed.changed import Part, WhatChanged
from remakes.trends.delay.nowcast import Nowcast, NowcastMonth
from remakes.trends.months.delivery_months import DeliveryShare
from remakes.trends.months.process_months import ProcessFactor, ProcessMonth
from remakes.trends.months.report_months import JudgedDefect, JudgedMonth, ReportMonths
from remakes.trends.sources.figures import SourceFigure, Sources

NAN = float("nan")
MONTHS = [f"{2025 + at // 12}-{at % 12 + 1:02d}" for at in range(20)]
RETURNS = (9, 11, 8, 12, 10, 9, 13, 8, 10, 11, 9, 12, 10, 8, 11, 10, 17, 21, 19, 9)
#: The first months are not judged; the last one is still coming in.
JUDGED = range(6, 19)
RISE = {17: ("above the limit",), 18: ("above the limit", "slow rise")}


def judged_month(at: int, defect: str = "all", **other: Any) -> JudgedMonth:
    judged = at in JUDGED
    values: dict[str, Any] = {
        "month": MONTHS[at],
        "defect": defect,
        "returns": RETURNS[at] if defect == "all" else RETURNS[at] // 2,
        "expected_late": 3.4 if at == 19 else 0.0,
        "at_risk_months": 2000.4 + 10 * at,
        "expected": 10.2 if judged else NAN,
        "low": 3.0 if judged else NAN,
        "high": 18.0 if judged else NAN,
        "complete": at != 19,
        "signals": RISE.get(at, ()) if defect == "all" else (),
    }
    return JudgedMonth(**{**values, **other})


def judged_defect(defect: str = "all") -> JudgedDefect:
    rise = defect == "all"
    return JudgedDefect(
        defect=defect,
        months=tuple(judged_month(at, defect) for at in range(20)),
        enough=True,
        missing="",
        since=MONTHS[16] if rise else None,
        false_alarm_months=60.0 if rise else 40.0,
        sentence="More returns than expected, most likely since May 2026." if rise else "No month stands out.",
    )


def nowcast(*, enough: bool = True) -> Nowcast:
    months = [
        NowcastMonth(
            month=MONTHS[at],
            defect=defect,
            reported=RETURNS[at],
            late=(Estimate(3.4, 1.0, 7.0) if at == 19 else Estimate(0.0, 0.0, 0.0)) if enough else UNKNOWN,
            completeness=(0.72 if at == 19 else 1.0) if enough else NAN,
        )
        for defect in ("all", "chipping")
        for at in range(20)
    ]
    return Nowcast(
        level=0.90,
        enough=enough,
        missing="" if enough else "12 dated entries; 50 are needed to say how long entry takes.",
        months=tuple(months),
    )


def shares(defect: str = "all") -> tuple[DeliveryShare, ...]:
    return tuple(
        DeliveryShare(
            month=MONTHS[at],
            defect=defect,
            delivered=50,
            within_months=within,
            returned=2,
            share=Estimate(0.04, 0.01, 0.13) if at + within < 20 else UNKNOWN,
            mature=at + within < 19,
            followed=40 if at + within < 20 else 0,
        )
        for at in range(20)
        for within in (1, 3, 6, 12)
    )


def source(code: str, *, defect: str = "debonding", out: bool = False, what: str = "lot", **other: Any) -> SourceFigure:
    ratio = Estimate(2.6, 1.5, 4.1) if out else Estimate(1.1, 0.6, 1.9)
    values: dict[str, Any] = {
        "what": what,
        "code": code,
        "step": "" if what == "clinic" else "bonding",
        "defect": defect,
        "restorations": 120,
        "still_in_service": 97,
        "observed": 15 if out else 4,
        "expected": 4.8 if out else 3.6,
        "raw": Estimate(3.1, 1.7, 5.2) if out else Estimate(1.1, 0.3, 2.8),
        "ratio": ratio,
        "p": 0.0001 if out else 0.5,
        "q": 0.01 if out else NAN,
        "stands_out": out,
    }
    return SourceFigure(**{**values, **other})


def sources(*, enough: bool = True) -> Sources:
    figures = (source("L07", out=True), source("L08"), source("F2", what="equipment", defect="all"))
    return Sources(
        figures=figures
        if enough
        else tuple(source(one.code, expected=NAN, raw=UNKNOWN, ratio=UNKNOWN) for one in figures),
        tested=3 if enough else 0,
        enough=enough,
        missing="" if enough else "3 first returns; 5 are needed to compare lots.",
        sentence="1 lot stands out: bonding lot L07 with debonding." if enough else "Too few returns to compare lots.",
    )


def clinics() -> Sources:
    return Sources(
        figures=(source("C01", what="clinic", defect="all"), source("C02", what="clinic", defect="all")),
        tested=2,
        enough=True,
        missing="",
        sentence="No clinic stands out.",
    )


def process_month(at: int, *, signals: tuple[str, ...] = (), judged: bool = True) -> ProcessMonth:
    limit = 0.18 if judged else NAN
    return ProcessMonth(
        factor="bond_wait",
        month=MONTHS[at],
        restorations=100,
        missed=25 if signals else 9,
        recorded=90,
        not_recorded=10,
        miss_share=Estimate(0.28, 0.19, 0.38) if signals else Estimate(0.1, 0.05, 0.18),
        gap_share=Estimate(0.1, 0.06, 0.17),
        miss_centre=0.1 if judged else NAN,
        miss_low=0.02 if judged else NAN,
        miss_high=limit,
        gap_centre=0.1 if judged else NAN,
        gap_low=0.03 if judged else NAN,
        gap_high=limit,
        miss_signals=signals,
        gap_signals=(),
    )


def factor(name: str, *, signal: bool = False, enough: bool = True) -> ProcessFactor:
    return ProcessFactor(
        factor=name,
        months=tuple(
            process_month(at, signals=("above the limit",) if signal and at == 18 else (), judged=enough and at > 5)
            for at in range(20)
        ),
        enough=enough,
        missing="" if enough else "3 months with 10 records; 6 are needed.",
        false_alarm_months=80.0 if enough else NAN,
        sentence="Missed more often in July 2026." if signal else "No month stands out at the bench.",
    )


def what_changed(defect: str = "all", *, enough: bool = True) -> WhatChanged:
    return WhatChanged(
        defect=defect,
        before=tuple(MONTHS[13:16]),
        after=tuple(MONTHS[16:19]),
        returns_before=29,
        returns_after=57,
        difference=Estimate(28.0, 12.0, 44.0) if enough else UNKNOWN,
        parts=(
            Part(part="in_service", label="restorations in service", returns=Estimate(4.0, 4.0, 4.0)),
            Part(part="factor:bond_wait", label="misses: Left for 3 minutes", returns=Estimate(9.0, 3.0, 15.0)),
            Part(part="rest", label="rest: chance", returns=Estimate(15.0, -1.0, 31.0)),
        )
        if enough
        else (),
        enough=enough,
        missing="" if enough else "2 returns in the two periods; 10 are needed.",
        sentence="28 more returns than in the three months before (12 to 44)." if enough else "Too few to compare.",
    )


STANDARD: Final = """
steps = ["bonding"]

[[requirement]]
factor = "bond_wait"
step = "bonding"
reading = "wait_s"
unit = "s"
at_least = 180
may_cause = ["debonding"]
valid_from = 2024-01-01
says = "Left to react for 3 minutes"
"""


def review(*, month: str = MONTHS[18], enough: bool = True, **other: Any) -> Any:
    """What the page asks for, by the same names."""
    judged: tuple[JudgedDefect, ...] = (judged_defect(), judged_defect("chipping"))
    if not enough:
        judged = tuple(_counts_only(one) for one in judged)
    parts: dict[str, Any] = {
        "month": month,
        "months": tuple(MONTHS),
        "lab": "An invented lab",
        "observed_until": date(2026, 8, 31),
        "report_months": ReportMonths(defects=judged),
        "delivery_shares": (*shares(), *shares("chipping")),
        "nowcast": nowcast(enough=enough),
        "back_test": SimpleNamespace(sentence="In 12 earlier months, 92 % of the ranges held what came.")
        if enough
        else None,
        "sources": sources(enough=enough),
        "clinics": clinics(),
        "process": tuple(
            factor(name, signal=enough and name == "bond_wait", enough=enough) for name in ("grit_uses", "bond_wait")
        ),
        "changed": {one: what_changed(one, enough=enough) for one in ("all", "chipping")},
        "harm": (),
        "standard": parse_standard(STANDARD, file="standard.toml"),
        "invented": True,
    }
    return SimpleNamespace(**{**parts, **other})


def _counts_only(one: JudgedDefect) -> JudgedDefect:
    months = tuple(replace(each, expected=NAN, low=NAN, high=NAN, signals=()) for each in one.months)
    return replace(
        one,
        months=months,
        enough=False,
        missing="8 returns in the months before; 10 are needed.",
        since=None,
        false_alarm_months=NAN,
        sentence="Counts only: 8 returns in the months before; 10 are needed.",
    )
