"""Read `standard.toml`, the process standard as a person edits it, and list every mistake at once."""

from __future__ import annotations

from datetime import date

from remakes.errors import ProcessStandardError
from remakes.records.cells import did_you_mean
from remakes.records.codes import DEFECTS
from remakes.records.requirements import RULE_KINDS, ProcessStandard, Requirement, Rule
from remakes.records.toml_blocks import Block, Blocks, MistakesError, is_number
from remakes.texts import in_a_row, t

__all__ = ["APPLIES_WHEN_COLUMNS", "StandardFileError", "parse_standard"]

#: What a requirement may depend on: columns of the restoration that stand before the work begins.
APPLIES_WHEN_COLUMNS = ("kind", "framework", "veneer", "clinic", "technician", "difficulty")

_KEYS = (
    *("factor", "step", "reading", "unit", *RULE_KINDS),
    *("applies_when", "may_cause", "valid_from", "valid_until", "says", "source"),
)


class StandardFileError(MistakesError, ProcessStandardError):
    """A standard file with mistakes; nothing of it was taken."""


def parse_standard(text: str, *, file: str) -> ProcessStandard:
    """Read a standard file, or say everything that is wrong with it.

    Parameters
    ----------
    text : str
        The content of the TOML file.
    file : str
        Its name, for the messages.

    Raises
    ------
    StandardFileError
        Any mistake: no TOML, an unknown key, step, defect or column, a requirement without exactly one
        rule, a doubled one. The error lists them all, with block, key and line.
    """
    blocks = Blocks(text)
    if not blocks.readable:
        raise StandardFileError(file, blocks.in_order())
    top = blocks.top()
    top.only(("title", "steps", "requirement"))
    title = top.text("title") or ""
    steps = top.texts("steps", of=t("working steps"))
    if top.values.get("steps") == []:
        top.mistake("steps", t("needed is at least one working step"))
    found = blocks.tables("requirement")
    if top.values.get("requirement", []) == []:
        top.mistake("requirement", t("needed is at least one block [[requirement]]"))
    requirements = tuple(_requirement(block, steps) for block in found)
    _refuse_contradictions(found, requirements)
    if blocks.mistakes:
        raise StandardFileError(file, blocks.in_order())
    return ProcessStandard(title=title, steps=steps, requirements=requirements)


def _requirement(block: Block, steps: tuple[str, ...]) -> Requirement:
    block.only(_KEYS)
    step = block.text("step", needed=t("the working step it belongs to")) or ""
    if step and steps and step not in steps:
        block.mistake(
            "step",
            t(
                "no such step; steps names {items}.{did_you_mean}",
                items=", ".join(steps),
                did_you_mean=did_you_mean(step, steps),
            ),
            seen=step,
        )
    valid_from = block.day("valid_from", needed=t("the day from which it holds"))
    valid_until = block.day("valid_until")
    if valid_from and valid_until and valid_until < valid_from:
        block.mistake(
            "valid_until", t("it ends before it begins ({valid_from})", valid_from=valid_from), seen=valid_until
        )
    return Requirement(
        factor=block.text("factor", needed=t("the factor's name")) or "",
        step=step,
        reading=block.text("reading", needed=t("the name of the reading in the process log")) or "",
        unit=block.text("unit"),
        rule=_rule(block),
        applies_when=_applies_when(block),
        may_cause=_may_cause(block),
        valid_from=valid_from or date.min,
        valid_until=valid_until,
        says=block.text("says"),
        source=block.text("source"),
    )


def _rule(block: Block) -> Rule:
    stated = [kind for kind in RULE_KINDS if kind in block]
    if len(stated) != 1:
        have = t("it has {items}", items=in_a_row(stated)) if stated else t("it has none")
        block.mistake(
            stated[1] if stated else "rule",
            t("needed is exactly one of {items}; {have}", items=", ".join(RULE_KINDS), have=have),
        )
        return Rule(kind="one_of")
    kind = stated[0]
    match kind:
        case "at_least":
            return Rule(kind=kind, low=block.number(kind))
        case "at_most":
            return Rule(kind=kind, high=block.number(kind))
        case "between":
            low, high = _ends(block)
            return Rule(kind=kind, low=low, high=high)
        case _:
            values = block.texts(kind, of=t("allowed values") if kind == "one_of" else t("forbidden values"))
            if block.values[kind] == []:
                block.mistake(kind, t("needed is at least one value"))
            return Rule(kind=kind, values=values)


def _ends(block: Block) -> tuple[float, float]:
    ends = block.values["between"]
    if not isinstance(ends, list) or len(ends) != 2 or not all(is_number(end) for end in ends):
        block.mistake("between", t("needed are two numbers, [lowest, highest]"), seen=ends)
        return 0.0, 0.0
    if ends[0] > ends[1]:
        block.mistake("between", t("the lower number must come first"), seen=ends)
    return float(ends[0]), float(ends[1])


def _applies_when(block: Block) -> dict[str, tuple[str, ...]]:
    conditions = block.values.get("applies_when", {})
    if not isinstance(conditions, dict):
        block.mistake("applies_when", t('needed is { column = ["value", ...] }'), seen=conditions)
        return {}
    found = {}
    for column, values in conditions.items():
        if column not in APPLIES_WHEN_COLUMNS:
            known = ", ".join(APPLIES_WHEN_COLUMNS)
            hint = did_you_mean(column, APPLIES_WHEN_COLUMNS)
            block.mistake(
                "applies_when",
                t(
                    "{column} is no column it can depend on; known are {known}.{hint}",
                    column=column,
                    known=known,
                    hint=hint,
                ),
            )
            continue
        if values == []:
            block.mistake(
                "applies_when", t("{column} needs at least one value; leave it out if it applies to all", column=column)
            )
        found[column] = tuple(sorted(block.texts_in("applies_when", values, of=t("values of {column}", column=column))))
    return dict(sorted(found.items()))


def _may_cause(block: Block) -> tuple[str, ...]:
    if "may_cause" not in block:
        block.mistake(
            "may_cause", t("needed is the list of defects it can plausibly cause; [] says that it can cause none")
        )
        return ()
    defects = block.texts("may_cause", of=t("defects"))
    for defect in defects:
        if defect not in DEFECTS:
            known = ", ".join(DEFECTS)
            block.mistake(
                "may_cause",
                t(
                    "no such defect; known are {known}.{did_you_mean}",
                    known=known,
                    did_you_mean=did_you_mean(defect, DEFECTS),
                ),
                seen=defect,
            )
    return defects


def _refuse_contradictions(found: tuple[Block, ...], requirements: tuple[Requirement, ...]) -> None:
    first: dict[tuple[str, date, str], int] = {}
    steps: dict[str, str] = {}
    for n, (block, one) in enumerate(zip(found, requirements, strict=True), start=1):
        if not one.factor:
            continue
        key = (one.factor, one.valid_from, str(one.applies_when))
        if key in first:
            block.mistake(
                "factor",
                t(
                    "the same factor, valid_from and applies_when as block {first}; needed is a later valid_from "
                    "or another applies_when",
                    first=first[key],
                ),
                seen=one.factor,
            )
        first.setdefault(key, n)
        if one.step and steps.setdefault(one.factor, one.step) != one.step:
            block.mistake(
                "step",
                t("factor {factor} stands in step {steps} already", factor=one.factor, steps=steps[one.factor]),
                seen=one.step,
            )
