"""What happened to one restoration, in order: work, delivery, returns, photos, and who changed what."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Final

from sqlalchemy import Connection, Row, and_, or_, select

from remakes.records import schema
from remakes.records.bench.asked import Asked, asked_of
from remakes.records.bench.moments import on_the_clock
from remakes.records.bench.pieces import as_piece, read_piece
from remakes.records.bench.timers import Timer
from remakes.records.codes import DEFECTS, FOUND_AT, SEVERITIES
from remakes.records.defect_questions import question_of
from remakes.records.harm import harm_notes
from remakes.records.look_up import RecordedReturn, RestorationRecord, restoration_record, unknown_restoration
from remakes.records.requirements import Requirement
from remakes.records.standard import read_standard
from remakes.records.store import Store
from remakes.texts import later, t

__all__ = ["HistoryEvent", "restoration_history"]

#: A number as the log holds it; its digits are shown as they stand.
_NUMBER: Final = re.compile(r"-?[0-9]+([.][0-9]+)?")
#: How the log answers a tick.
_YES_NO: Final = (later("yes"), later("no"))
#: What the audit calls a change, and what a reader sees. New entries stand in the time line by themselves.
_CHANGES: Final[Mapping[str, str]] = {
    "correct return": later("return corrected"),
    "link remake": later("linked as a remake"),
    "take back link": later("link taken back"),
    "enter restoration": later("restoration entered by hand"),
    "take back photo": later("photo taken back"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryEvent:
    """One line of a restoration's time line; `on` is None where no day was recorded.

    Attributes
    ----------
    at : datetime or None
        The time of day on the lab's clock, where it was recorded.
    says : str
        For a reading: what it is about, in the standard's own words; blank where the standard has none.
    needed : str
        For a reading: what the standard in force asked for.
    status : str
        For a reading: met, missed or not recorded; blank where the standard asks for nothing, or where a later
        reading of the same thing counts.
    late : bool
        Typed afterwards, not at the step.
    """

    on: date | None
    what: str
    detail: str = ""
    who: str = ""
    at: datetime | None = None
    says: str = ""
    needed: str = ""
    status: str = ""
    late: bool = False


def restoration_history(store: Store, restoration_id: str, *, today: date | None = None) -> tuple[HistoryEvent, ...]:
    """What happened to this restoration, in order?

    Parameters
    ----------
    today : date, optional
        The day whose standard counts for work that has not left the lab yet; default: today.

    Returns
    -------
    tuple of HistoryEvent
        By day; within a day work comes before delivery and delivery before returns. What has no recorded day
        stands at the end: where it belongs is not known. Required readings without any row are there, too, as
        not recorded; of work that has not left the lab they are merely open and left out.

    Raises
    ------
    EntryError
        There is no such number, neither delivered nor begun.
    """
    restoration_id = restoration_id.strip()
    with store.reader() as connection:
        record = restoration_record(connection, restoration_id)
        begun = _begun(connection, restoration_id)
        if record is None and begun is None:
            raise unknown_restoration(connection, restoration_id)
        required = _required(connection, restoration_id, begun, today or date.today())
        readings = [*_log(connection, restoration_id, required), *_bench(connection, restoration_id, required)]
        events = [
            *_before_work(record, begun),
            *_judged(readings, required, record),
            *_timers(connection, restoration_id),
            *_after_work(record),
            *_replacements(connection, restoration_id),
            *_photos(connection, restoration_id),
            *_harm(connection, restoration_id),
            *_changes(connection, restoration_id, record),
        ]
    # A stable sort: within a day the order above holds.
    return tuple(sorted(events, key=lambda event: event.on or date.max))


def _begun(connection: Connection, restoration_id: str) -> Row[Any] | None:
    table = schema.open_work
    found: Row[Any] | None = connection.execute(
        select(table).where(table.c.restoration_id == restoration_id)
    ).one_or_none()
    return found


def _required(
    connection: Connection, restoration_id: str, begun: Row[Any] | None, today: date
) -> dict[tuple[str, str], Asked]:
    """By step and reading, what the standard asks of this restoration."""
    piece = read_piece(connection, restoration_id)
    if piece is None and begun is not None:  # given up
        piece = as_piece(begun)
    asked = asked_of(read_standard(connection), piece, today=today) if piece else {}
    return {(one.step, one.reading): one for readings in asked.values() for one in readings}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    step: str
    reading: str
    value: str | None
    event: HistoryEvent
    #: In UTC, of a late entry: when it was typed.
    typed_at: datetime | None


def _log(connection: Connection, restoration_id: str, required: Mapping[tuple[str, str], Asked]) -> Iterator[_Reading]:
    log, bench = schema.process_log, schema.bench_readings
    # The same value written twice within a second is one row of the log with two of the bench.
    copies: dict[int, list[Row[Any]]] = {}
    at_bench = select(bench).where(bench.c.restoration_id == restoration_id, bench.c.process_log_id.is_not(None))
    for row in connection.execute(at_bench.order_by(bench.c.id)):
        copies.setdefault(row.process_log_id, []).append(row)
    # By time of recording, then by row: two readings of one day keep their order.
    query = select(log).where(log.c.restoration_id == restoration_id).order_by(log.c.recorded_at, log.c.id)
    for row in connection.execute(query):
        yield _reading(row, required, copies.get(row.id, ()))


def _bench(
    connection: Connection, restoration_id: str, required: Mapping[tuple[str, str], Asked]
) -> Iterator[_Reading]:
    """What was written at the bench and has not gone into the process log, since the piece is still in the lab."""
    table = schema.bench_readings
    query = select(table).where(
        table.c.restoration_id == restoration_id, table.c.process_log_id.is_(None), table.c.voided_at.is_(None)
    )
    for row in connection.execute(query.order_by(table.c.recorded_at, table.c.id)):
        yield _reading(row, required, (row,))


def _reading(row: Row[Any], required: Mapping[tuple[str, str], Asked], at_bench: Sequence[Row[Any]]) -> _Reading:
    """One reading, with the rows of the bench that it was written by."""
    needed = required.get((row.step, row.reading))
    value = t("not recorded") if row.value is None else _with_unit(row.value, needed)
    parts = [t("{reading} = {value}", reading=row.reading, value=value)]
    if row.equipment:
        parts.append(t("machine {code}", code=row.equipment))
    if row.lot:
        parts.append(t("lot {code}", code=row.lot))
    parts += [t("reason: {reason}", reason=one) for one in dict.fromkeys(each.reason for each in at_bench) if one]
    typed_at = min((one.entered_at for one in at_bench if one.late), default=None)
    event = HistoryEvent(
        on=row.recorded_at and row.recorded_at.date(),
        what=row.step,
        detail=_joined(parts),
        who=row.operator or "",
        at=row.recorded_at,
        says=_says(needed) if needed else "",
        needed=_needed(needed) if needed else "",
        late=typed_at is not None,
    )
    return _Reading(step=row.step, reading=row.reading, value=row.value, event=event, typed_at=typed_at)


def _with_unit(value: str, needed: Asked | None) -> str:
    """As it was recorded, but with the reader's decimal sign and their words for yes and no."""
    first = needed.requirements[0] if needed else None
    if first is None or not first.rule.numeric:
        return t(value) if value in _YES_NO else value
    said = t("{value}", value=Decimal(value)) if _NUMBER.fullmatch(value) else value
    return f"{said} {first.unit}" if first.unit else said


def _says(asked: Asked) -> str:
    return "; ".join(dict.fromkeys(one.says for one in asked.requirements if one.says))


def _needed(asked: Asked) -> str:
    return "; ".join(dict.fromkeys(map(_limit, asked.requirements)))


def _limit(one: Requirement) -> str:
    return f"{one.rule} {one.unit}" if one.unit and one.rule.numeric else str(one.rule)


def _judged(
    readings: list[_Reading], required: Mapping[tuple[str, str], Asked], record: RestorationRecord | None
) -> Iterator[HistoryEvent]:
    counts = {(one.step, one.reading): one for one in _counting(readings, record)}
    for one in readings:
        key = (one.step, one.reading)
        if key in required and counts.get(key) is one:
            yield replace(one.event, status=_status(required[key], one.value))
        else:
            yield one.event
    if record is not None:
        for (step, reading), needed in required.items():
            if (step, reading) not in counts:
                detail = t("{reading} = {value}", reading=reading, value=t("not recorded"))
                yield HistoryEvent(
                    on=None,
                    what=step,
                    detail=detail,
                    says=_says(needed),
                    needed=_needed(needed),
                    status="not recorded",
                )


def _counting(readings: list[_Reading], record: RestorationRecord | None) -> list[_Reading]:
    """The readings that may count, the one that does last: as for every figure of the program.

    One without a time comes before those that have one; what was written after the piece had come back, also
    where it tells of an earlier day, is left out, since who writes it knows how the story ended.
    """
    returned = [
        one.reported_on
        for one in (record.returns if record else ())
        if not one.voided and record is not None and _after_delivery(one, record.delivered_on)
    ]
    first = min(returned, default=date.max)
    timed = sorted((one.event.at, place) for place, one in enumerate(readings) if one.event.at is not None)
    untimed = [one for one in readings if one.event.at is None]
    known = [(at, readings[place]) for at, place in timed]
    return [*untimed, *(one for at, one in known if at.date() <= first and not _knew(one, first))]


def _knew(one: _Reading, first_return: date) -> bool:
    """Was it typed later than the day of the report? In UTC, as where the readings are counted."""
    return one.typed_at is not None and one.typed_at.date() > first_return


def _after_delivery(one: RecordedReturn, delivered_on: date) -> bool:
    return one.found_at != "before_delivery" and one.reported_on >= delivered_on


def _status(needed: Asked, value: str | None) -> str:
    met = [None if value is None else one.rule.met(value) for one in needed.requirements]
    if False in met:
        return "missed"
    return "not recorded" if None in met else "met"


def _before_work(record: RestorationRecord | None, begun: Row[Any] | None) -> Iterator[HistoryEvent]:
    received = record.received_on if record else begun.received_on if begun else None
    replaces = record.remake_of if record else begun.remake_of if begun else None
    detail = t("replaces {number}", number=replaces) if replaces else ""
    if received is not None:
        yield HistoryEvent(on=received, what=t("received"), detail=detail)
    elif replaces:
        yield HistoryEvent(on=None, what=t("ordered"), detail=detail)
    if begun is not None:
        at = on_the_clock(begun.opened_at)
        yield HistoryEvent(on=at.date(), at=at, what=t("begun at the bench"), who=begun.opened_by)


def _timers(connection: Connection, restoration_id: str) -> Iterator[HistoryEvent]:
    table = schema.timers
    query = select(table).where(table.c.restoration_id == restoration_id).order_by(table.c.started_at, table.c.id)
    for row in connection.execute(query):
        at = on_the_clock(row.started_at)
        yield HistoryEvent(on=at.date(), at=at, what=row.step, who=row.started_by, detail=_timer_in_words(row))


def _timer_in_words(row: Row[Any]) -> str:
    if row.stopped_at is None:
        return t("timer for {reading} is running", reading=row.reading)
    # Rounded as the reading that it wrote.
    seconds = Timer(**row._mapping).seconds(row.stopped_at)
    if row.given_up_why:
        return t(
            "timer for {reading} given up after {seconds} s: {why}",
            reading=row.reading,
            seconds=seconds,
            why=row.given_up_why,
        )
    return t("timer for {reading}: {seconds} s", reading=row.reading, seconds=seconds)


def _after_work(record: RestorationRecord | None) -> Iterator[HistoryEvent]:
    if record is None:
        return
    if record.due_on is not None:
        yield HistoryEvent(on=record.due_on, what=t("due"))
    yield HistoryEvent(on=record.delivered_on, what=t("delivered"))
    for one in record.returns:
        yield HistoryEvent(on=one.reported_on, what=t("returned"), detail=_return_in_words(one))
        if one.voided_at is not None:
            at = on_the_clock(one.voided_at)
            yield HistoryEvent(
                on=at.date(),
                at=at,
                what=t("return taken back"),
                detail=t("{number}: {why}", number=one.return_id, why=one.voided_why or ""),
            )


def _replacements(connection: Connection, restoration_id: str) -> Iterator[HistoryEvent]:
    table = schema.restorations
    query = select(table).where(table.c.remake_of == restoration_id).order_by(table.c.delivered_on)
    for row in connection.execute(query):
        detail = t("by {number}", number=row.restoration_id)
        yield HistoryEvent(on=row.delivered_on, what=t("replaced"), detail=detail)


def _photos(connection: Connection, restoration_id: str) -> Iterator[HistoryEvent]:
    table = schema.photos
    query = select(table).where(table.c.restoration_id == restoration_id).order_by(table.c.photo_id)
    for row in connection.execute(query):
        at = on_the_clock(row.added_at)
        detail = t("of return {number}", number=row.return_id)
        yield HistoryEvent(on=at.date(), at=at, what=t("photo added"), detail=detail, who=row.added_by)


def _harm(connection: Connection, restoration_id: str) -> Iterator[HistoryEvent]:
    for one in harm_notes(connection, restoration_id):
        at = on_the_clock(one.at)
        detail = t("{number}: {why}", number=one.return_id, why=one.note)
        what = t("harm dealt with") if one.dealt_with else t("harm opened again")
        yield HistoryEvent(on=at.date(), at=at, what=what, detail=detail, who=one.who)


def _changes(connection: Connection, restoration_id: str, record: RestorationRecord | None) -> Iterator[HistoryEvent]:
    audit, photos = schema.audit, schema.photos
    rows = [str(one.row_id) for one in record.returns] if record else []
    own = connection.scalars(select(photos.c.photo_id).where(photos.c.restoration_id == restoration_id))
    query = select(audit).where(
        audit.c.what.in_(list(_CHANGES)),
        or_(
            and_(audit.c.table_name == "restorations", audit.c.row_key == restoration_id),
            and_(audit.c.table_name == "returns", audit.c.row_key.in_(rows)),
            and_(audit.c.table_name == "photos", audit.c.row_key.in_([str(one) for one in own])),
        ),
    )
    for row in connection.execute(query.order_by(audit.c.id)):
        at = on_the_clock(row.at)
        detail = _change_in_words(row.detail or {})
        yield HistoryEvent(on=at.date(), at=at, what=t(_CHANGES[row.what]), detail=detail, who=row.who)


def _change_in_words(detail: Mapping[str, Any]) -> str:
    before, after = detail.get("before"), detail.get("after")
    if isinstance(before, Mapping) and isinstance(after, Mapping):
        return _joined(
            t("{column}: {before} became {after}", column=name, before=_shown(before[name]), after=_shown(after[name]))
            for name in before
        )
    why = detail.get("why") or ""
    if "remake_of" in detail:
        linked = detail["remake_of"]
        said = t("replaces {number}", number=linked) if linked else t("no longer replaces {number}", number=before)
        return _joined([said, why] if why else [said])
    return str(why)


def _shown(value: object) -> str:
    if value is None or value in ("", {}):
        return t("not recorded")
    if isinstance(value, bool):
        return t("yes") if value else t("no")
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {one}" for name, one in value.items())
    return str(value)


def _return_in_words(one: RecordedReturn) -> str:
    parts: list[str] = [t("{number}: {defect}", number=one.return_id, defect=t(DEFECTS.get(one.defect, one.defect)))]
    if one.teeth:
        parts.append(t("teeth {teeth}", teeth=one.teeth))
    if one.found_at:
        parts.append(t(FOUND_AT.get(one.found_at, one.found_at)))
    if one.severity is not None:
        parts.append(t("severity {level} ({word})", level=one.severity, word=t(SEVERITIES[one.severity])))
    for name, answer in one.extra.items():
        if asked := question_of(name):
            parts.append(f"{t(asked.asks)} {t(asked.answers.get(answer, answer))}")
    if one.disposition:
        parts.append(t(one.disposition))
    if one.harm:
        parts.append(t("possible harm"))
    if one.voided:
        parts.append(t("taken back"))
    return _joined(parts)


def _joined(parts: Iterable[str]) -> str:
    return ", ".join(parts)
