"""Can a finding be believed? One question a line, each answered in a sentence with its number."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Final

from remakes import words
from remakes.evidence.checks.believability import Checks
from remakes.evidence.checks.leave_out import LeaveOut
from remakes.evidence.findings import FOUND_Q, Finding
from remakes.texts import in_english, later, t, tn
from remakes.texts.joining import run_on
from remakes.views import sentences

if TYPE_CHECKING:
    from remakes.evidence.checks.closer_look import CloserLook

__all__ = ["Controls", "answers", "controls_of", "doubts_of", "left", "names_a_person", "verdict"]

_NOT_YET: Final = later("Not looked at yet: look closer.")
_WITHOUT: Final = {
    "technician": later("Does it hang on one technician?"),
    "clinic": later("Does it hang on one clinic?"),
    "quarter": later("Does it hang on one quarter?"),
    "lot": later("Does it hang on one material lot?"),
    "equipment": later("Does it hang on one machine?"),
}
#: How other steps' misses are named in an adjustment set.
_MISSES: Final = "misses of "
#: Remarks that a line of the table gives with its number already.
_IN_THE_TABLE: Final = (
    "A cause nobody recorded could explain",
    "With these records an odds ratio of",
    "The same miss also goes with",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Controls:
    """Defects that a miss is not thought to bring about: going with them would speak against the finding.

    Attributes
    ----------
    looked_at, not_estimable : int
    stand_out : tuple of str
        Codes of those that come back more often with the miss, all pairs weighing the same.
    """

    looked_at: int
    not_estimable: int
    stand_out: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """What the controls say."""
        if not self.looked_at:
            return t("No defect that the miss is not thought to bring about has enough returns to be looked at.")
        few = (
            tn(self.not_estimable, "{n:,} more has too few returns.", "{n:,} more have too few returns.")
            if self.not_estimable
            else ""
        )
        bar = words.per_cent(FOUND_Q, digits=0)
        if not self.stand_out:
            none = tn(
                self.looked_at,
                "No: of {n:,} defect that the miss is not thought to bring about, none goes with it clearly "
                "(false-alarm share below {bar}).",
                "No: of {n:,} defects that the miss is not thought to bring about, none goes with it clearly "
                "(false-alarm share below {bar}).",
                bar=bar,
            )
            return run_on(none, few)
        many, names = self.looked_at, words.listed(words.defect_within(one) for one in self.stand_out)
        told = tn(
            len(self.stand_out),
            "Yes: of {many:,} defects that the miss is not thought to bring about, {names} goes with it "
            "(false-alarm share below {bar}): something else may be behind both.",
            "Yes: of {many:,} defects that the miss is not thought to bring about, {names} go with it "
            "(false-alarm share below {bar}): something else may be behind both.",
            many=many,
            names=names,
            bar=bar,
        )
        return run_on(told, few)


def controls_of(factor: str, findings: Sequence[Finding]) -> Controls:
    """The negative controls of one requirement."""
    outside = [one for one in findings if one.factor == factor and not one.plausible]
    known = [one for one in outside if isfinite(one.adjusted.odds_ratio.estimate)]
    return Controls(
        looked_at=len(known),
        not_estimable=len(outside) - len(known),
        stand_out=tuple(one.defect for one in known if one.q_alike < FOUND_Q and one.adjusted.odds_ratio.estimate > 1),
    )


def doubts_of(finding: Finding, closer: CloserLook | None = None) -> tuple[str, ...]:
    """What speaks against a finding, a sentence each."""
    own = finding.checks.doubts if finding.checks else ()
    said = [one for one in finding.doubts if one not in own]
    checks = closer.checks if closer else finding.checks
    said += checks.doubts if checks else ()
    said += [one.sentence for one in closer.sources if not one.survives] if closer else []
    return tuple(said)


def verdict(finding: Finding, doubts: Sequence[str], *, looked: bool) -> str:
    """The answer before the table."""
    if finding.adjusted.why_not:
        return t("There is no estimate to be doubted: {why}.", why=t(finding.adjusted.why_not))
    if not looked:
        return t("Only findings that are reported are held against all of this beforehand; look closer for this pair.")
    if not doubts:
        return t("No check below speaks against it. Each is a way in which it could have been wrong.")
    return tn(len(doubts), "{n:,} check below speaks against it.", "{n:,} checks below speak against it.")


def answers(finding: Finding, findings: Sequence[Finding], closer: CloserLook | None) -> list[tuple[str, str]]:
    """Question and answer, line by line."""
    checks = closer.checks if closer else finding.checks
    lines: list[tuple[str, str]] = [(t("Are like cases compared?"), _within(finding.compared_within))]
    if finding.adjusted.why_not:
        lines.append((t("Is there an estimate?"), t("No: {why}.", why=t(finding.adjusted.why_not))))
    elif checks:
        lines += _checked(checks, closer)
    else:
        lines.append((t("Does it stand closer checks?"), _NOT_YET))
    lines += [
        (t("Could a hidden cause explain it?"), _hidden(finding)),
        (t("Does the miss go with defects it cannot bring about?"), controls_of(finding.factor, findings).sentence),
        (t("What could have been found?"), _could_have_been_found(finding, closer)),
    ]
    return lines


def _within(names: Sequence[str]) -> str:
    misses = [said.removeprefix(_MISSES) for one in names if (said := in_english(one)).startswith(_MISSES)]
    others = ", ".join(t(one) for one in names if not in_english(one).startswith(_MISSES))
    if misses:
        named = words.listed(misses)
        return t("Within {others}; and within the misses of {misses}.", others=others, misses=named)
    return t("Within {others}.", others=others)


def _checked(checks: Checks, closer: CloserLook | None) -> Iterator[tuple[str, str]]:
    yield t("What if one clinic's, or one technician's, pieces are alike?"), _alike(checks)
    for one in (*checks.left_out, *(closer.sources if closer else ())):
        yield t(_WITHOUT.get(one.attribute, one.attribute)), one.sentence
    gaps = checks.gaps
    for question, answer in (
        (t("Are there gaps in the log?"), gaps.gap_in_words),
        (t("What if the gaps were filled?"), gaps.filled_in_words),
        (t("Could the gaps undo it?"), gaps.tipping_in_words),
    ):
        if answer:
            yield question, answer
    yield t("Is it the same early and late?"), checks.early_late.sentence


def _alike(checks: Checks) -> str:
    if not checks.clustered:
        return t(
            "Cannot be told: too few clinics, and too few technicians, have both missed and kept the "
            "step. The interval may be too narrow."
        )
    shown = checks.widest.source
    used = (
        t("The model's own is no narrower and is shown above.")
        if shown == "model"
        else t("The one by {shown} is the widest and is shown above.", shown=t(shown))
    )
    return run_on(*(one.sentence for one in checks.clustered), used)


def _hidden(finding: Finding) -> str:
    hidden = finding.hidden_cause
    if hidden is None:
        return t("There is no estimate to be explained.")
    if hidden.limit <= 1:
        return t("The range contains 1: chance alone may explain it, and no hidden cause is needed.")
    return t(
        "Only one that goes with the miss and with the return {limit:.1f} times each, beyond all "
        "that was compared (E-value of the interval's end; of the estimate {estimate:.1f}).",
        limit=hidden.limit,
        estimate=hidden.estimate,
    )


def _could_have_been_found(finding: Finding, closer: CloserLook | None) -> str:
    size = words.figure(finding.detectable) if finding.detectable < 100 else t("100 or more")
    said = t("An odds ratio of {size} would have been found four times in five; a smaller one may hide.", size=size)
    months = closer.months if closer else finding.months
    if months is None or finding.reported:
        return said
    more = t(
        "To show {odds:g} times the odds: {how_long}.", odds=months.odds_ratio, how_long=sentences.how_long(months)
    )
    return run_on(said, more)


def left(finding: Finding, closer: CloserLook | None) -> tuple[str, ...]:
    """Remarks about a finding that no line of the table gives."""
    told = {one for checks in (finding.checks, closer and closer.checks) if checks for one in checks.cautions}
    return tuple(one for one in finding.cautions if one not in told and not in_english(one).startswith(_IN_THE_TABLE))


def names_a_person(left_out: Sequence[LeaveOut]) -> bool:
    """Does a sentence name a technician?"""
    return any(one.attribute == "technician" and not (one.survives and one.interval_survives) for one in left_out)
