"""The kinds of lab that the benchmark draws, each with one difficulty of its own on top of the usual ones."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from tests.benchmarks.recovery.labs import Lab, Pair, draw_lab
from tests.benchmarks.recovery.plans import BadLot, Cause, Chain, Plan, Together
from tests.benchmarks.recovery.trade import PLAUSIBLE

__all__ = ["SCENARIOS", "Scenario", "make_lab"]

#: Odds ratios that are dealt out to the causes of every lab, in some order.
_ODDS_RATIOS: Final = (6.0, 5.0, 4.0, 3.5, 3.0, 2.5, 2.0)


@dataclass(frozen=True, slots=True)
class Scenario:
    """One kind of lab: what is changed in the usual plan, and why it is hard."""

    name: str
    says: str
    change: Callable[[Plan], Plan]
    reserved: tuple[str, ...] = ()
    cannot_be_told: frozenset[Pair] = frozenset()


def _usual(plan: Plan) -> Plan:
    return plan


def _null(plan: Plan) -> Plan:
    return replace(plan, causes=(), hard_misses=0.3, hard_returns=0.6, technician_returns=0.3)


def _confounded(plan: Plan) -> Plan:
    return replace(plan, seniors_get_hard=2.0, hard_misses=0.7, hard_returns=0.9, technician_returns=0.3)


def _small(plan: Plan) -> Plan:
    return replace(plan, restorations=1500, returns=80, clinics=12, technicians=4)


def _gaps(plan: Plan) -> Plan:
    return replace(plan, gaps=0.12, gap_if_missed=1.0, gap_if_rush=1.2, rush_returns=0.7)


def _drifting(plan: Plan) -> Plan:
    cause = plan.causes[0].factor
    return replace(
        plan,
        recent_volume=1.6,
        recent_misses={cause: -1.5, "frame_seated": 1.5, "layers_pressed": 1.2},
        recent_returns={"chipping": 0.3},
    )


_CHAIN: Final = Chain("cleaned_dry", "bond_wait", 1.8)


def _chain_early(plan: Plan) -> Plan:
    more = (Cause("cleaned_dry", "debonding", np.log(4.0)),)
    return replace(plan, causes=plan.causes + more, chains=(_CHAIN,))


def _chain_late(plan: Plan) -> Plan:
    more = (Cause("bond_wait", "debonding", np.log(4.0)),)
    return replace(plan, causes=plan.causes + more, chains=(_CHAIN,))


def _back_filled(plan: Plan) -> Plan:
    return replace(plan, gaps=0.15, back_filled=0.6)


def _bad_lot(plan: Plan) -> Plan:
    lot = BadLot("chipping", np.log(5.0), weeks=9, share=0.7, harmless="layers_pressed", missed_more=1.5)
    return replace(plan, bad_lot=lot)


def _lamp(plan: Plan) -> Plan:
    return replace(
        plan,
        causes=(*plan.causes, Cause("lamp_hours", "discoloration", np.log(2.5))),
        recent_weeks=40,
        only_recent="lamp_hours",
        recent_returns={"discoloration": 0.4, "surface": 0.4},
    )


def _one_technician(plan: Plan) -> Plan:
    return replace(
        plan,
        only_technician="polish",
        only_technician_returns={"surface": 1.0, "discoloration": 0.8, "chipping": 0.5},
    )


def _interaction(plan: Plan) -> Plan:
    return replace(
        plan,
        causes=(
            *plan.causes,
            Cause("cleaned_dry", "debonding", np.log(1.3)),
            Cause("opaquer_cure", "debonding", np.log(1.3)),
        ),
        together=(Together("cleaned_dry", "opaquer_cure", "debonding", np.log(8.0)),),
    )


def _thresholds(plan: Plan) -> Plan:
    return replace(plan, clinic_returns=0.7, silent_clinics=0.35, clinic_rush=1.2)


def _haste(plan: Plan) -> Plan:
    return replace(plan, haste=0.9)


def _orders(plan: Plan) -> Plan:
    return replace(plan, case_size=2.5, case_spread=0.8, shared_misses=0.7)


_TOLD: Final = "usual difficulties only"
SCENARIOS: Final = {
    one.name: one
    for one in (
        Scenario("plain", _TOLD, _usual),
        Scenario("confounded", "difficulty drives who works, what is missed and what returns", _confounded),
        Scenario("small", "1,500 restorations, about 80 returns", _small),
        Scenario("null", "no miss does anything; difficulty and technicians do", _null),
        Scenario("gaps", "misses and rush orders are recorded less often; rush orders return more often", _gaps),
        Scenario(
            "drifting",
            "in the last months more is delivered, one cause is missed less and harmless steps more",
            _drifting,
            reserved=("frame_seated", "layers_pressed"),
        ),
        Scenario(
            "chain_early",
            "an early miss raises a later one; only the early one causes",
            _chain_early,
            reserved=("cleaned_dry", "bond_wait"),
        ),
        Scenario(
            "chain_late",
            "an early miss raises a later one; only the late one causes",
            _chain_late,
            reserved=("cleaned_dry", "bond_wait"),
        ),
        Scenario("back_filled", "after a return the slip is filled in as met", _back_filled),
        Scenario(
            "bad_lot",
            "nine weeks of a bad lot, in which a harmless step is missed more",
            _bad_lot,
            reserved=("layers_pressed",),
        ),
        Scenario(
            "lamp",
            "lamp over its hours only in the last nine months, in which other things change too",
            _lamp,
            reserved=("lamp_hours",),
            cannot_be_told=frozenset({("lamp_hours", "discoloration"), ("lamp_hours", "surface")}),
        ),
        Scenario(
            "one_technician",
            "one step is missed by one technician only, whose work returns more anyway",
            _one_technician,
            reserved=("polish",),
            cannot_be_told=frozenset({("polish", d) for d in ("surface", "discoloration", "chipping")}),
        ),
        Scenario(
            "interaction", "two misses do harm mostly together", _interaction, reserved=("cleaned_dry", "opaquer_cure")
        ),
        Scenario(
            "thresholds",
            "a third of the clinics hardly report; clinics that press for time get more misses",
            _thresholds,
        ),
        Scenario("haste", "the misses of one restoration go together", _haste),
        Scenario("orders", "restorations of one order share misses and unseen causes of returns", _orders),
    )
}


def make_lab(name: str, seed: int) -> Lab:
    """The lab of one scenario and seed."""
    scenario = SCENARIOS[name]
    # Another lab for each scenario, and not the same draws in another dress.
    own = int(np.random.SeedSequence([seed, zlib.crc32(name.encode())]).generate_state(1)[0])
    rng = np.random.default_rng(own)
    plan = Plan(
        restorations=int(rng.integers(2200, 4400)),
        returns=int(rng.integers(180, 440)),
        technicians=int(rng.integers(4, 9)),
        clinics=int(rng.integers(15, 35)),
        months=int(rng.integers(20, 32)),
        causes=_causes(rng, scenario.reserved),
    )
    return draw_lab(scenario.change(plan), seed=own, cannot_be_told=scenario.cannot_be_told)


def _causes(rng: np.random.Generator, reserved: tuple[str, ...]) -> tuple[Cause, ...]:
    """Seven plausible pairs, no more than two of one defect."""
    left = [PLAUSIBLE[k] for k in rng.permutation(len(PLAUSIBLE)) if PLAUSIBLE[k][0] not in reserved]
    chosen: list[Pair] = []
    for pair in left:
        if sum(defect == pair[1] for _factor, defect in chosen) < 2:
            chosen.append(pair)
    ratios = rng.permutation(_ODDS_RATIOS)
    return tuple(Cause(*pair, float(np.log(ratio))) for pair, ratio in zip(chosen, ratios, strict=False))
