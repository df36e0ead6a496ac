"""Codes that are scanned at the bench: a restoration, a machine, a lot; and what is in use at each step today."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date
from typing import Final, Literal

from sqlalchemy import Connection, select, true

from remakes.records import schema
from remakes.records.bench.pieces import read_piece
from remakes.records.cells import plain_text
from remakes.records.drafts import keep_draft, load_draft
from remakes.records.store import Store
from remakes.records.typed_text import one_line, pseudonym
from remakes.texts import t

__all__ = ["Meaning", "StepCodes", "in_use", "known_values", "meanings", "use_at_step"]

Meaning = Literal["restoration", "equipment", "lot"]
_WHAT: Final = "bench codes"


@dataclass(frozen=True, slots=True, kw_only=True)
class StepCodes:
    """Who, on which machine, with which lot; blank is not recorded."""

    operator: str = ""
    equipment: str = ""
    lot: str = ""


def meanings(store: Store, code: str) -> tuple[Meaning, ...]:
    """What is a scanned code known as?

    Returns
    -------
    tuple of Meaning
        A number of a restoration goes before all else; a code may be known as a machine and as a lot; empty
        for one never seen.
    """
    code = code.strip()
    if not code:
        return ()
    kinds: tuple[Meaning, ...] = ("equipment", "lot")
    with store.reader() as connection:
        if read_piece(connection, code) is not None:
            return ("restoration",)
        return tuple(kind for kind in kinds if _seen_as(connection, kind, code))


def in_use(store: Store, *, owner: str, today: date) -> Mapping[str, StepCodes]:
    """What this person uses at each step today, as scanned or typed; nothing is carried over from another day."""
    draft = load_draft(store, _WHAT, owner=owner)
    if draft is None or draft.content.get("day") != today.isoformat():
        return {}
    return {step: StepCodes(**one) for step, one in draft.content["steps"].items()}


def use_at_step(store: Store, step: str, codes: StepCodes, *, owner: str, today: date) -> StepCodes:
    """From now on, today, this person works at this step with this machine and lot.

    Raises
    ------
    EntryError
        A code that is too long, or a person's that holds a blank.
    """
    codes = StepCodes(
        operator=pseudonym(codes.operator, t("code of who did it")) if codes.operator.strip() else "",
        equipment=one_line(codes.equipment, t("code of the machine")) if codes.equipment.strip() else "",
        lot=one_line(codes.lot, t("code of the lot")) if codes.lot.strip() else "",
    )
    kept = {**in_use(store, owner=owner, today=today), step: codes}
    content = {"day": today.isoformat(), "steps": {name: asdict(one) for name, one in kept.items()}}
    keep_draft(store, _WHAT, content, owner=owner)
    return codes


def known_values(store: Store, step: str, reading: str, *, most: int = 8) -> tuple[str, ...]:
    """The words that the records hold for a reading, as they were typed, in order of the alphabet.

    What was taken back, as it was typed by mistake, is not offered again.
    """
    log, bench = schema.process_log.c, schema.bench_readings.c
    found: set[str] = set()
    with store.reader() as connection:
        for table, counts in ((log, true()), (bench, bench.voided_at.is_(None))):
            named = (table.step == step) & (table.reading == reading)
            query = select(table.value).where(named, counts).distinct().limit(4 * most)
            found.update(text for one in connection.scalars(query) if (text := plain_text(one)))
    return tuple(sorted(found)[:most])


def _seen_as(connection: Connection, kind: Meaning, code: str) -> bool:
    for table in (schema.bench_readings, schema.process_log):
        if connection.scalar(select(table.c.id).where(table.c[kind] == code).limit(1)) is not None:
            return True
    steps = connection.scalars(select(schema.drafts.c.content).where(schema.drafts.c.what == _WHAT))
    return any(one.get(kind) == code for content in steps for one in content["steps"].values())
