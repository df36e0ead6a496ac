"""The fields of a requirement: its rule, the cases it is for, its days and its words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import streamlit as st

from remakes import words
from remakes.records.codes import DEFECTS
from remakes.records.requirements import RULE_KINDS, Requirement, Rule, RuleKind
from remakes.records.standard_edits import COMMON_PRACTICE
from remakes.texts import later, lowered, t
from remakes.views import fields

__all__ = [
    "COLUMNS",
    "KINDS",
    "cases_fields",
    "cases_said",
    "defects_field",
    "rule_fields",
    "rule_said",
    "words_fields",
]

KINDS: Final[Mapping[RuleKind, str]] = {
    "at_least": later("at least"),
    "at_most": later("at most"),
    "between": later("between two numbers"),
    "one_of": later("one of these words"),
    "none_of": later("none of these words"),
}
COLUMNS: Final[Mapping[str, str]] = {
    "veneer": later("Veneer"),
    "framework": later("Framework"),
    "kind": later("Kind of restoration"),
    "difficulty": later("Difficulty"),
    "clinic": later("Clinic"),
    "technician": later("Technician"),
}


def rule_said(one: Requirement) -> str:
    """The rule of a requirement in words: `at least 180 s`."""
    rule, unit = one.rule, one.unit or ""
    match rule.kind:
        case "at_least":
            return t("at least {low:g} {unit}", low=rule.low, unit=unit).rstrip()
        case "at_most":
            return t("at most {high:g} {unit}", high=rule.high, unit=unit).rstrip()
        case "between":
            return t("{low:g} to {high:g} {unit}", low=rule.low, high=rule.high, unit=unit).rstrip()
        case "one_of":
            return words.listed(map(words.code, rule.values), joint="or")
        case _:
            return t("not {words}", words=words.listed(map(words.code, rule.values), joint="or"))


def cases_said(one: Requirement) -> str:
    """The cases a requirement is for, in words."""
    if not one.applies_when:
        return t("all")
    return "; ".join(
        f"{lowered(COLUMNS[column])}: {words.listed(map(words.code, values), joint='or')}"
        for column, values in one.applies_when.items()
    )


def rule_fields(suffix: str, start: Rule | None) -> Rule | None:
    """Kind of rule and its limits; None while something is missing."""
    kinds = list(RULE_KINDS)
    kind = st.radio(
        t("The reading has to be"),
        kinds,
        index=kinds.index(start.kind) if start else 0,
        format_func=lambda one: str(t(KINDS[one])),
        horizontal=True,
        key=f"kind_{suffix}",
    )
    begin = start if start and start.kind == kind else Rule(kind=kind)
    if begin.numeric:
        return _numbers(suffix, kind, begin)
    typed = st.text_input(
        t("Words, with commas between them"), value=", ".join(begin.values), key=f"values_{kind}_{suffix}"
    )
    values = tuple(dict.fromkeys(one.strip() for one in typed.split(",") if one.strip()))
    return Rule(kind=kind, values=values) if values else None


def _numbers(suffix: str, kind: RuleKind, begin: Rule) -> Rule | None:
    left, right = st.columns(2)
    low = high = None
    if kind in ("at_least", "between"):
        low = fields.number_field(t("At least"), key=f"low_{kind}_{suffix}", value=begin.low, place=left)
        if low is None:
            return None
    if kind in ("at_most", "between"):
        place = left if kind == "at_most" else right
        high = fields.number_field(t("At most"), key=f"high_{kind}_{suffix}", value=begin.high, place=place)
        if high is None:
            return None
    return Rule(kind=kind, low=low, high=high)


def cases_fields(
    suffix: str, start: Mapping[str, tuple[str, ...]], known: Mapping[str, tuple[str, ...]]
) -> dict[str, tuple[str, ...]]:
    """Which cases it is for; a column without a word stands for all."""
    found: dict[str, tuple[str, ...]] = {}
    places = st.columns(2)
    for place, (column, label) in zip(places * len(COLUMNS), COLUMNS.items(), strict=False):
        begin = list(start.get(column, ()))
        chosen = place.multiselect(
            t(label),
            sorted({*known.get(column, ()), *begin}),
            default=begin,
            accept_new_options=True,
            placeholder=t("all"),
            key=f"case_{column}_{suffix}",
        )
        if chosen:
            found[column] = tuple(sorted(one.strip() for one in chosen))
    return dict(sorted(found.items()))


def defects_field(suffix: str, start: tuple[str, ...]) -> tuple[str, ...]:
    """The defects that a miss can plausibly lead to."""
    chosen = st.multiselect(
        t("A miss may lead to"),
        list(DEFECTS),
        default=[one for one in start if one in DEFECTS],
        format_func=words.defect,
        placeholder=t("none: the requirement serves as a comparison"),
        key=f"may_{suffix}",
    )
    return tuple(chosen)


def words_fields(suffix: str, one: Requirement | None) -> tuple[str, str]:
    """What it says at the bench, and where it comes from."""
    says = st.text_input(t("What it says at the bench"), value=(one and one.says) or "", key=f"says_{suffix}")
    source = st.text_input(
        t("Source: the instructions or data sheet with its date"),
        value=t((one and one.source) or COMMON_PRACTICE),
        key=f"source_{suffix}",
    )
    # What nobody has looked up is kept in one wording, whoever types.
    source = source.strip()
    return says.strip(), COMMON_PRACTICE if source == t(COMMON_PRACTICE) else source
