"""What the unrecorded steps could do to a finding.

Not recorded is neither met nor missed, so the finding rests on the recorded restorations. Four questions stand
beside it, each within the finding's own adjustment set: does the gap itself go with returns; what if none, or
all, of the unrecorded were missed; how unlike the recorded would they have to be to erase the finding; and what
does the finding become when they are filled in from what else is known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite, nan
from typing import Any, Final

import numpy as np

from remakes.counts.table import PatternTable
from remakes.deviations.detect import MET, MISSED, NOT_APPLICABLE, NOT_RECORDED
from remakes.errors import FitError
from remakes.evidence.checks.filled_in import FilledIn, signed_root_of
from remakes.evidence.checks.imputation import Imputed, MissModel, impute
from remakes.evidence.checks.tipping import TippingPoint, tipping_point, tipping_share
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.evidence.models.adjusted import LEAST_RETURNS, missed_share
from remakes.evidence.models.adjustment import Background, pair_design
from remakes.evidence.models.logistic import FIT_TOLERANCE, fit
from remakes.evidence.models.profile_interval import LIMIT_TOLERANCE, ProfileInterval, profile
from remakes.records.standard import ProcessStandard
from remakes.texts import run_on, t

__all__ = ["Gap", "NotRecorded", "not_recorded"]

#: Completed tables of the sensitivity run. With half of the information missing the variance is then 2.5 % above that
#: of endlessly many (1 + 0.5 / 20; Rubin 1987, 4.1).
_IMPUTATIONS: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Not recorded against recorded, met or missed: the odds ratio of a return, and its p."""

    odds_ratio: Estimate
    p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NotRecorded:
    """One finding held against its unrecorded restorations.

    Attributes
    ----------
    factor, defect : str
    recorded, unrecorded : int
        Restorations the requirement applies to.
    returns_unrecorded : int
        Returns with the defect among the unrecorded.
    found : Estimate
        The finding: the odds ratio among recorded restorations.
    gap : Gap
    likely_share : float
        Share of the unrecorded that would be misses at their technicians' recorded shares.
    if_none_missed, if_all_missed : Estimate
        The odds ratio had none, or all, of the unrecorded been missed. These are two answers, not bounds: what
        lies between them may give less than both, or more.
    lowest, highest : Estimate
        Bounds: the odds ratio had just the unrecorded that did not come back been missed, or just those that did.
    tipping_share : float or None
        The share of misses among the unrecorded, the same for returned and not returned ones, nearest to
        `likely_share` at which the interval's lower end lies at or below 1; None if no share does.
    tipping : TippingPoint or None
        None if no share among the returned ones does, or if there is nothing to erase.
    imputed : Imputed or None
        None in brief, and where no miss model could be fitted.
    why_not : str
        Empty, or why figures are missing.
    """

    factor: str
    defect: str
    recorded: int
    unrecorded: int
    returns_unrecorded: int
    found: Estimate
    gap: Gap
    likely_share: float
    if_none_missed: Estimate
    if_all_missed: Estimate
    lowest: Estimate
    highest: Estimate
    tipping_share: float | None
    tipping: TippingPoint | None
    imputed: Imputed | None
    why_not: str = ""

    @property
    def fragile(self) -> bool:
        """Whether the unrecorded restorations could reasonably undo the finding.

        The finding lies above 1, and either the interval after imputation does not, or the tipping point is
        reached where, among the unrecorded, missed and returned have no more to do with each other than by
        chance (odds ratio 1 or more). The rule is our own choice.
        """
        if not self.found.low > 1.0:
            return False
        if self.imputed is not None and self.imputed.odds_ratio.low <= 1.0:
            return True
        return self.tipping is not None and self.tipping.odds_ratio >= 1.0

    @property
    def sentence(self) -> str:
        """What a technician reads."""
        if self.why_not:
            return self.why_not
        return run_on(self.gap_in_words, self.filled_in_words, self.tipping_in_words)

    @property
    def gap_in_words(self) -> str:
        """How large the gap is, and whether it goes with returns."""
        size = t(
            "Not recorded for {unrecorded} of {recorded} restorations, of which {returns_unrecorded} came back.",
            unrecorded=self.unrecorded,
            recorded=self.recorded + self.unrecorded,
            returns_unrecorded=self.returns_unrecorded,
        )
        return self.why_not or run_on(size, _gap_words(self.gap))

    @property
    def filled_in_words(self) -> str:
        """What the odds ratio would be with the gaps filled; blank in brief."""
        if not isfinite(self.if_none_missed.estimate):
            return ""
        found: object = self.found
        if self.imputed:
            found = t(
                "{found} among the recorded; filled in from what else is known, {odds_ratio}",
                found=self.found,
                odds_ratio=self.imputed.odds_ratio,
            )
        else:
            found = t("{found} among the recorded", found=self.found)
        return t(
            "The odds ratio is {found}; {estimate:.2f} had none of the others "
            "been missed, {estimate_2:.2f} had all, and whatever they were, it lies between "
            "{estimate_3:.2f} and {estimate_4:.2f}.",
            found=found,
            estimate=self.if_none_missed.estimate,
            estimate_2=self.if_all_missed.estimate,
            estimate_3=self.lowest.estimate,
            estimate_4=self.highest.estimate,
        )

    @property
    def tipping_in_words(self) -> str:
        """What it takes to undo the finding; blank where there is nothing to undo."""
        tips = self.tipping
        if not self.found.low > 1.0:
            return ""
        if tips is None:
            return t("Even if none of the returned ones was a miss, the finding stands.")
        if tips.odds_ratio >= self.found.estimate:
            return t("With the gaps filled in by what the recorded steps make likely, the finding does not stand.")
        return run_on(
            t(
                "The finding stands as long as more than {share_returned:.0%} of the returned ones were "
                "misses; from the recorded steps {expected_share:.0%} is to be expected.",
                share_returned=tips.share_returned,
                expected_share=tips.expected_share,
            ),
            t("The finding leans on steps nobody wrote down.") if self.fragile else "",
        )

    def as_json(self) -> dict[str, Any]:
        """For findings; figures that cannot be had are null."""
        return {
            "factor": self.factor,
            "defect": self.defect,
            "recorded": self.recorded,
            "unrecorded": self.unrecorded,
            "returns_unrecorded": self.returns_unrecorded,
            "gap_odds_ratio": self.gap.odds_ratio.as_json() | {"p": self.gap.p if isfinite(self.gap.p) else None},
            "likely_share": self.likely_share if isfinite(self.likely_share) else None,
            "if_none_missed": self.if_none_missed.as_json(),
            "if_all_missed": self.if_all_missed.as_json(),
            "lowest": self.lowest.as_json(),
            "highest": self.highest.as_json(),
            "tipping_share": self.tipping_share,
            "tipping": self.tipping.as_json() if self.tipping else None,
            "imputed": self.imputed.as_json() if self.imputed else None,
            "fragile": self.fragile,
            "sentence": self.sentence,
        }


def _gap_words(gap: Gap) -> str:
    if not isfinite(gap.odds_ratio.estimate):
        return ""
    if gap.p < 0.05 and gap.odds_ratio.estimate > 1:
        return t(
            "The gap itself goes with more returns (odds ratio {odds_ratio}): ask why it was left blank.",
            odds_ratio=gap.odds_ratio,
        )
    if gap.p < 0.05:
        return t(
            "The gap itself goes with fewer returns (odds ratio {odds_ratio}): ask why it was left blank.",
            odds_ratio=gap.odds_ratio,
        )
    return t("The gap itself does not clearly go with returns (odds ratio {odds_ratio}).", odds_ratio=gap.odds_ratio)


def not_recorded(
    table: PatternTable,
    background: Background,
    standard: ProcessStandard,
    *,
    factor: str,
    found: Estimate,
    imputations: int = _IMPUTATIONS,
    seed: int = 0,
) -> NotRecorded:
    """Could the steps that nobody wrote down undo a finding?

    Parameters
    ----------
    table : PatternTable
    background : Background
        Of the defect.
    standard : ProcessStandard
    factor : str
    found : Estimate
        The finding: the odds ratio among the recorded restorations, within the same adjustment set.
    imputations : int
        Completed tables of the sensitivity run, at least 2; 0: in brief, without that run, the bounds and the
        tipping share.
    seed : int
        Of the imputations.

    Returns
    -------
    NotRecorded
        Readings written after the return was known count as not recorded here as everywhere; since only returned
        restorations have such readings, they raise the odds ratio of the gap.

    References
    ----------
    Greenland S, Finkle WD. American Journal of Epidemiology 142:1255-1264 (1995), on what filling in may and
    may not repair. Yan X, Lee S, Li N. Journal of Biopharmaceutical Statistics 19:1085-1098 (2009), for tipping
    points of two groups.
    """
    counts = table.counts(factor, background.defect)
    known, unknown = counts.met + counts.missed, counts.not_recorded
    answer = NotRecorded(
        factor=factor,
        defect=background.defect,
        recorded=known,
        unrecorded=unknown,
        returns_unrecorded=counts.returns_not_recorded,
        found=found,
        gap=Gap(odds_ratio=UNKNOWN, p=nan),
        likely_share=nan,
        if_none_missed=UNKNOWN,
        if_all_missed=UNKNOWN,
        lowest=UNKNOWN,
        highest=UNKNOWN,
        tipping_share=None,
        tipping=None,
        imputed=None,
    )
    if not unknown:
        return replace(answer, why_not=t("Recorded for every restoration it applies to: nothing can hide in gaps."))
    if not known:
        return replace(answer, why_not=t("Never recorded: there is nothing to hold the gaps against."))
    answer = replace(answer, gap=_gap(table, background, standard, factor))
    if not isfinite(found.estimate):
        return replace(answer, why_not=t("The recorded restorations give no odds ratio, so gaps cannot change it."))
    try:
        return _held_against(answer, table, background, standard, imputations=imputations, seed=seed)
    except FitError as error:
        return replace(answer, why_not=t("The unrecorded restorations could not be filled in: {error}", error=error))


def _gap(table: PatternTable, background: Background, standard: ProcessStandard, factor: str) -> Gap:
    """Compare not recorded with recorded as if it were a missed requirement of its own."""
    own = table.status_of(factor)
    status = table.status.copy()
    status[:, table.factors.index(factor)] = np.select(
        [own == NOT_APPLICABLE, own == NOT_RECORDED], [NOT_APPLICABLE, MISSED], MET
    )
    retold = replace(table, status=status)
    if background.events[own != NOT_APPLICABLE].sum() < LEAST_RETURNS:
        return Gap(odds_ratio=UNKNOWN, p=nan)
    try:
        pair = pair_design(retold, background, standard, factor=factor, unrecorded=np.zeros(table.patterns))
        best = fit(pair.design, start=pair.start, tolerance=FIT_TOLERANCE)
        interval = profile(pair.design, best, 0, tolerance=LIMIT_TOLERANCE)
    except FitError:
        return Gap(odds_ratio=UNKNOWN, p=nan)
    return Gap(odds_ratio=_odds_ratio(interval), p=interval.p)


def _odds_ratio(interval: ProfileInterval) -> Estimate:
    return Estimate(*(float(np.exp(value)) for value in (interval.estimate, interval.low, interval.high)))


def _held_against(
    answer: NotRecorded,
    table: PatternTable,
    background: Background,
    standard: ProcessStandard,
    *,
    imputations: int,
    seed: int,
) -> NotRecorded:
    filled = FilledIn(table, background, standard, answer.factor)
    rows = filled.unrecorded
    likely = missed_share(table, answer.factor)[rows.pattern]
    answer = replace(answer, likely_share=float(np.average(likely, weights=rows.number)))
    if answer.found.low > 1.0:
        answer = replace(answer, tipping=tipping_point(filled, likely=likely, found=answer.found.estimate))
    if not imputations:
        return answer
    returned = rows.returned.astype(np.float64)
    none, every, lowest, highest = (
        filled.interval(missed)[1] for missed in (np.zeros(len(likely)), np.ones(len(likely)), 1.0 - returned, returned)
    )
    answer = replace(
        answer,
        if_none_missed=_odds_ratio(none),
        if_all_missed=_odds_ratio(every),
        lowest=_odds_ratio(lowest),
        highest=_odds_ratio(highest),
        imputed=_imputed(table, background, filled, answer.factor, imputations=imputations, seed=seed),
    )
    if not answer.found.low > 1.0:
        return answer
    share = tipping_share(filled, likely=answer.likely_share, none=signed_root_of(none), every=signed_root_of(every))
    return replace(answer, tipping_share=share)


def _imputed(
    table: PatternTable, background: Background, filled: FilledIn, factor: str, *, imputations: int, seed: int
) -> Imputed | None:
    try:
        model = MissModel(table, background, filled, factor)
        return impute(filled, model, imputations=imputations, seed=seed)
    except (FitError, np.linalg.LinAlgError):
        return None
