"""The figures of sources and what is said about them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from remakes.counts.sources import Source, SourceCounts
from remakes.counts.table import PatternTable
from remakes.evidence.estimate import UNKNOWN, Estimate
from remakes.records.codes import defect_in_text
from remakes.texts import in_a_row, raised, run_on, t, tn
from remakes.trends.poisson import poisson_interval
from remakes.trends.sources.figures import ALL, SourceFigure, Sources
from remakes.trends.sources.naming import Judgement
from remakes.trends.sources.shrunken_ratios import GammaPrior, gamma_prior
from remakes.trends.sources.standardized import Compared

__all__ = ["TooFew", "counts_only", "figures", "in_words", "too_few"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Returns below which no source is compared with another.
_FEWEST_RETURNS: Final = 5


@dataclass(frozen=True, slots=True)
class TooFew:
    """How to call one source, what to record, and where."""

    one: str
    record: str
    where: str


def too_few(counted: SourceCounts, table: PatternTable, kinds: frozenset[str], words: TooFew) -> str:
    """What is missing for a comparison; "" if nothing is."""
    chosen = [one for one in counted.sources if one.what in kinds]
    if not chosen:
        return t(
            "No {one} is recorded. To compare them, record {record} in {where}.",
            one=words.one,
            record=words.record,
            where=words.where,
        )
    if len({(one.what, one.step) for one in chosen}) == len(chosen):
        return t("Each step has a single {one} on record, so there is nothing to compare it with.", one=words.one)
    rows = np.zeros(counted.rows, dtype=np.bool_)
    wanted = np.array([one.what in kinds for one in counted.sources], dtype=np.bool_)
    rows[counted.member_row[wanted[counted.member_source]]] = True
    returns = int(counted.event_count[rows[counted.event_row]].sum())
    if returns < _FEWEST_RETURNS:
        return tn(
            returns,
            "{n} return of restorations with a recorded {one} so far; it takes at least {least} before any can be "
            "compared.",
            "{n} returns of restorations with a recorded {one} so far; it takes at least {least} before any can be "
            "compared.",
            one=words.one,
            least=_FEWEST_RETURNS,
        )
    return ""


def figures(counted: SourceCounts, compared: Compared, judged: Judgement, plausible: Flags) -> list[SourceFigure]:
    """Every source with "all", with its plausible defects, and with any other it has."""
    made, still = _made_with(counted, compared.sources)
    names = (*compared.defects, ALL)
    priors = _priors(compared, judged, plausible)
    wanted = plausible | (judged.observed > 0)
    wanted[:, -1] = True
    return [
        _figure(
            compared.sources, judged, int(s), int(d), names[d], int(made[s]), int(still[s]), priors[compared.group[s]]
        )
        for s, d in zip(*np.nonzero(wanted), strict=True)
    ]


def _figure(
    sources: tuple[Source, ...],
    judged: Judgement,
    s: int,
    d: int,
    defect: str,
    made: int,
    still: int,
    prior: GammaPrior,
) -> SourceFigure:
    observed, expected, source = int(judged.observed[s, d]), float(judged.expected[s, d]), sources[s]
    return SourceFigure(
        what=source.what,
        code=source.code,
        step=source.step,
        defect=defect,
        restorations=made,
        still_in_service=still,
        observed=observed,
        expected=expected,
        raw=_raw(observed, expected),
        ratio=prior.ratio(observed, expected),
        p=float(judged.p[s, d]),
        q=float(judged.q[s, d]),
        stands_out=bool(judged.named[s, d]),
        hard_to_tell_from=tuple(str(sources[other]) for other in judged.rivals.get((s, d), ())),
    )


def counts_only(
    counted: SourceCounts, table: PatternTable, kinds: frozenset[str], plausible: Flags, missing: str
) -> Sources:
    """Every source with what it has, and nothing judged."""
    chosen = [k for k, one in enumerate(counted.sources) if one.what in kinds]
    made, still = _made_with(counted, counted.sources)
    observed = np.zeros((counted.rows, len(table.defects)))
    np.add.at(observed, (counted.event_row, counted.event_defect), counted.event_count)
    found = []
    for place, k in enumerate(chosen):
        own = observed[counted.member_row[counted.member_source == k]].sum(axis=0)
        for d, (defect, seen) in enumerate(zip((*table.defects, ALL), (*own, own.sum()), strict=True)):
            if defect == ALL or seen or plausible[place, d]:
                found.append(_counted(counted.sources[k], defect, int(seen), int(made[k]), int(still[k])))
    return Sources(figures=tuple(found), tested=0, enough=False, missing=missing, sentence=missing)


def _counted(source: Source, defect: str, observed: int, made: int, still: int) -> SourceFigure:
    nan = float("nan")
    return SourceFigure(
        what=source.what,
        code=source.code,
        step=source.step,
        defect=defect,
        restorations=made,
        still_in_service=still,
        observed=observed,
        expected=nan,
        raw=UNKNOWN,
        ratio=UNKNOWN,
        p=nan,
        q=nan,
        stands_out=False,
    )


def in_words(found: list[SourceFigure], tested: int, what: str) -> str:
    """Which stand out, or that none does and what that is worth."""
    named = sorted((one for one in found if one.stands_out), key=lambda one: one.p)
    if not named:
        return t(
            "None of the {what} stands out among {tested:,} comparisons. One with few returns can still "
            "be bad: if it tripled a defect that is expected five times, it would be found in about four "
            "of ten cases.",
            what=what,
            tested=tested,
        )
    return run_on(*(_named(one) for one in named))


def _named(one: SourceFigure) -> str:
    told = t(
        "{name} stands out: {observed} returns with {defect} where {expected:.1f} were "
        "expected. The ratio, drawn towards the others, is {estimate:.1f} ({low:.1f} to {high:.1f}).",
        name=raised(one.name),
        observed=one.observed,
        defect=defect_in_text(one.defect),
        expected=one.expected,
        estimate=one.ratio.estimate,
        low=one.ratio.low,
        high=one.ratio.high,
    )
    if one.hard_to_tell_from:
        told = run_on(
            told,
            t(
                "It went with much the same restorations as {items}; the returns alone cannot tell which of them it "
                "is.",
                items=in_a_row(one.hard_to_tell_from),
            ),
        )
    return told


def _made_with(counted: SourceCounts, sources: tuple[Source, ...]) -> tuple[Floats, Floats]:
    """Restorations of each source, and those still in service."""
    size = len(counted.sources)
    place = [counted.sources.index(one) for one in sources]

    def of(values: NDArray[np.int64]) -> Floats:
        return np.bincount(counted.member_source, values[counted.member_row], minlength=size)[place].astype(np.float64)

    return of(counted.restorations), of(counted.still_in_service)


def _priors(compared: Compared, judged: Judgement, plausible: Flags) -> list[GammaPrior]:
    """One for each kind and step, from all single defects that are plausible there."""
    single = plausible.copy()
    single[:, -1] = False
    usable = single & np.isfinite(judged.expected)
    found = []
    for group in range(int(compared.group.max(initial=-1)) + 1):
        mine = usable & (compared.group == group)[:, None]
        found.append(gamma_prior(judged.observed[mine], judged.expected[mine]))
    return found


def _raw(observed: int, expected: float) -> Estimate:
    if not expected > 0:
        return UNKNOWN
    low, high = poisson_interval(observed)
    return Estimate(observed / expected, low / expected, high / expected)
