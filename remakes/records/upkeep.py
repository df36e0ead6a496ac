"""Keep the records safe: a copy while they are in use, and a look at whether they are sound."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sqlalchemy import ColumnElement, Connection, func, select, text

from remakes.errors import StoreError
from remakes.records import schema
from remakes.records.bench.overview import left_lying
from remakes.records.cells import number_from_text
from remakes.records.harm import open_harm_in_words
from remakes.records.photos import copy_photos, photos_left
from remakes.records.standard import ProcessStandard, read_standard
from remakes.records.store import Store, copy_sqlite, now
from remakes.records.undertakings import OPEN
from remakes.texts import later, t, tn

__all__ = ["Finding", "backup", "check"]

_MOST_NAMED = 5

#: What only a file can lose; a server keeps its own.
_TRIGGERS = {
    later("The audit is no longer protected against changes. Restore a backup."): {
        "audit_no_update",
        "audit_no_delete",
    },
    later("The decisions are no longer protected against changes. Restore a backup."): {
        "decision_events_no_update",
        "decision_events_no_delete",
        "decisions_no_delete",
        "decisions_stand",
        "decisions_start_stands",
    },
    later("The plans of trials are no longer protected against changes. Restore a backup."): {
        "trial_plans_no_delete",
        "trial_plans_stand",
    },
    later("What was done about possible harm is no longer protected against changes. Restore a backup."): {
        "harm_notes_no_update",
        "harm_notes_no_delete",
    },
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing `check` found.

    A fault means that figures may be wrong or records lost; a remark says what the figures leave out.
    """

    severity: Literal["fault", "remark"]
    text: str

    def __str__(self) -> str:
        return f"{self.severity}: {self.text}"


def backup(store: Store, to: Path) -> None:
    """Write a consistent copy of the records while others go on working.

    Parameters
    ----------
    store : Store
        On SQLite; the database's own online copy is used.
    to : Path
        The file to write. The copy is made beside it, examined, and only then given this name. Photos go into
        the folder of the same name with ``.photos`` behind, where the program looks for them.

    Raises
    ------
    StoreError
        The file exists, its folder does not, it cannot be written, the copy is damaged, or the store is
        on a database server.
    """
    if store.sqlite_path is None:
        raise StoreError(
            t(
                "{url} is on a database server, which this program does not copy. Use the server's own tool: "
                "pg_dump --format=custom --file=FILE.",
                url=store.url,
            )
        )
    if to.exists():
        raise StoreError(t("{to} exists, and a backup never replaces a file. Give another name.", to=to))
    if not to.parent.is_dir():
        raise StoreError(
            t("The folder {parent} does not exist. Make it first, or give another place.", parent=to.parent)
        )
    part = to.with_name(to.name + ".part")
    try:
        _copy(store, part)
        copy_photos(store, to.with_name(to.name + ".photos"))
        part.rename(to)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(
            t(
                "The backup to {to} failed ({error}). The records are untouched: check the place and its free space.",
                to=to,
                error=error,
            )
        ) from error
    finally:
        part.unlink(missing_ok=True)


def check(store: Store) -> list[Finding]:
    """Are the records sound, and what do they leave out?

    Returns
    -------
    list of Finding
        Faults first; empty where there is nothing to say.
    """
    try:
        with store.reader() as connection:
            findings = [*_damage(connection), *_contradictions(connection)]
            standard = read_standard(connection)
            findings += [*_gaps(connection, standard), *_decisions(connection, standard)]
            lying = [*open_harm_in_words(connection), *left_lying(connection, now())]
            findings += [Finding(severity="remark", text=one) for one in lying]
        findings += _photos(store)
    except StoreError as error:
        orig = getattr(error.__cause__, "orig", None)
        # What the database itself says is short; a file that is gone has no such word.
        said = t("The file cannot be read through ({orig}). Restore a backup.", orig=orig) if orig else str(error)
        findings = [Finding(severity="fault", text=said)]
    return sorted(findings, key=lambda finding: finding.severity)


def _photos(store: Store) -> Iterator[Finding]:
    left = photos_left(store)
    if left.missing:
        yield Finding(
            severity="fault",
            text=tn(
                len(left.missing),
                "1 photo of a piece whose file is lost ({some}). Put the folder of photos back from a backup.",
                "{n} photos of a piece whose file is lost ({some}). Put the folder of photos back from a backup.",
                some=_some([*left.missing]),
            ),
        )
    if left.orphans:
        yield Finding(
            severity="remark",
            text=tn(
                len(left.orphans),
                "1 file in the folder of photos that no record names ({some}): left by a stop while a photo "
                "was being saved. They are kept and not shown.",
                "{n} files in the folder of photos that no record names ({some}): left by a stop while a "
                "photo was being saved. They are kept and not shown.",
                some=_some([*left.orphans]),
            ),
        )


def _copy(store: Store, part: Path) -> None:
    part.unlink(missing_ok=True)
    with store.reader() as connection:
        copy_sqlite(connection, part)
    with closing(sqlite3.connect(part)) as copy:
        verdict = copy.execute("PRAGMA integrity_check").fetchone()[0]
    if verdict != "ok":
        raise sqlite3.DatabaseError(f"the copy is damaged: {verdict}")


def _damage(connection: Connection) -> Iterator[Finding]:
    if connection.dialect.name != "sqlite":
        return  # a server looks after its own files and foreign keys
    verdicts = connection.scalars(text("PRAGMA integrity_check")).all()
    if verdicts != ["ok"]:
        yield Finding(
            severity="fault", text=t("The file is damaged ({verdicts}). Restore a backup.", verdicts=verdicts[0])
        )
    orphans = connection.execute(text("PRAGMA foreign_key_check")).all()
    if orphans:
        tables = ", ".join(sorted({str(row[0]) for row in orphans}))
        yield Finding(
            severity="fault",
            text=tn(
                len(orphans),
                "1 row ({tables}) whose parent row is lost. Restore a backup.",
                "{n} rows ({tables}) whose parent row is lost. Restore a backup.",
                tables=tables,
            ),
        )
    triggers = set(connection.scalars(text("select name from sqlite_master where type = 'trigger'")))
    for what, needed in _TRIGGERS.items():
        if not needed <= triggers:
            yield Finding(severity="fault", text=t(what))


def _contradictions(connection: Connection) -> Iterator[Finding]:
    returns, restorations = schema.returns, schema.restorations
    in_force = returns.c.voided_at.is_(None)
    early = (
        select(returns.c.return_id)
        .join(restorations)
        .where(in_force, returns.c.reported_on < restorations.c.delivered_on)
        .where(func.coalesce(returns.c.found_at, "") != "before_delivery")
    )
    if found := sorted(set(connection.scalars(early))):
        yield Finding(
            severity="fault",
            text=tn(
                len(found),
                "1 return reported before delivery ({some}). Correct a date, or say before_delivery in found_at.",
                "{n} returns reported before delivery ({some}). Correct a date, or say before_delivery in found_at.",
                some=_some(found),
            ),
        )
    hasty = select(returns.c.return_id).where(in_force, returns.c.entered_on < returns.c.reported_on)
    if found := sorted(set(connection.scalars(hasty))):
        yield Finding(
            severity="remark",
            text=tn(
                len(found),
                "1 return entered before being reported ({some}). Check the dates.",
                "{n} returns entered before being reported ({some}). Check the dates.",
                some=_some(found),
            ),
        )
    replaced = restorations.alias()
    known = select(replaced.c.restoration_id).where(replaced.c.restoration_id == restorations.c.remake_of)
    lost = select(restorations.c.restoration_id).where(restorations.c.remake_of.is_not(None), ~known.exists())
    if found := sorted(connection.scalars(lost)):
        yield Finding(
            severity="remark",
            text=tn(
                len(found),
                "1 remake of a restoration that is not in the records ({some}).",
                "{n} remakes of a restoration that is not in the records ({some}).",
                some=_some(found),
            ),
        )


def _decisions(connection: Connection, standard: ProcessStandard) -> Iterator[Finding]:
    decisions, events = schema.decisions, schema.decision_events
    last = (events.c.decision_id == decisions.c.decision_id) & (events.c.version == decisions.c.version)
    query = select(decisions, events.c.to_status).outerjoin(events, last).order_by(decisions.c.decision_id)
    rows = connection.execute(query).all()
    if found := [str(row.decision_id) for row in rows if row.to_status != row.status]:
        yield Finding(
            severity="fault",
            text=tn(
                len(found),
                "1 decision whose history does not end where it stands ({some}). Restore a backup.",
                "{n} decisions whose history does not end where it stands ({some}). Restore a backup.",
                some=_some(found),
            ),
        )
    open_ones = [row for row in rows if row.status in OPEN]
    listed = set(connection.scalars(select(schema.actions.c.action)))
    if found := [f"{row.decision_id}: {row.action}" for row in open_ones if row.action not in listed]:
        yield Finding(
            severity="remark",
            text=tn(
                len(found),
                "1 open decision on an action that is no longer in the list ({some}).",
                "{n} open decisions on an action that is no longer in the list ({some}).",
                some=_some(found),
            ),
        )
    known = set(standard.factors)
    ruled = [(row.decision_id, factor) for row in open_ones if row.rule for factor in row.rule["factors"]]
    if found := [f"{number}: {factor}" for number, factor in ruled if factor not in known]:
        yield Finding(
            severity="remark",
            text=tn(
                len(found),
                "1 factor by which an action is to be judged, and which the standard does not name ({some}); "
                "it cannot be followed up. Bring a standard in that names it.",
                "{n} factors by which an action is to be judged, and which the standard does not name "
                "({some}); it cannot be followed up. Bring a standard in that names it.",
                some=_some(found),
            ),
        )


def _gaps(connection: Connection, standard: ProcessStandard) -> Iterator[Finding]:
    restorations = schema.restorations
    delivered = connection.scalar(select(func.count()).select_from(restorations)) or 0
    if standard.requirements:
        yield from _unread_log(connection, standard)
    elif delivered:
        yield Finding(
            severity="remark",
            text=t("There is no process standard yet, so no step can be compared with a return. Import one."),
        )
    unlogged = connection.scalar(
        select(func.count()).select_from(restorations).where(~_has_log(restorations.c.restoration_id))
    )
    if unlogged:
        yield Finding(
            severity="remark",
            text=tn(
                delivered,
                "{unlogged} of 1 restoration without any row in the process log.",
                "{unlogged} of {n} restorations without any row in the process log.",
                unlogged=unlogged,
            ),
        )


def _has_log(restoration_id: ColumnElement[str]) -> ColumnElement[bool]:
    return select(schema.process_log.c.id).where(schema.process_log.c.restoration_id == restoration_id).exists()


def _unread_log(connection: Connection, standard: ProcessStandard) -> Iterator[Finding]:
    log = schema.process_log
    named = {(one.step, one.reading) for one in standard.requirements}
    counts = connection.execute(select(log.c.step, log.c.reading, func.count()).group_by(log.c.step, log.c.reading))
    foreign = {f"{step}: {reading}": n for step, reading, n in counts if (step, reading) not in named}
    if foreign:
        yield Finding(
            severity="remark",
            text=tn(
                sum(foreign.values()),
                "1 reading that the standard does not name ({some}); kept, and not judged.",
                "{n} readings that the standard does not name ({some}); kept, and not judged.",
                some=_some(sorted(foreign)),
            ),
        )
    for step, reading in sorted(standard.numeric_readings):
        values = connection.execute(
            select(log.c.value, func.count())
            .where(log.c.step == step, log.c.reading == reading, log.c.value.is_not(None))
            .group_by(log.c.value)
        )
        unread = {value: n for value, n in values if number_from_text(value) is None}
        if unread:
            yield Finding(
                severity="remark",
                text=tn(
                    sum(unread.values()),
                    "1 value of {step}: {reading} cannot be read as a number ({some}); not recorded is what "
                    "the figures take them for.",
                    "{n} values of {step}: {reading} cannot be read as a number ({some}); not recorded is "
                    "what the figures take them for.",
                    step=step,
                    reading=reading,
                    some=_some(sorted(unread)),
                ),
            )


def _some(names: list[str]) -> str:
    rest = len(names) - _MOST_NAMED
    named = ", ".join(names[:_MOST_NAMED])
    return t("{named} and {left} more", named=named, left=rest) if rest > 0 else named
