"""The process standard written as its file, and a changed requirement held against what the file may say."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from remakes.errors import EntryError
from remakes.records.requirements import ProcessStandard, Requirement, Rule
from remakes.records.standard import requirement_columns
from remakes.records.standard_file import StandardFileError, parse_standard
from remakes.records.toml_blocks import Mistake
from remakes.records.toml_writing import block, line
from remakes.texts import t

__all__ = ["checked_requirement", "mistakes_of", "refuse", "same_or_tighter", "standard_as_toml"]


def standard_as_toml(standard: ProcessStandard) -> str:
    """The standard as the file that a person edits and the importer reads; comments of a former file are not kept."""
    head = [line("title", standard.title)] if standard.title else []
    head.append(line("steps", list(standard.steps)))
    return "\n\n".join(["\n".join(head), *map(_block, standard.requirements)]) + "\n"


def _block(one: Requirement) -> str:
    content = requirement_columns(one)
    values: dict[str, Any] = {name: content[name] for name in ("factor", "step", "reading", "unit")}
    values |= content["rule"]
    if one.applies_when:
        values["applies_when"] = {column: list(each) for column, each in one.applies_when.items()}
    values |= {name: content[name] for name in ("may_cause", "valid_from", "valid_until", "says", "source")}
    return block("[[requirement]]", values)


def checked_requirement(
    standard: ProcessStandard, new: Requirement, *, instead_of: tuple[Requirement, ...]
) -> Requirement:
    """The requirement as the standard file would read it; refused for what the file would be refused for."""
    try:
        alone = parse_standard(
            standard_as_toml(ProcessStandard(steps=standard.steps, requirements=(new,))), file="standard"
        )
    except StandardFileError as error:
        refuse(error.mistakes)
        raise
    (new,) = alone.requirements
    kept = tuple(one for one in standard.requirements if one not in instead_of)
    before = {(one.key, one.seen, one.needed) for one in mistakes_of(standard)}
    after = mistakes_of(replace(standard, requirements=(*kept, new)))
    # What was at odds before the change is no fault of the change.
    refuse([one for one in after if (one.key, one.seen, one.needed) not in before])
    return new


def mistakes_of(standard: ProcessStandard) -> tuple[Mistake, ...]:
    """What its file would be refused for; empty where it would be taken."""
    try:
        parse_standard(standard_as_toml(standard), file="standard")
    except StandardFileError as error:
        return error.mistakes
    return ()


def refuse(mistakes: Sequence[Mistake]) -> None:
    """Stop a change for these mistakes; go on where there is none.

    Raises
    ------
    EntryError
        Names every one of them.
    """
    if mistakes:
        told = (f"{one.key} = {one.seen}: {one.needed}" if one.seen else f"{one.key}: {one.needed}" for one in mistakes)
        raise EntryError("\n".join([t("Nothing was saved. Put this right and save again:"), *told]))


def same_or_tighter(old: Requirement, new: Requirement) -> bool:
    """Does whatever keeps the new requirement keep the old one, for all cases that the old one is for?

    False where that cannot be said: another kind of rule, another unit or reading.
    """
    if (old.step, old.reading, old.unit) != (new.step, new.reading, new.unit):
        return False
    return _implies(new.rule, old.rule) and all(
        column in old.applies_when and _words(old.applies_when[column]) <= _words(values)
        for column, values in new.applies_when.items()
    )


def _words(values: Iterable[str]) -> set[str]:
    return {one.casefold() for one in values}


def _implies(new: Rule, old: Rule) -> bool:
    if new.numeric != old.numeric:
        return False
    if new.numeric:
        low_kept = old.low is None or (new.low is not None and new.low >= old.low)
        high_kept = old.high is None or (new.high is not None and new.high <= old.high)
        return low_kept and high_kept
    if new.kind != old.kind:
        return False
    fewer, more = (new, old) if new.kind == "one_of" else (old, new)
    return _words(fewer.values) <= _words(more.values)
