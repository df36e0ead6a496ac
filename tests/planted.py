"""A lab with one planted cause and one confounder, drawn from a seed, as a snapshot."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np

from remakes.records.snapshot import Snapshot
from tests.labs import snapshot, standard

END = date(2025, 12, 31)


def planted_lab(
    seed: int, *, restorations: int = 3000, odds_ratio: float = 4.0, confounding: float = 3.0, gaps: float = 0.1
) -> Snapshot:
    """Bond waits cut short cause debonding; bruxism causes chipping and goes to the technician who polishes less.

    Parameters
    ----------
    odds_ratio
        Of debonding, per month at risk, with the wait cut short.
    confounding
        Odds ratio of chipping with bruxism; polish has no effect whatever.
    gaps
        Share of readings not recorded.
    """
    rng = np.random.default_rng(seed)
    units, log, returns = [], [], []
    for number in range(restorations):
        name = f"R{number:05d}"
        hard = rng.random() < 0.3
        person = "T01" if rng.random() < (0.8 if hard else 0.2) else "T02"
        delivered = date(2024, 1, 2) + timedelta(days=int(rng.integers(0, 550)))
        units.append(
            {
                "restoration_id": name,
                "technician": person,
                "clinic": f"C{int(rng.integers(0, 12)):02d}",
                "difficulty": "bruxism" if hard else "",
                "delivered_on": delivered.isoformat(),
            }
        )
        short = rng.random() < 0.15
        rough = rng.random() < (0.35 if person == "T01" else 0.05)
        for step, reading, value in (
            ("bonding", "wait_s", "100" if short else "200"),
            ("finishing", "polished", "no" if rough else "yes"),
            ("layering", "mm", "1.2"),
        ):
            if rng.random() >= gaps:
                log.append({"restoration_id": name, "step": step, "reading": reading, "value": value})
        hazards = {
            "debonding": 0.002 * (odds_ratio if short else 1.0),
            "chipping": 0.003 * (confounding if hard else 1.0),
        }
        returns += list(_returns(rng, name, delivered, hazards))
    return snapshot(units, log, returns, by=standard(), observed_until=END)


def _returns(rng: np.random.Generator, name: str, delivered: date, hazards: dict[str, float]) -> Any:
    months = int((END - delivered).days / 30.4375)
    for defect, hazard in hazards.items():
        month = int(rng.geometric(hazard)) - 1
        if month < months:
            day = delivered + timedelta(days=int((month + rng.random()) * 30.4375))
            yield {
                "return_id": f"{name}{defect}",
                "restoration_id": name,
                "reported_on": min(day, END).isoformat(),
                "defect": defect,
                "disposition": "repaired",
            }
