"""The invented demonstration lab: its files are what the generator writes, and what is planted is in them."""

from __future__ import annotations

import csv
import itertools
import math
import os
import subprocess
import sys
import tomllib
from collections.abc import Hashable, Iterator
from datetime import date, datetime
from pathlib import Path

import pytest

from synthetic_data import lab
from synthetic_data.bench import lot
from synthetic_data.generate import HERE, InventedLab, generate, simulate
from synthetic_data.orders import Restoration
from synthetic_data.truth import MARKS, README, RateRatio, describe, rate_ratio, share_missed, share_not_recorded

TABLES = ("restorations.csv", "process_log.csv", "returns.csv")
Rows = list[dict[str, str]]
DEFECTS = {
    "chipping", "debonding", "loosening", "discoloration", "show_through", "shade_mismatch", "margin_fit", "seating",
    "contact", "occlusion", "pontic_contact", "porosity", "framework_fracture", "surface", "tissue_reaction", "transit",
    "other",
}  # fmt: skip
ALLOWED = {
    "restorations.csv": {
        "kind": {"crown", "bridge", "onlay", "inlay", "veneer", "implant crown", "implant bridge", "other"},
        "framework": {"base metal", "noble metal", "zirconia", "none"},
        "veneer": {"lab composite", "ceramic", "none"},
    },
    "returns.csv": {
        "defect": DEFECTS,
        "primary": {"yes", "no"},
        "plane": {"", "adhesive", "cohesive", "mixed"},
        "found_at": {"before_delivery", "try_in", "delivery", "in_service"},
        "severity": set("12345"),
        "harm": {"", "yes", "no"},
        "disposition": {"adjusted", "repaired", "remade", "credited", "none"},
        "attributed_to": {"lab", "clinic", "patient", "transport", "material", "undecided"},
    },
}
LIMITS = ("at_least", "at_most", "between", "one_of", "none_of")


def read(folder: Path, name: str) -> Rows:
    with (folder / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def truth() -> InventedLab:
    return simulate()


@pytest.fixture(scope="module")
def restorations() -> dict[str, dict[str, str]]:
    return {row["restoration_id"]: row for row in read(HERE, "restorations.csv")}


@pytest.fixture(scope="module")
def log() -> Rows:
    return read(HERE, "process_log.csv")


@pytest.fixture(scope="module")
def returns() -> Rows:
    return read(HERE, "returns.csv")


def rules() -> list[dict[str, object]]:
    return tomllib.loads((HERE / "standard.toml").read_text(encoding="utf-8"))["requirement"]


# ------------------------------------------------------------------ the files


def test_committed_files_are_a_fresh_generation_byte_for_byte(
    truth: InventedLab, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def simulated(*, seed: int, months: int, restorations: int) -> InventedLab:
        assert (seed, months, restorations) == (lab.SEED, lab.MONTHS, 6000)
        return truth

    monkeypatch.setattr("synthetic_data.generate.simulate", simulated)
    generate(tmp_path)
    for name in (*TABLES, "standard.toml", "actions.toml"):
        assert (tmp_path / name).read_bytes() == (HERE / name).read_bytes(), f"{name}: run synthetic_data/generate.py"
    assert sum((HERE / name).stat().st_size for name in TABLES) < 7_000_000


def test_the_readme_states_the_numbers_of_this_lab(truth: InventedLab) -> None:
    text = README.read_text(encoding="utf-8")
    numbers = text[text.index(MARKS[0]) + len(MARKS[0]) : text.index(MARKS[1])]
    assert numbers.strip() == describe(truth).strip(), "run synthetic_data/generate.py"


def test_a_script_with_other_hash_seeds_writes_the_same_bytes(tmp_path: Path) -> None:
    generate(tmp_path / "here", seed=3, months=5, restorations=60)
    call = [sys.executable, HERE / "generate.py", "--seed", "3", "--months", "5", "--restorations", "60"]
    for hash_seed in ("1", "2"):
        there = tmp_path / hash_seed
        subprocess.run([*call, "--out", there], check=True, env={**os.environ, "PYTHONHASHSEED": hash_seed})
        for name in TABLES:
            assert (there / name).read_bytes() == (tmp_path / "here" / name).read_bytes()


@pytest.mark.parametrize(("seed", "months", "restorations"), [(0, 1, 1), (1, 30, 250), (2, 12, 150), (-7, 7, 50)])
def test_other_labs_can_be_made(tmp_path: Path, seed: int, months: int, restorations: int) -> None:
    generate(tmp_path, seed=seed, months=months, restorations=restorations)
    made = read(tmp_path, "restorations.csv")
    assert sum(row["remake_of"] == "" for row in made) == restorations
    assert max(row["delivered_on"] for row in made) == lab.OBSERVED_UNTIL.isoformat()
    first = 2026 * 12 + 10 - months
    assert min(row["delivered_on"] for row in made) >= date(first // 12, first % 12 + 1, 1).isoformat()
    assert describe(simulate(seed=seed, months=months, restorations=restorations))


@pytest.mark.parametrize(("months", "restorations"), [(0, 10), (31, 10), (12, 0)])
def test_numbers_outside_the_invented_lab_are_refused(tmp_path: Path, months: int, restorations: int) -> None:
    with pytest.raises(ValueError, match="Ask for 1 to 30 months and at least 1 restoration"):
        generate(tmp_path, months=months, restorations=restorations)
    assert not list(tmp_path.iterdir())


# ------------------------------------------------------------------ the records


@pytest.mark.parametrize("name", list(ALLOWED))
def test_only_codes_of_the_format_are_used(name: str) -> None:
    rows = read(HERE, name)
    for column, codes in ALLOWED[name].items():
        assert {row[column] for row in rows} <= codes, column


def test_restorations_are_consistent(restorations: dict[str, dict[str, str]]) -> None:
    teeth = {f"{quadrant}{tooth}" for quadrant in range(1, 5) for tooth in range(1, 9)}
    assert {row["delivered_on"][:7] for row in restorations.values()} == {
        f"{month // 12}-{month % 12 + 1:02}" for month in range(2024 * 12 + 4, 2026 * 12 + 10)
    }
    for row in restorations.values():
        assert set(row["teeth"].split()) <= teeth
        assert int(row["units"]) == len(row["teeth"].split()) >= 1
        assert row["received_on"] <= row["delivered_on"]
        assert row["received_on"] <= (row["due_on"] or "9")
        assert row["delivered_on"] <= lab.OBSERVED_UNTIL.isoformat()
        assert row["difficulty"] == "" or set(row["difficulty"].split(";")) <= {"bruxism", "limited space", "long span"}
    replaced = [row for row in restorations.values() if row["remake_of"]]
    assert replaced
    assert len({row["remake_of"] for row in replaced}) == len(replaced)
    for row in replaced:
        old = restorations[row["remake_of"]]
        assert old["delivered_on"] < row["received_on"]
        assert old["case_id"] != row["case_id"]
        assert (old["teeth"], old["kind"], old["clinic"]) == (row["teeth"], row["kind"], row["clinic"])


def test_there_are_nine_technicians_and_35_very_unequal_clinics(restorations: dict[str, dict[str, str]]) -> None:
    sizes = sorted(
        sum(1 for _ in group) for _, group in itertools.groupby(sorted(row["clinic"] for row in restorations.values()))
    )
    assert len(sizes) == 35
    assert sizes[-1] > 10 * sizes[0]
    assert len({row["technician"] for row in restorations.values()}) == 9


def test_returns_are_consistent(restorations: dict[str, dict[str, str]], returns: Rows) -> None:
    assert {row["defect"] for row in returns} == DEFECTS
    assert len({(row["restoration_id"], row["defect"]) for row in returns}) == len(returns)
    for _, group in itertools.groupby(returns, key=lambda row: row["return_id"]):
        rows = list(group)
        assert [row["primary"] for row in rows] == ["yes"] + ["no"] * (len(rows) - 1)
        assert len({(row["restoration_id"], row["reported_on"], row["disposition"]) for row in rows}) == 1
    for row in returns:
        made = restorations[row["restoration_id"]]
        early = row["found_at"] == "before_delivery"
        assert early == (row["reported_on"] < made["delivered_on"])
        assert made["received_on"] <= row["reported_on"] <= (row["entered_on"] or lab.OBSERVED_UNTIL.isoformat())
        assert row["entered_on"] <= lab.OBSERVED_UNTIL.isoformat()
        assert set(row["teeth"].split()) <= set(made["teeth"].split())
        assert row["bare_metal_pct"] == "" or (row["plane"] and 0 <= int(row["bare_metal_pct"]) <= 100)
        assert row["cost"] == "" or int(row["cost"]) >= 0
    remade = {row["restoration_id"] for row in returns if row["disposition"] == "remade"}
    assert {row["remake_of"] for row in restorations.values()} - {""} <= remade


def test_a_believable_share_comes_back(restorations: dict[str, dict[str, str]], returns: Rows) -> None:
    assert 6000 <= len(restorations) <= 6200
    assert 0.06 <= len({row["restoration_id"] for row in returns}) / len(restorations) <= 0.08
    assert 5 <= len({row["return_id"] for row in returns if row["primary"] == "no"}) <= 40
    assert 3 <= sum(row["harm"] == "yes" for row in returns) <= 25


@pytest.mark.parametrize(
    ("defect", "aim"),
    [("debonding", 85), ("chipping", 100), ("discoloration", 55), ("show_through", 50), ("margin_fit", 50),
     ("seating", 40), ("surface", 40)],
)  # fmt: skip
def test_the_defects_with_a_planted_cause_are_common_enough_to_be_found(returns: Rows, defect: str, aim: int) -> None:
    assert 0.8 * aim <= sum(row["defect"] == defect for row in returns) <= 1.25 * aim


def test_early_and_late_defects_have_different_courses(restorations: dict[str, dict[str, str]], returns: Rows) -> None:
    def median_days(*defects: str) -> float:
        days = sorted(
            (
                date.fromisoformat(row["reported_on"])
                - date.fromisoformat(restorations[row["restoration_id"]]["delivered_on"])
            ).days
            for row in returns
            if row["defect"] in defects
        )
        return days[len(days) // 2]

    assert median_days("margin_fit", "contact", "occlusion", "shade_mismatch", "seating") < 40
    assert 90 < median_days("debonding", "chipping") < median_days("discoloration")


def test_the_log_names_only_what_the_standard_names(log: Rows, restorations: dict[str, dict[str, str]]) -> None:
    assert {(row["step"], row["reading"]) for row in log} == {(rule["step"], rule["reading"]) for rule in rules()}
    logged = {row["restoration_id"] for row in log}
    assert logged <= set(restorations)
    assert len(logged) > 0.99 * len(restorations)  # a piece without a veneer has one reading, and that can be missing
    assert {row["operator"] for row in log} == {person.code for person in lab.TECHNICIANS}
    for row in log:
        if row["recorded_at"]:
            moment = datetime.fromisoformat(row["recorded_at"])
            assert restorations[row["restoration_id"]]["received_on"] <= moment.date().isoformat() <= "2026-10-31"


def test_the_standard_and_the_actions_fit_the_generator() -> None:
    factors = {rule["factor"] for rule in rules()}
    assert factors == set(lab.BENCH)
    steps = tomllib.loads((HERE / "standard.toml").read_text(encoding="utf-8"))["steps"]
    assert [rule["step"] for rule in rules()] == sorted((rule["step"] for rule in rules()), key=steps.index)
    for rule in rules():
        assert sum(limit in rule for limit in LIMITS) == 1
        assert set(rule["may_cause"]) <= DEFECTS
        assert rule["source"] == "common practice, no source"
    for factor in factors:
        assert min(rule["valid_from"] for rule in rules() if rule["factor"] == factor) <= date(2024, 5, 1)
    plausible = {(rule["factor"], defect) for rule in rules() for defect in rule["may_cause"]}
    assert {(cause.factor, cause.defect) for cause in lab.CAUSES} <= plausible
    plan = tomllib.loads((HERE / "actions.toml").read_text(encoding="utf-8"))
    for action in plan["action"]:
        assert set(action["corrects"]) <= factors
        assert all(0 < share <= 1 for share in action["corrects"].values())
    assert set(plan["costs"]["per_return"]) <= DEFECTS
    assert any(len(action["corrects"]) > 1 for action in plan["action"])
    assert any(not set(action["corrects"]) & {cause.factor for cause in lab.CAUSES} for action in plan["action"])


def misses(rule: dict[str, object], value: str) -> bool:
    """The requirement read afresh, not with the generator's own code."""
    match next(limit for limit in LIMITS if limit in rule):
        case "at_least":
            return float(value) < float(rule["at_least"])
        case "at_most":
            return float(value) > float(rule["at_most"])
        case "between":
            return not rule["between"][0] <= float(value) <= rule["between"][1]
        case "one_of":
            return value not in rule["one_of"]
        case _:
            return value in rule["none_of"]


def contradictions(log: Rows, made: dict[str, dict[str, str]], truth: InventedLab) -> Iterator[tuple[str, str, str]]:
    """Restoration, factor and time of every counting row that says something else than what was done."""
    work = {f"R{number:05}": truth.work[one.key] for number, one in enumerate(truth.restorations, start=1)}
    latest = {(row["restoration_id"], row["reading"]): row for row in sorted(log, key=lambda row: row["recorded_at"])}
    by_reading: dict[object, list[dict[str, object]]] = {}
    for rule in sorted(rules(), key=lambda rule: rule["valid_from"]):
        by_reading.setdefault(rule["reading"], []).append(rule)
    for (restoration, reading), row in latest.items():
        delivered = date.fromisoformat(made[restoration]["delivered_on"])
        rule = [one for one in by_reading[reading] if one["valid_from"] <= delivered][-1]
        if misses(rule, row["value"]) != work[restoration].missed[rule["factor"]]:
            yield restoration, rule["factor"], row["recorded_at"]


def test_the_log_says_what_was_done_except_where_it_is_meant_to_lie(
    log: Rows, restorations: dict[str, dict[str, str]], returns: Rows, truth: InventedLab
) -> None:
    reported = {row["restoration_id"]: row["reported_on"] for row in reversed(returns)}
    heaped, late = 0, 0
    for restoration, factor, recorded_at in contradictions(log, restorations, truth):
        if recorded_at[:10] > reported.get(restoration, "9"):
            late += 1
        else:
            assert (restorations[restoration]["technician"], factor) == (lab.HEAPER, lab.HEAPED_FACTOR)
            heaped += 1
    assert heaped > 0
    assert late > 0


def test_shares_missed_and_not_recorded(truth: InventedLab) -> None:
    for factor in lab.BENCH:
        assert 0.04 <= share_missed(truth, factor) <= 0.20, factor
        assert 0.03 <= share_not_recorded(truth, factor) <= 0.10, factor
    for cause in lab.CAUSES:
        assert 0.08 <= share_missed(truth, cause.factor) <= 0.18, cause.factor


# ------------------------------------------------------------------ what is planted


def alike(one: Restoration) -> Hashable:
    """What two restorations must share to be compared: all that bears both on misses and on returns."""
    return one.difficulty, one.technician, "rush" in one.conditions, "busy" in one.conditions


def log_error(seen: RateRatio, planted: float) -> float:
    """How many standard errors the hidden truth lies from what was planted, among restorations that are alike."""
    return math.log(seen.ratio / planted) / seen.log_se


@pytest.mark.parametrize("cause", lab.CAUSES, ids=lambda cause: f"{cause.factor}-{cause.defect}")
def test_planted_causes_show_in_the_hidden_truth(truth: InventedLab, cause: lab.Cause) -> None:
    seen = rate_ratio(truth, cause.factor, cause.defect, alike)
    assert seen.ratio > 1.2
    assert abs(log_error(seen, cause.odds_ratio)) < 2.6


def test_nothing_else_shows_more_often_than_chance(truth: InventedLab) -> None:
    defects = ("debonding", "chipping", "discoloration", "show_through", "margin_fit", "seating")
    planted = {(cause.factor, cause.defect) for cause in lab.CAUSES}
    errors = []
    for pair in set(itertools.product(lab.BENCH, defects)) - planted:
        seen = rate_ratio(truth, *pair, alike)
        if min(seen.returns_missed, seen.returns_met) >= 3:
            errors.append(log_error(seen, 1.0))
    assert len(errors) > 50
    # 5 % are expected. Other seeds gave 2 to 9 %: misses go together, so a planted cause lends its neighbours a little.
    assert sum(abs(error) > 1.96 for error in errors) / len(errors) < 0.12


def test_without_planted_causes_nothing_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    causes = lab.CAUSES
    monkeypatch.setattr(lab, "CAUSES", ())
    nothing = simulate()
    for cause in causes:
        assert abs(log_error(rate_ratio(nothing, cause.factor, cause.defect, alike), 1.0)) < 3


def test_the_wax_key_is_confounded_only(truth: InventedLab) -> None:
    crude = rate_ratio(truth, "wax_key", "chipping")
    assert crude.ratio > 1.5
    assert math.log(crude.ratio) > 1.96 * crude.log_se
    assert abs(log_error(rate_ratio(truth, "wax_key", "chipping", alike), 1.0)) < 1.64


def test_the_bad_lot_debonds(truth: InventedLab) -> None:
    bonded = {
        one.key: lot("OP", one.delivered) for one in truth.restorations if "opaquer_coats" in truth.work[one.key].missed
    }
    debonded = [bonded[row.restoration_id] for row in truth.returns if row.defect == "debonding"]
    bad, made = debonded.count(lab.BAD_LOT), list(bonded.values()).count(lab.BAD_LOT)
    assert bad / made > 2 * (len(debonded) - bad) / (len(bonded) - made)


def test_hard_cases_go_to_the_seniors_and_chip(truth: InventedLab) -> None:
    seniors = {person.code for person in lab.TECHNICIANS if person.senior}
    hard = [one for one in truth.restorations if one.difficulty]
    easy = [one for one in truth.restorations if not one.difficulty]
    chipped = {row.restoration_id for row in truth.returns if row.defect == "chipping"}
    for share in (lambda some: sum(one.technician in seniors for one in some) / len(some),
                  lambda some: sum(one.key in chipped for one in some) / len(some)):  # fmt: skip
        assert share(hard) > 1.5 * share(easy)


def test_rush_leaves_gaps_whether_or_not_the_step_was_done(truth: InventedLab) -> None:
    gaps = {True: [0, 0], False: [0, 0]}
    by_status = {True: [0, 0], False: [0, 0]}
    for one in truth.restorations:
        work = truth.work[one.key]
        unrecorded = {rule.factor for rule in work.unrecorded}
        for factor, missed in work.missed.items():
            gaps["rush" in one.conditions][0] += factor in unrecorded
            gaps["rush" in one.conditions][1] += 1
            if "rush" not in one.conditions and one.technician == "T05" and factor == "fit_check":
                by_status[missed][0] += factor in unrecorded
                by_status[missed][1] += 1
    assert gaps[True][0] / gaps[True][1] > 1.5 * gaps[False][0] / gaps[False][1]
    rates = [hits / total for hits, total in by_status.values()]
    assert abs(rates[0] - rates[1]) < 0.08  # the same chance in both, about 100 and 700 restorations
