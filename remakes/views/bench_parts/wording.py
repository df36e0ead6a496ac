"""Limits, values and pieces of the bench in words."""

from __future__ import annotations

from datetime import datetime

from remakes import words
from remakes.records.bench.asked import Asked
from remakes.records.bench.pieces import Piece
from remakes.records.bench.readings import Standing
from remakes.records.requirements import Requirement
from remakes.texts import either, t

__all__ = ["asks", "clock", "limit", "name", "piece_in_words", "standing_in_words", "status"]


def limit(one: Requirement) -> str:
    """A limit with its unit: `at least 180 s`."""
    rule, unit = one.rule, one.unit or ""
    match rule.kind:
        case "at_least" | "at_most" | "between" if not unit:
            return str(rule)
        case "at_least":
            return t("at least {low:g} {unit}", low=rule.low, unit=unit)
        case "at_most":
            return t("at most {high:g} {unit}", high=rule.high, unit=unit)
        case "between":
            return t("{low:g} to {high:g} {unit}", low=rule.low, high=rule.high, unit=unit)
        case "one_of":
            return either(words.code(value) for value in rule.values)
        case _:
            return t("not {values}", values=either(words.code(value) for value in rule.values))


def name(asked: Asked) -> str:
    """What a reading is called, for a place that reads Markdown."""
    return words.plain(asked.name)


def asks(asked: Asked) -> str:
    """What a reading must be, and what the standard says of it, for a place that reads Markdown."""
    says = dict.fromkeys(words.plain(one.says) for one in asked.requirements if one.says)
    limits = dict.fromkeys(words.plain(limit(one)) for one in asked.requirements)
    parts = [*says] or [name(asked)]
    return t(
        "**{says}** ({reading}: {limits})",
        says="; ".join(parts),
        reading=name(asked),
        limits="; ".join(limits),
    )


def status(asked: Asked, one: Standing | None) -> str:
    """Shape and words: how a reading stands to its limit."""
    if one is None:
        return t("○ not recorded")
    if one.not_done:
        return t("✗ not done")
    return t("▲ outside the limit") if asked.missed(one.value) else t("✓ kept")


def standing_in_words(asked: Asked, one: Standing | None) -> str:
    """The reading that stands, how it stands to its limit, when and by whom, for a place that reads Markdown."""
    if one is None:
        return status(asked, None)
    value = words.plain(f"{one.value} {asked.unit}".strip())
    shown = t("{status}: **{value}**", status=status(asked, one), value=value)
    details = [
        t("at {time}", time=clock(one.recorded_at)) if one.recorded_at else "",
        t("late entry") if one.late else "",
        words.plain(one.operator or ""),
        t("machine {code}", code=words.plain(one.equipment)) if one.equipment else "",
        t("lot {code}", code=words.plain(one.lot)) if one.lot else "",
        t("because: {reason}", reason=words.plain(one.reason)) if one.reason else "",
    ]
    return " · ".join([shown, *(part for part in details if part)])


def clock(when: datetime) -> str:
    """A moment of the lab's clock: the time alone would leave open which day."""
    day = when.date().isoformat()
    return day if (when.hour, when.minute, when.second) == (0, 0, 0) else f"{day} {when:%H:%M}"


def piece_in_words(piece: Piece) -> str:
    """Kind, teeth and materials of a piece."""
    teeth = t("teeth {teeth}", teeth=piece.teeth) if piece.teeth else t("teeth not recorded")
    veneer = words.code(piece.veneer) if piece.veneer else t("veneer not recorded")
    framework = words.code(piece.framework) if piece.framework else t("framework not recorded")
    return t(
        "{kind}, {teeth}, {veneer} on {framework}",
        kind=words.code(piece.kind),
        teeth=teeth,
        veneer=veneer,
        framework=framework,
    )
