"""What would be worth knowing before acting, and what it takes to know it.

Knowing one effect better is worth something only where it could change what is done. The decision looked at is
the one a lab takes: one action to begin with, or none. For each factor the net values of all actions are
averaged over the draws in which its effects are alike; choosing by those averages, instead of by the overall
ones, gains what perfect knowledge of the factor would be worth. It is a ceiling: no months of records give
perfect knowledge.

References
----------
Strong M, Oakley JE, Brennan A. Medical Decision Making 34:311-326 (2014), for the averages by regression.
Raiffa H, Schlaifer R. Applied Statistical Decision Theory (1961), for the value of information.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from remakes.actions.prepared import Portfolio, Prepared, kept_up_of, prepare
from remakes.counts.table import PatternTable
from remakes.deviations.detect import NOT_APPLICABLE, NOT_RECORDED
from remakes.evidence.findings import Finding
from remakes.records.codes import defect_in_text
from remakes.records.corrective_actions import CorrectiveAction, Costs
from remakes.texts import run_on, t, tn

__all__ = ["WorthKnowing", "information", "value_of_everything", "value_of_knowing", "worth_knowing"]

Floats = NDArray[np.float64]

#: From this share of gaps on, writing the reading down is the first thing to do.
_MANY_GAPS: Final = 0.15
#: Degree of the curve that averages net values over alike draws.
_DEGREE: Final = 3
#: Less than this share of what knowing everything is worth is not distinguishable from nothing with these draws.
_NOTHING: Final = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class WorthKnowing:
    """How much knowing the effects of one factor's misses would be worth.

    Attributes
    ----------
    factor : str
    defects : tuple of str
        Those it may cause and of which the records say anything; the dearest first.
    value_per_month : float
        Gain of the best first step from perfect knowledge, in the lab's currency.
    everything_per_month : float
        The same from perfect knowledge of everything at once: the ceiling of all measuring.
    not_recorded : float
        Share of the restorations concerned whose reading is missing.
    log_it : bool
        Whether recording the reading comes first.
    months_needed : int or None
        Until a large effect on the first defect would show; with every reading recorded where `log_it`. None: too
        long, or not known.
    sentence : str
    """

    factor: str
    defects: tuple[str, ...]
    value_per_month: float
    everything_per_month: float
    not_recorded: float
    log_it: bool
    months_needed: int | None
    sentence: str

    def as_json(self) -> dict[str, Any]:
        """For findings."""
        return {
            "factor": self.factor,
            "defects": list(self.defects),
            "value_per_month": self.value_per_month,
            "everything_per_month": self.everything_per_month,
            "not_recorded": self.not_recorded,
            "log_it": self.log_it,
            "months_needed": self.months_needed,
            "sentence": self.sentence,
        }


def information(
    table: PatternTable,
    findings: Sequence[Finding],
    actions: Sequence[CorrectiveAction],
    costs: Costs,
    *,
    horizon: int = 12,
    seed: int = 0,
) -> tuple[WorthKnowing, ...]:
    """What should be measured before acting?

    Parameters
    ----------
    table : PatternTable
    findings : sequence of Finding
    actions : sequence of CorrectiveAction
    costs : Costs
    horizon : int
    seed : int
        As for `rank`.

    Returns
    -------
    tuple of WorthKnowing
        Factors whose effects could change the first step, the most valuable first; empty where none could, or
        where the lab stated no cost of a return.
    """
    return worth_knowing(prepare(table, findings, actions, horizon=horizon, seed=seed), actions, costs)


def worth_knowing(
    prepared: Prepared,
    actions: Sequence[CorrectiveAction],
    costs: Costs,
    *,
    kept_up: Mapping[str, float] | None = None,
) -> tuple[WorthKnowing, ...]:
    """The same from prepared draws."""
    none_yet, corrects = prepared.portfolio(costs), kept_up_of(actions, kept_up)
    nets = [
        none_yet.worth_with(corrects[a.action]).saved - prepared.cost_per_month(a, costs)
        for a in actions
        if corrects[a.action]
    ]
    if not nets or not prepared.models:
        return ()
    net = np.stack(nets)
    everything = value_of_everything(net)
    found = []
    for factor in sorted(prepared.wanted):
        by_defect = _saved_by(none_yet, factor)
        if by_defect and everything > 0:
            value = min(value_of_knowing(net, np.sum(list(by_defect.values()), axis=0)), everything)
            if value > _NOTHING * everything:
                found.append(_said(prepared, factor, by_defect, value, everything, costs.currency))
    return tuple(sorted(found, key=lambda one: (-one.value_per_month, one.factor)))


def value_of_everything(net: Floats) -> float:
    """What is it worth to know everything before choosing one action or none?

    Parameters
    ----------
    net : (actions, draws) array
        Net value of each.

    Returns
    -------
    float
        Mean of the best in each draw, less the best mean; doing nothing is worth 0. Never below 0.
    """
    return max(float(np.maximum(net.max(axis=0), 0.0).mean()) - max(float(net.mean(axis=1).max()), 0.0), 0.0)


def value_of_knowing(net: Floats, quantity: Floats) -> float:
    """What is it worth to know one quantity before choosing one action or none?

    Parameters
    ----------
    net : (actions, draws) array
    quantity : (draws,) array
        Draws of the quantity, with the draws of `net` they belong to.

    Returns
    -------
    float
        0 where the quantity does not vary.

    Notes
    -----
    The mean of each net value given the quantity is a cubic in it, by least squares.
    """
    if len(np.unique(quantity)) <= _DEGREE or np.ptp(quantity) <= 1e-12 * max(float(np.abs(quantity).max()), 1e-300):
        return 0.0
    # Beyond three standard deviations the curve is held flat, so that no stray draw bends it.
    z = (quantity - quantity.mean()) / quantity.std()
    basis = np.linalg.qr(np.vander(np.clip(z, -3.0, 3.0), _DEGREE + 1))[0]
    return value_of_everything((basis @ (basis.T @ net.T)).T)


def _saved_by(none_yet: Portfolio, factor: str) -> dict[str, Floats]:
    """What an end of one factor's misses would save a month, by defect: the effects alone vary, not the returns."""
    saved = {}
    for left, returns, cost in zip(none_yet.left, none_yet.returns, none_yet.per_return, strict=True):
        if factor in left.model.factors:
            saved[left.model.defect] = float(returns.mean()) * cost * left.spared({factor: 1.0})
    return saved


def _said(
    prepared: Prepared,
    factor: str,
    by_defect: Mapping[str, Floats],
    value: float,
    everything: float,
    currency: str,
) -> WorthKnowing:
    defects = tuple(sorted(by_defect, key=lambda defect: (-float(by_defect[defect].std()), defect)))
    gaps = _not_recorded(prepared.table, factor)
    months = prepared.months_to_tell(factor, defects[0])
    log_it = gaps >= _MANY_GAPS
    needed = months.months_if_recorded if log_it and months.months_if_recorded is not None else months.months
    return WorthKnowing(
        factor=factor,
        defects=defects,
        value_per_month=value,
        everything_per_month=everything,
        not_recorded=gaps,
        log_it=log_it,
        months_needed=needed,
        sentence=_sentence(factor, defects[0], value, currency, gaps if log_it else 0.0, needed),
    )


def _not_recorded(table: PatternTable, factor: str) -> float:
    status = table.status_of(factor)
    concerned = float(table.restorations[status != NOT_APPLICABLE].sum())
    return float(table.restorations[status == NOT_RECORDED].sum()) / concerned if concerned else 0.0


def _sentence(factor: str, defect: str, value: float, currency: str, gaps: float, needed: int | None) -> str:
    worth = _figure(value)
    said = [
        t(
            "To know how strongly misses of {factor} go with {defect} would be worth up to {worth} a month, because it "
            "could change what is done first.",
            factor=factor,
            defect=defect_in_text(defect),
            worth=t("{worth} {currency}", worth=worth, currency=currency) if currency else worth,
        )
    ]
    if gaps:
        said.append(t("Its reading is missing for {gaps:.0%} of the restorations: record it first.", gaps=gaps))
    return run_on(*said, _when_known(needed, after_recording=gaps > 0.0))


def _when_known(needed: int | None, *, after_recording: bool) -> str:
    if needed is None:
        return t("Months of records alone will not tell soon; a planned trial or several labs together would.")
    if needed == 0:
        return t("The records are long enough to show a large effect; more months narrow a smaller one.")
    if after_recording:
        return tn(
            needed,
            "A large effect would show in about {n} month from then on.",
            "A large effect would show in about {n} months from then on.",
        )
    return tn(needed, "A large effect would show in about {n} month.", "A large effect would show in about {n} months.")


def _figure(value: float) -> str:
    # Numbers get the signs of the language within t.
    if value >= 10:
        return t("{value:.0f}", value=value)
    return t("{value:.1f}", value=value) if value >= 1 else t("{value:.2g}", value=value)
