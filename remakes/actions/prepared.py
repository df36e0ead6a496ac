"""Everything about a list of actions that takes time, worked out once: what is left then answers at once.

`prepare` fits, draws and sums. Which action comes first, what it is worth at other costs, over other horizons or
half kept up are then sums over the same draws, so that two answers differ by what was asked and not by luck.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from remakes.actions.effects import DRAWS, SPREADS, draw_effects
from remakes.actions.joint import JointEffects, joint_effects
from remakes.actions.worth import DefectModel, Left, defect_model
from remakes.counts.table import DAYS_PER_MONTH, PatternTable
from remakes.deviations.detect import NOT_APPLICABLE
from remakes.errors import InputError
from remakes.evidence.checks.power import MonthsToTell, months_to_tell
from remakes.evidence.findings import Finding
from remakes.evidence.models.base import BaseModels
from remakes.records.corrective_actions import CorrectiveAction, Costs
from remakes.texts import t

__all__ = ["Portfolio", "Prepared", "Worth", "kept_up_of", "prepare"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Worth:
    """Draws of what a set of actions avoids and saves per month."""

    avoided: Floats
    saved: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """Draws for a table, its findings, and the factors that some actions correct.

    Attributes
    ----------
    table : PatternTable
    findings : tuple of Finding
    models : tuple of DefectModel
        One for each defect that some action may spare.
    wanted : set of str
        Factors that the actions correct.
    horizon : int
        Months of service whose returns count.
    months : float
        Of deliveries in the records, at least 1.
    outlook : dict
        How much longer until a pair can be told, by (factor, defect), as far as it was asked for.
    """

    table: PatternTable
    findings: tuple[Finding, ...]
    models: tuple[DefectModel, ...]
    wanted: frozenset[str]
    horizon: int
    months: float
    outlook: dict[tuple[str, str], MonthsToTell] = field(default_factory=dict, repr=False, compare=False)

    def months_to_tell(self, factor: str, defect: str) -> MonthsToTell:
        """How much longer until a large effect of this pair would show, as its finding says or would say."""
        pair = factor, defect
        if pair not in self.outlook:
            one = next(f for f in self.findings if (f.factor, f.defect) == pair)
            self.outlook[pair] = one.months or months_to_tell(
                self.table, factor=factor, defect=defect, log_se=one.adjusted.log_se
            )
        return self.outlook[pair]

    def over(self, horizon: int | None) -> Prepared:
        """The same draws over another horizon; None: as prepared.

        Raises
        ------
        InputError
            A horizon that is not 1 to 60 months.
        """
        if horizon is None or horizon == self.horizon:
            return self
        if not 1 <= horizon <= 60:
            raise InputError(
                t("A horizon of {horizon} months was asked for. Give 1 to 60 months; 12 is usual.", horizon=horizon)
            )
        return replace(self, horizon=horizon)

    def portfolio(self, costs: Costs) -> Portfolio:
        """No action yet."""
        returns = tuple(model.returns(self.horizon) / self.months for model in self.models)
        return Portfolio(
            left=tuple(model.as_is() for model in self.models),
            returns=returns,
            spared=tuple(np.zeros(DRAWS) for _ in self.models),
            per_return=tuple(costs.of_return(model.defect) for model in self.models),
            corrected={},
        )

    def restorations_per_month(self, action: CorrectiveAction) -> float:
        """To how many restorations an action applies."""
        known = [self.table.factors.index(factor) for factor in action.corrects if factor in self.table.factors]
        if not known:
            return 0.0
        concerned = (self.table.status[:, known] != NOT_APPLICABLE).any(axis=1)
        return float(self.table.restorations[concerned].sum()) / self.months

    def cost_per_month(self, action: CorrectiveAction, costs: Costs) -> float:
        """What an action costs a month; its one-off cost is spread over the horizon."""
        each = action.cost_per_restoration + action.minutes_per_restoration * costs.per_minute
        return self.restorations_per_month(action) * each + action.cost_once / self.horizon


@dataclass(frozen=True, slots=True, kw_only=True)
class Portfolio:
    """What is left of the returns when some actions are taken.

    Attributes
    ----------
    left : tuple of Left
        By defect.
    returns, spared : tuple of (draws,) arrays
        Returns a month as things are, and the share of them that is spared, by defect.
    per_return : tuple of float
        What one return costs, by defect.
    corrected : mapping of factor to share
        Of its misses, removed by the actions taken so far; two actions on one factor act in turn.
    """

    left: tuple[Left, ...]
    returns: tuple[Floats, ...]
    spared: tuple[Floats, ...]
    per_return: tuple[float, ...]
    corrected: Mapping[str, float]

    def worth(self) -> Worth:
        """What the actions taken avoid and save a month."""
        avoided, saved = np.zeros(DRAWS), np.zeros(DRAWS)
        for returns, spared, cost in zip(self.returns, self.spared, self.per_return, strict=True):
            avoided += returns * spared
            saved += returns * spared * cost
        return Worth(avoided, saved)

    def worth_with(self, corrects: Mapping[str, float]) -> Worth:
        """The same with one more action."""
        return replace(self, spared=self._spared_with(corrects)).worth()

    def with_action(self, corrects: Mapping[str, float]) -> Portfolio:
        """One more action is taken."""
        corrected = self._corrected_with(corrects)
        left = tuple(one.after(corrected) if self._touched(one, corrects) else one for one in self.left)
        return replace(self, left=left, spared=self._spared_with(corrects), corrected=corrected)

    def _spared_with(self, corrects: Mapping[str, float]) -> tuple[Floats, ...]:
        corrected = self._corrected_with(corrects)
        return tuple(
            one.spared(corrected) if self._touched(one, corrects) else spared
            for one, spared in zip(self.left, self.spared, strict=True)
        )

    def _corrected_with(self, corrects: Mapping[str, float]) -> dict[str, float]:
        more = {factor: 1.0 - (1.0 - self.corrected.get(factor, 0.0)) * (1.0 - s) for factor, s in corrects.items()}
        return dict(self.corrected) | more

    @staticmethod
    def _touched(one: Left, corrects: Mapping[str, float]) -> bool:
        return any(factor in corrects for factor in one.model.factors)


def prepare(
    table: PatternTable,
    findings: Sequence[Finding],
    actions: Sequence[CorrectiveAction],
    *,
    horizon: int = 12,
    seed: int = 0,
    spreads: Sequence[float] = SPREADS,
    base: BaseModels | None = None,
) -> Prepared:
    """Fit and draw all that a list of these actions needs; costs and effort may change afterwards.

    Parameters
    ----------
    table : PatternTable
    findings : sequence of Finding
        All findings of this table.
    actions : sequence of CorrectiveAction
        Their factors are prepared for; other actions on the same factors may be ranked, too.
    horizon : int
        Months of service whose returns count.
    seed : int
        Of the draws; the same seed gives the same draws.
    spreads : sequence of float
        Of the common prior of effects, see `draw_effects`; another one is for checks.
    base : BaseModels, optional
        Of this table, if the caller has them.
    """
    wanted = frozenset(factor for action in actions for factor in action.corrects)
    rng = np.random.default_rng(seed)
    models: tuple[DefectModel, ...] = ()
    joint: tuple[JointEffects, ...] = joint_effects(table, findings, base=base) if wanted else ()
    if joint:
        # All defects are drawn, whether asked for or not: each tells the others how strong effects are here.
        drawn = draw_effects(joint, rng=rng, spreads=spreads).effects
        models = tuple(
            defect_model(table, one, effects, wanted=wanted, rng=rng)
            for one, effects in zip(joint, drawn, strict=True)
            if wanted & set(one.factors)
        )
    days = (table.last_delivered - table.first_delivered).days + 1
    return Prepared(
        table=table,
        findings=tuple(findings),
        models=models,
        wanted=wanted,
        horizon=horizon,
        months=max(days / DAYS_PER_MONTH, 1.0),
    )


def kept_up_of(actions: Sequence[CorrectiveAction], kept_up: Mapping[str, float] | None) -> dict[str, dict[str, float]]:
    """Which share of each factor's misses does each action really remove?

    Parameters
    ----------
    actions : sequence of CorrectiveAction
    kept_up : mapping of action to number, optional
        By which its `corrects` are multiplied, 0 (not kept up at all) to 1; left out: 1.

    Raises
    ------
    InputError
        A multiplier outside 0 to 1, or of an action that is not in the list.
    """
    given = dict(kept_up or {})
    unknown = sorted(set(given) - {action.action for action in actions})
    if unknown:
        known = ", ".join(action.action for action in actions) or "none"
        raise InputError(
            t(
                "Kept up was given for {items}, which is not in the list. There are: {known}.",
                items=", ".join(unknown),
                known=known,
            )
        )
    for name, share in given.items():
        if not 0.0 <= share <= 1.0:
            raise InputError(
                t(
                    "Kept up of {name} was given as {share:g}. Give a share of 0 to 1; 0.5 is half.",
                    name=name,
                    share=share,
                )
            )
    return {
        action.action: {factor: share * given.get(action.action, 1.0) for factor, share in action.corrects.items()}
        for action in actions
    }
