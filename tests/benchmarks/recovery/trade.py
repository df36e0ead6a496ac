"""The invented process standard of all benchmark labs, and how its defects come about in time.

Requirements, limits and what each may cause: common practice, no source. Shapes in time: invented, so that
fit is complained of at try-in, debonding in the first months and chipping and discoloration later.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.records.requirements import ProcessStandard, Requirement, Rule

__all__ = ["DEFECTS", "FACTORS", "MONTHS", "NAMES", "PLAUSIBLE", "START", "Factor", "profiles", "standard"]

Floats = NDArray[np.float64]

#: First day of delivery in every lab.
START: Final = date(2023, 1, 2)
#: Months of service that hazards are known for.
MONTHS: Final = 36

STEPS: Final = ("framework", "blasting", "bonding", "opaquer", "layering", "final cure", "finishing", "checking")
DEFECTS: Final = (
    "chipping",
    "debonding",
    "discoloration",
    "show_through",
    "margin_fit",
    "occlusion",
    "surface",
)
_METAL: Final = {"framework": ("base metal", "noble metal")}
_COMPOSITE: Final = {"veneer": ("lab composite",)}
_TICKED: Final = Rule(kind="one_of", values=("yes",))


@dataclass(frozen=True, slots=True, kw_only=True)
class Factor:
    """One requirement: what is written down if it was met, and if it was missed.

    Attributes
    ----------
    name, step : str
    may_cause : tuple of str
    rule : Rule
    met, missed : tuple of str
        Readings to draw from.
    applies_when : dict
        Column to values; empty: to all.
    """

    name: str
    step: str
    may_cause: tuple[str, ...]
    rule: Rule = _TICKED
    met: tuple[str, ...] = ("yes",)
    missed: tuple[str, ...] = ("no",)
    applies_when: dict[str, tuple[str, ...]] | None = None


def _at_least(limit: float, above: str, below: str) -> dict[str, object]:
    rule = Rule(kind="at_least", low=limit)
    return {"rule": rule, "met": tuple(above.split()), "missed": tuple(below.split())}


def _at_most(limit: float, below: str, above: str) -> dict[str, object]:
    rule = Rule(kind="at_most", high=limit)
    return {"rule": rule, "met": tuple(below.split()), "missed": tuple(above.split())}


def _factor(name: str, step: str, may_cause: str, numbers: dict[str, object] | None = None, **more: object) -> Factor:
    return Factor(name=name, step=step, may_cause=tuple(may_cause.split()), **(numbers or {}), **more)  # type: ignore[arg-type]


#: In order of work.
FACTORS: Final = (
    _factor("frame_thickness", "framework", "chipping", _at_least(0.3, "0.3 0.35 0.4 0.5", "0.15 0.2 0.25")),
    _factor("frame_seated", "framework", "margin_fit"),
    _factor("margin_marked", "framework", "margin_fit"),
    _factor("grit_uses", "blasting", "debonding", _at_most(8, "1 2 3 4 5 6 7 8", "9 10 11 14"), applies_when=_METAL),
    _factor("blast_pressure", "blasting", "debonding", _at_least(2, "2 2.2 2.5 2.8", "1.5 1.8"), applies_when=_METAL),
    _factor("cleaned_dry", "blasting", "debonding chipping"),
    _factor("bond_wait", "bonding", "debonding chipping", _at_least(180, "180 185 190 200 220", "60 90 120 150")),
    _factor("opaquer_coats", "opaquer", "show_through debonding", _at_least(2, "2 3", "1"), applies_when=_METAL),
    _factor("opaquer_cure", "opaquer", "debonding discoloration", _at_least(20, "20 22 25 30", "5 10 15")),
    _factor("veneer_thickness", "layering", "chipping show_through", _at_least(1, "1 1.1 1.2 1.4", "0.6 0.7 0.8 0.9")),
    _factor("layer_thickness", "layering", "chipping discoloration", _at_most(2, "1 1.2 1.5 1.8 2", "2.2 2.5 3")),
    _factor("layer_cure", "layering", "chipping discoloration", _at_least(20, "20 22 25 30", "5 10 15")),
    _factor("layers_pressed", "layering", "chipping surface"),
    _factor("lamp_hours", "final cure", "discoloration surface", _at_most(1000, "100 400 700 950", "1050 1200 1500")),
    _factor("final_cure", "final cure", "discoloration surface chipping", _at_least(11, "11 11.5 12 13", "6 8 9 10")),
    _factor("cover_gel", "final cure", "surface discoloration", applies_when=_COMPOSITE),
    _factor("finishing_order", "finishing", "surface"),
    _factor("polish", "finishing", "surface discoloration"),
    _factor("bite_checked", "checking", "occlusion chipping"),
    _factor("model_checked", "checking", "margin_fit occlusion"),
)
NAMES: Final = tuple(factor.name for factor in FACTORS)
#: (factor, defect) pairs that the standard calls plausible.
PLAUSIBLE: Final = tuple((factor.name, defect) for factor in FACTORS for defect in factor.may_cause)


def standard() -> ProcessStandard:
    """The process standard, in force before the first delivery."""
    return ProcessStandard(
        title="Invented lab",
        steps=STEPS,
        requirements=tuple(
            Requirement(
                factor=factor.name,
                step=factor.step,
                reading=f"{factor.name}_read",
                rule=factor.rule,
                applies_when=factor.applies_when or {},
                may_cause=factor.may_cause,
                valid_from=date(2022, 1, 1),
            )
            for factor in FACTORS
        ),
    )


def profiles() -> Floats:
    """Relative odds of a return by month of service, (defects, MONTHS) array.

    Smooth in months: the analysis, which takes hazards as common within wider and wider bins, is not helped.
    """
    month = np.arange(MONTHS, dtype=np.float64)
    early = np.exp(-month / 0.7)
    shapes = {
        "chipping": 0.35 + 0.65 * -np.expm1(-month / 6.0),
        "debonding": 0.35 + np.exp(-month / 3.0),
        "discoloration": 0.05 - np.expm1(-month / 9.0),
        "show_through": early + 0.02,
        "margin_fit": early + 0.015,
        "occlusion": early + 0.01,
        "surface": np.exp(-month / 2.5) + 0.06,
    }
    return np.stack([shapes[defect] for defect in DEFECTS])
