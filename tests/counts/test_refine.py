"""Counts by lot, machine and band of readings: placed as by hand, and adding up to the pattern table."""

from __future__ import annotations

from collections import Counter
from datetime import date
from functools import cache
from typing import Any

import ibis
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from remakes.counts.engine import Tables, connect
from remakes.counts.patterns import count_patterns
from remakes.counts.readings import (
    LEAST_IN_BAND,
    MOST_BANDS,
    Limit,
    ReadingBands,
    cut_readings,
    reading_bands,
)
from remakes.counts.refine import RefinedTable, refine, refine_by_source
from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED
from remakes.errors import ProcessStandardError, TableError
from remakes.records.snapshot import Snapshot
from tests.labs import STANDARD, snapshot, standard

END = date(2025, 1, 10)


def counted(records: Snapshot) -> tuple[Tables, PatternTable]:
    tables = connect(records)
    return tables, count_patterns(tables, records.standard, observed_until=END)


def busy_lab(seed: int = 1, restorations: int = 800) -> Snapshot:
    """Readings, lots, machines, gaps, several rows of one reading, returns with two defects, remakes."""
    rng = np.random.default_rng(seed)
    lab, log, back = [], [], []
    for k in range(restorations):
        name, day = f"R{k}", date(2024, 1, 10 + int(rng.integers(0, 15)))
        lab.append(
            {
                "restoration_id": name,
                "technician": f"T{k % 3}",
                "veneer": "ceramic" if rng.random() < 0.1 else "lab composite",
                "delivered_on": day.isoformat(),
            }
        )
        for step, reading, values in (
            ("bonding", "wait_s", [90, 120, 150, 170, 180, 190, 200, 240]),
            ("layering", "mm", [0.6, 0.8, 1.0, 1.3, 1.7, 2.0, 2.4]),
            ("finishing", "polished", ["yes", "no"]),
        ):
            log += [
                {
                    "restoration_id": name,
                    "step": step,
                    "reading": reading,
                    "value": str(rng.choice(values)) if rng.random() < 0.95 else "",
                    "recorded_at": f"2024-01-0{number} 10:00:00",
                    "lot": rng.choice(["L1", "L2", " L3 ", ""]),
                    "equipment": rng.choice(["A", "B"]),
                }
                for number in range(1, 1 + int(rng.integers(0, 3)))
            ]
        if rng.random() < 0.2:
            back += [
                {
                    "return_id": f"Q{k}",
                    "restoration_id": name,
                    "reported_on": f"2024-0{int(rng.integers(2, 9))}-05",
                    "defect": defect,
                    "found_at": "try_in" if rng.random() < 0.3 else "in_service",
                    "disposition": "remade" if rng.random() < 0.3 else "repaired",
                }
                for defect in rng.choice(["debonding", "chipping", "surface"], size=2)
            ]
    return snapshot(lab, log, back)


@cache
def small_lab() -> tuple[Snapshot, Tables, PatternTable]:
    """Eighty restorations, counted once: who counts anew in this engine spoils it for the others."""
    records = busy_lab(2, restorations=80)
    return records, *counted(records)


def assert_sums_to(refined: RefinedTable, base: PatternTable) -> None:
    table, rows = refined.table, refined.pattern

    def summed(values: np.ndarray) -> np.ndarray:
        total = np.zeros((base.patterns, *values.shape[1:]))
        np.add.at(total, rows, values)
        return total

    assert np.array_equal(summed(table.restorations), base.restorations)
    assert np.array_equal(summed(table.at_risk), base.at_risk)
    assert (table.defects, table.returns) == (base.defects, base.returns)
    for defect in base.defects:
        for fine, whole in zip(table.events_of(defect), base.events_of(defect), strict=True):
            assert np.array_equal(summed(fine), whole)
        assert table.early_returns(defect) == base.early_returns(defect)
    assert np.array_equal(table.status, base.status[rows])
    for name, attribute in base.attributes.items():
        assert table.attributes[name].levels == attribute.levels
        assert np.array_equal(table.attributes[name].codes, attribute.codes[rows])


def by_level(refined: RefinedTable, values: np.ndarray) -> dict[str, int]:
    sums = np.bincount(refined.attribute.codes, values, minlength=len(refined.attribute.levels))
    return dict(zip(refined.attribute.levels, sums.astype(int).tolist(), strict=True))


def test_every_refinement_adds_up_to_the_pattern_table() -> None:
    records = busy_lab()
    tables, base = counted(records)
    for factor in base.factors:
        for by in ("lot", "equipment"):
            refined = refine_by_source(tables, base, records.standard, factor=factor, by=by)  # type: ignore[arg-type]  # a loop over the two
            assert_sums_to(refined, base)
        bands = reading_bands(tables, base, records.standard, factor=factor)
        if bands is not None:
            assert_sums_to(bands.refined, base)
    assert {"debonding", "chipping", "surface"} == set(base.defects)


def test_the_lot_is_that_of_the_row_that_counts() -> None:
    lab = [{"restoration_id": f"R{k}"} for k in range(1, 7)] + [{"restoration_id": "R7", "veneer": "ceramic"}]

    def row(no: int, at: str, lot: str, value: str = "200") -> dict[str, Any]:
        wait = {"step": "bonding", "reading": "wait_s", "value": value}
        return {"restoration_id": f"R{no}", "recorded_at": at, "lot": lot, **wait}

    log = [
        row(1, "2024-01-05 10:00:00", "old"),
        row(1, "2024-01-06 10:00:00", "new"),
        row(2, "2024-01-05 10:00:00", " new "),
        row(3, "2024-01-05 10:00:00", "old", value=""),  # a lot was used though its reading is blank
        row(4, "2024-01-05 10:00:00", ""),
        row(5, "2024-01-05 10:00:00", "old"),
        row(5, "2024-03-05 10:00:00", "new"),  # written after the return: left out
        row(6, "2024-01-05 10:00:00", "not recorded"),  # somebody wrote the words down
        row(7, "2024-01-05 10:00:00", "new"),  # the requirement is not meant for ceramic
        {"restoration_id": "R4", "step": "finishing", "reading": "polished", "value": "yes", "lot": "other"},
    ]
    back = [{"return_id": "Q", "restoration_id": "R5", "reported_on": "2024-02-01", "defect": "debonding"}]
    records = snapshot(lab, log, back)
    tables, base = counted(records)
    refined = refine_by_source(tables, base, records.standard, factor="bond_wait", by="lot")
    assert refined.name == "lot"
    assert by_level(refined, refined.table.restorations) == {
        "new": 2,
        "old": 2,
        "not recorded": 2,
        "does not apply": 1,
    }
    assert by_level(refined, refined.table.returns_by_pattern("debonding"))["old"] == 1


def test_levels_may_be_named_and_ordered_by_the_caller() -> None:
    _records, tables, base = small_lab()
    third = (ibis._.restoration_id.right(1).cast("int64") % 3).nullif(2)
    levels = tables.restorations.select("restoration_id", level=third)
    refined = refine(tables, base, levels, name="third", order=["zero", "one"])
    expected = Counter(int(f"R{k}"[-1]) % 3 for k in range(80))
    held = by_level(refined, refined.table.restorations)
    assert held == {"zero": expected[0], "one": expected[1], "not recorded": expected[2]}
    assert_sums_to(refined, base)


def test_two_levels_for_one_restoration_are_refused() -> None:
    _records, tables, base = small_lab()
    levels = tables.process_log.select("restoration_id", level=ibis._.lot).distinct()
    with pytest.raises(TableError, match="needs one level"):
        refine(tables, base, levels, name="lot")


def test_an_engine_that_counted_something_else_since_is_refused() -> None:
    records, _tables, base = small_lab()
    tables = connect(records)
    count_patterns(tables, records.standard, observed_until=date(2024, 1, 15))
    with pytest.raises(TableError, match="count the patterns again"):
        refine_by_source(tables, base, records.standard, factor="bond_wait", by="lot")


def test_an_unknown_factor_is_refused() -> None:
    records, tables, base = small_lab()
    with pytest.raises(ProcessStandardError, match="names no factor 'wait'"):
        refine_by_source(tables, base, records.standard, factor="wait", by="lot")


def bands_of(records: Snapshot, factor: str) -> ReadingBands | None:
    tables, base = counted(records)
    return reading_bands(tables, base, records.standard, factor=factor)


def waits(values: list[str], **more: Any) -> Snapshot:
    lab = [{"restoration_id": f"R{k}", **more} for k in range(len(values))]
    log = [
        {"restoration_id": f"R{k}", "step": "bonding", "reading": "wait_s", "value": value}
        for k, value in enumerate(values)
    ]
    return snapshot(lab, log)


def test_readings_stand_in_their_bands_and_those_that_miss_stand_apart() -> None:
    rng = np.random.default_rng(6)
    values = rng.choice([90, 150, 179, 180, 190, 200, 210, 230], size=600).tolist()
    bands = bands_of(waits([*map(str, values), "", "soon", "nan"]), "bond_wait")
    assert bands is not None
    assert (bands.unit, bands.limits) == ("s", (Limit(value=180.0, side="low", restorations=603, present=True),))
    held = by_level(bands.refined, bands.refined.table.restorations)
    for band in bands.bands:
        inside = [value for value in values if band.least <= value <= band.most]
        assert held[band.label] == band.restorations == len(inside)
        assert band.low <= band.least <= band.most
        assert band.most < band.high  # the cut itself belongs to the band above it, as with "at least"
        assert band.median in inside
        assert (band.most < 180) or (band.least >= 180)
    assert held["not recorded"] == 3
    status, codes = bands.refined.table.status_of("bond_wait"), bands.refined.attribute.codes
    for number, band in enumerate(bands.bands):
        assert set(status[codes == number]) == {MISSED if band.most < 180 else MET}


def test_a_reading_at_an_upper_limit_keeps_it() -> None:
    lab = [{"restoration_id": f"R{k}", "delivered_on": f"2024-0{1 + k % 9}-10"} for k in range(400)]
    log = [
        {"restoration_id": f"R{k}", "step": "blasting", "reading": "uses", "value": str(1 + k % 12)} for k in range(400)
    ]
    bands = bands_of(snapshot(lab, log), "grit_uses")
    assert bands is not None
    # 8 uses were allowed up to May, 5 from June on; four of nine deliveries fall into the later time.
    limits = {(one.value, one.side, one.present): one.restorations for one in bands.limits}
    assert limits == {(8.0, "high", False): 224, (5.0, "high", True): 176}
    assert next(cut for cut in bands.cuts if cut.limit).value == 5.0
    assert {cut.value: cut.side for cut in bands.cuts}[5.0] == "high"
    below = max(band.most for band in bands.bands if band.high == 5.0)
    above = min(band.least for band in bands.bands if band.low == 5.0)
    assert (below, above) == (5.0, 6.0)
    assert 8.0 in [cut.value for cut in bands.cuts]
    held = by_level(bands.refined, bands.refined.table.restorations)
    assert {band.label: held[band.label] for band in bands.bands} == {
        band.label: sum(band.least <= 1 + k % 12 <= band.most for k in range(400)) for band in bands.bands
    }


def test_words_and_changing_units_have_no_bands() -> None:
    records, tables, base = small_lab()
    assert reading_bands(tables, base, records.standard, factor="polish") is None
    assert reading_bands(tables, base, records.standard, factor="grit_uses") is None  # nothing was written down
    minutes = STANDARD.replace(
        '[[requirement]]\nfactor = "thickness"',
        """[[requirement]]
factor = "bond_wait"
step = "bonding"
reading = "wait_min"
unit = "min"
at_least = 3
applies_when = { veneer = ["lab composite"] }
may_cause = ["debonding"]
valid_from = 2024-06-01

[[requirement]]
factor = "thickness\"""",
    )
    changed = standard(minutes)
    tables = connect(records)
    base = count_patterns(tables, changed, observed_until=END)
    assert reading_bands(tables, base, changed, factor="bond_wait") is None


def test_constant_scarce_and_infinite_readings() -> None:
    """One lab: waits are all the same, few thicknesses are known, and two counts of uses are no numbers."""
    uses = ["inf", "-inf", *["5"] * 40, *["9"] * 40]
    readings = [
        ("bonding", "wait_s", ["200"] * 90),
        ("layering", "mm", ["1.2", "1.4"] * 20),
        ("blasting", "uses", uses),
    ]
    log = [
        {"restoration_id": f"R{k}", "step": step, "reading": reading, "value": value}
        for step, reading, values in readings
        for k, value in enumerate(values)
    ]
    records = snapshot([{"restoration_id": f"R{k}"} for k in range(90)], log)
    tables, base = counted(records)

    def bands_by(factor: str) -> ReadingBands:
        found = reading_bands(tables, base, records.standard, factor=factor)
        assert found is not None
        return found

    constant, scarce, infinite = (bands_by(factor) for factor in ("bond_wait", "thickness", "grit_uses"))
    assert ([band.label for band in constant.bands], constant.cuts) == (["200"], ())
    assert [band.label for band in scarce.bands] == ["1.2 to 1.4"]
    assert [(band.label, band.restorations) for band in infinite.bands] == [("5", 40), ("9", 40)]
    # The two that are no numbers, and the eight of which nothing is known.
    assert by_level(infinite.refined, infinite.refined.table.restorations)["not recorded"] == 10


limit_values = st.integers(0, 40).map(float)


@st.composite
def limits_of_a_standard(draw: st.DrawFn) -> list[Limit]:
    found = {}
    for _ in range(draw(st.integers(1, 4))):
        side = draw(st.sampled_from(["low", "high"]))
        value = draw(limit_values) + (0.0 if side == "low" else 40.0)
        found[value, side] = Limit(
            value=value, side=side, restorations=draw(st.integers(1, 900)), present=draw(st.booleans())
        )
    return sorted(found.values(), key=lambda one: -one.restorations)


@settings(deadline=None, max_examples=60)
@given(
    spread=st.dictionaries(st.integers(0, 80), st.integers(1, 200), min_size=1, max_size=60),
    limits=limits_of_a_standard(),
)
def test_cuts_keep_their_promises(spread: dict[int, int], limits: list[Limit]) -> None:
    values = np.array(sorted(spread), dtype=float)
    counts = np.array([spread[int(value)] for value in values])
    cuts = cut_readings(values, counts, limits)
    assert len(cuts) < MOST_BANDS
    number = sum(np.where(cut.side == "low", values >= cut.value, values > cut.value).astype(int) for cut in cuts)
    number = np.broadcast_to(number, values.shape)
    assert np.all(np.diff(number) >= 0)
    assert set(number.tolist()) == set(range(len(cuts) + 1))  # no band is empty
    sizes = np.bincount(number, counts)
    fixed = [next((one for one in limits if one.side == side and one.present), None) for side in ("low", "high")]
    kept = [one for one in fixed if one is not None]
    for one in kept:
        good = values >= one.value if one.side == "low" else values <= one.value
        if good.any() and not good.all():
            assert not set(number[good]) & set(number[~good])
    for band, size in enumerate(sizes):
        if size < LEAST_IN_BAND:
            # Only a present limit keeps a small band from its neighbours.
            around = [cuts[k] for k in (band - 1, band) if 0 <= k < len(cuts)]
            assert all(cut.limit and cut.value in [one.value for one in kept] for cut in around)
