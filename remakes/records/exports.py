"""The records as Parquet for an analysis elsewhere, and back from such folders.

One folder a table, one file in it, text as in a snapshot; the process standard and the corrective actions
ride along as JSON, so that a folder can be analyzed without the store it came from.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
import shutil
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from remakes.errors import FileError, InputError
from remakes.records.corrective_actions import CorrectiveAction, Costs, load_actions, load_costs
from remakes.records.requirements import ProcessStandard, Requirement, Rule
from remakes.records.snapshot import (
    LOG_COLUMNS,
    RESTORATION_COLUMNS,
    RETURN_COLUMNS,
    Snapshot,
    arrow_schema,
    take_snapshot,
)
from remakes.records.store import Store
from remakes.texts import t

__all__ = ["Exported", "export_records", "read_exports"]

_TABLES: Final = MappingProxyType(
    {"restorations": RESTORATION_COLUMNS, "process_log": LOG_COLUMNS, "returns": RETURN_COLUMNS}
)
#: What is replaced by a keyed pseudonym under --codes: people, clinics, cases, and the numbers that join tables.
_CODED: Final = (
    "case_id",
    "clinic",
    "technician",
    "operator",
    "restoration_id",
    "remake_of",
    "return_id",
)
#: The coded columns that a requirement of the standard may depend on.
_CODED_CONDITIONS: Final = ("clinic", "technician")
_ABOUT: Final = "about.json"
_FORMAT: Final = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What stands in exported folders.

    Attributes
    ----------
    snapshot : Snapshot
        All labs together; where there are several, numbers and codes carry the lab's name in front.
    actions : tuple of CorrectiveAction
    costs : Costs
    """

    snapshot: Snapshot
    actions: tuple[CorrectiveAction, ...]
    costs: Costs


@dataclass(frozen=True, slots=True, kw_only=True)
class _About:
    """What stands beside the tables of one folder."""

    lab: str
    observed_until: date | None
    standard: ProcessStandard
    actions: tuple[CorrectiveAction, ...]
    costs: Costs


def export_records(store: Store, to: Path, *, lab: str = "lab", codes: bool = False) -> dict[str, int]:
    """Write the records as Parquet, one folder per table.

    Parameters
    ----------
    to : Path
        A folder that does not exist yet or is empty.
    lab : str
        Written into the column ``lab`` of every table; tells the labs of one analysis apart.
    codes : bool
        Replace every person, clinic and case by a keyed pseudonym, in the tables and in the conditions of the
        standard. The key is made anew and not kept: the pseudonyms join the tables of this export and nothing
        else. Values of readings, lots, machines and the wording of the standard stay as they are.

    Returns
    -------
    dict
        Rows written by table.

    Raises
    ------
    FileError
        The folder holds something already, or cannot be written; nothing is left behind.
    InputError
        The lab's name is blank or holds a colon.
    """
    lab = lab.strip()
    if not lab or ":" in lab:
        raise InputError(
            t("{lab!r} cannot be a lab's name. Give one after --lab that is not blank and has no colon.", lab=lab)
        )
    try:
        if to.exists() and (not to.is_dir() or any(to.iterdir())):
            raise FileError(
                t("{to} holds something already. Give a folder that is empty or does not exist yet.", to=to)
            )
        snapshot = take_snapshot(store)
        if codes:
            snapshot = _coded(snapshot, secrets.token_bytes(32))
        return _write(to, snapshot, lab=lab, actions=load_actions(store), costs=load_costs(store))
    except OSError as error:
        raise FileError(
            t("{to} cannot be written ({value}). Give another folder.", to=to, value=error.strerror or error)
        ) from error


def _write(
    to: Path, snapshot: Snapshot, *, lab: str, actions: Sequence[CorrectiveAction], costs: Costs
) -> dict[str, int]:
    about = {
        "format": _FORMAT,
        "lab": lab,
        "observed_until": snapshot.observed_until.isoformat() if snapshot.observed_until else None,
        "standard": _standard_as_json(snapshot.standard),
        "actions": [asdict(action) for action in actions],
        "costs": asdict(costs),
    }
    rows = {}
    try:
        for name in _TABLES:
            table: pa.Table = getattr(snapshot, name)
            table = table.append_column("lab", pa.array([lab] * table.num_rows, type=pa.string()))
            (to / name).mkdir(parents=True)
            pq.write_table(table, to / name / "part-0.parquet")
            rows[name] = table.num_rows
        # Last, since a folder without it is refused: half an export is never read.
        (to / _ABOUT).write_text(json.dumps(about, indent=1, ensure_ascii=False), encoding="utf-8")
    except OSError:
        for name in _TABLES:
            shutil.rmtree(to / name, ignore_errors=True)
        raise
    return rows


def _coded(snapshot: Snapshot, key: bytes) -> Snapshot:
    """Every code replaced by a keyed hash; blanks stay blank."""

    def pseudonym(word: str) -> str:
        # 64 bits: among a million numbers, two fall together with a chance below 1 in 10 million.
        return hmac.new(key, word.encode(), hashlib.sha256).hexdigest()[:16] if word else ""

    def condition(column: str, value: str) -> list[str]:
        # A condition fits in any capitals, so it must name the pseudonym of every spelling in the records.
        spellings = pc.unique(snapshot.restorations[column]).to_pylist()
        fitting = [word for word in spellings if word.strip().casefold() == value.strip().casefold()]
        return sorted(pseudonym(word) for word in fitting or [value])

    tables = {
        name: _with_codes(getattr(snapshot, name), lambda cells: _each_word(cells, pseudonym)) for name in _TABLES
    }
    requirements = tuple(_with_conditions(one, condition) for one in snapshot.standard.requirements)
    return replace(snapshot, **tables, standard=replace(snapshot.standard, requirements=requirements))


def _with_codes(table: pa.Table, change: Callable[[pa.ChunkedArray], pa.Array]) -> pa.Table:
    for name in set(_CODED) & set(table.column_names):
        table = table.set_column(table.column_names.index(name), name, change(table[name]))
    return table


def _with_conditions(one: Requirement, change: Callable[[str, str], Sequence[str]]) -> Requirement:
    conditions = {
        column: tuple(new for value in values for new in change(column, value))
        if column in _CODED_CONDITIONS
        else values
        for column, values in one.applies_when.items()
    }
    return replace(one, applies_when=conditions)


def _each_word(cells: pa.ChunkedArray, change: Callable[[str], str]) -> pa.Array:
    encoded = cells.combine_chunks().dictionary_encode()
    words = pa.array([change(word) for word in encoded.dictionary.to_pylist()], type=pa.string())
    return pa.DictionaryArray.from_arrays(encoded.indices, words).cast(pa.string())


def read_exports(folders: Sequence[Path]) -> Exported:
    """Read exported folders, of one lab or many, for one analysis.

    The actions and costs of the first folder count for all. Observation ends for all where it ends first.
    A condition of the standard that names a clinic or a technician means, in each lab, the lab's own.

    Raises
    ------
    FileError
        No folder, a folder that is no export, two of one lab, or exports under different standards.
    """
    if not folders:
        raise FileError(t("No folder was named. Give at least one that `remakes export --to FOLDER` wrote."))
    abouts = [_read_about(folder) for folder in folders]
    _refuse_one_lab_twice(folders, abouts)
    tables = {name: _read_table(folders, abouts, name) for name in _TABLES}
    ends = [about.observed_until for about in abouts if about.observed_until]
    snapshot = Snapshot(**tables, standard=_common_standard(abouts), observed_until=min(ends, default=None))
    return Exported(snapshot=snapshot, actions=abouts[0].actions, costs=abouts[0].costs)


def _read_about(folder: Path) -> _About:
    try:
        about = json.loads((folder / _ABOUT).read_text(encoding="utf-8"))
        if about["format"] != _FORMAT:
            raise FileError(
                t(
                    "{folder} was exported in format {format!r}; this program reads format {format_2}. Export "
                    "the records again, or update the program.",
                    folder=folder,
                    format=about["format"],
                    format_2=_FORMAT,
                )
            )
        until = about["observed_until"]
        return _About(
            lab=str(about["lab"]),
            observed_until=date.fromisoformat(until) if until else None,
            standard=_standard_from_json(about["standard"]),
            actions=tuple(CorrectiveAction(**action) for action in about["actions"]),
            costs=Costs(**about["costs"]),
        )
    except FileError:
        raise
    except (OSError, ValueError, LookupError, TypeError, AttributeError) as error:
        raise FileError(
            t(
                "{folder} is no folder of exported records ({about} cannot be read). Write one with `remakes "
                "export --to FOLDER`.",
                folder=folder,
                about=_ABOUT,
            )
        ) from error


def _refuse_one_lab_twice(folders: Sequence[Path], abouts: Sequence[_About]) -> None:
    first: dict[str, Path] = {}
    for folder, about in zip(folders, abouts, strict=True):
        if about.lab in first:
            raise FileError(
                t(
                    "{first} and {folder} both hold a lab named {lab!r}, so that its records would count twice "
                    "or two labs for one. Name each lab once; export with `--lab NAME` to tell labs apart.",
                    first=first[about.lab],
                    folder=folder,
                    lab=about.lab,
                )
            )
        first[about.lab] = folder


def _read_table(folders: Sequence[Path], abouts: Sequence[_About], name: str) -> pa.Table:
    parts = []
    for folder, about in zip(folders, abouts, strict=True):
        try:
            part = pq.read_table(folder / name).select(_TABLES[name]).cast(arrow_schema(_TABLES[name]))
        except (OSError, KeyError, ValueError, pa.ArrowException) as error:
            raise FileError(
                t(
                    "{folder} cannot be read as exported records. Export them again with `remakes export`.",
                    folder=folder / name,
                )
            ) from error
        parts.append(_with_lab(part, about.lab) if len(folders) > 1 else part)
    whole = pa.concat_tables(parts)
    if len(folders) > 1 and "id" in whole.column_names:
        # Each lab numbers its own rows; the order within a lab stays.
        whole = whole.set_column(whole.column_names.index("id"), "id", pa.array(range(1, whole.num_rows + 1)))
    return whole


def _with_lab(part: pa.Table, lab: str) -> pa.Table:
    """Put the lab's name before every code, so that two labs' T01 stay two people."""

    def named(cells: pa.ChunkedArray) -> pa.Array:
        return pc.if_else(pc.equal(cells, ""), "", pc.binary_join_element_wise(lab, cells, ":"))

    return _with_codes(part, named)


def _common_standard(abouts: Sequence[_About]) -> ProcessStandard:
    """The first folder's standard, its conditions on people widened to each lab's own."""
    standard = abouts[0].standard
    if len(abouts) == 1:
        return standard
    wanted = sorted(map(_meaning, standard.requirements))
    same: list[dict[str, list[Requirement]]] = []
    for about in abouts:
        if sorted(map(_meaning, about.standard.requirements)) != wanted or about.standard.steps != standard.steps:
            raise FileError(
                t(
                    "These folders were exported under different process standards, so a miss does not mean the "
                    "same in all. Analyze them one by one, or import one standard into each lab first."
                )
            )
        by_meaning: dict[str, list[Requirement]] = {}
        for one in about.standard.requirements:
            by_meaning.setdefault(_meaning(one), []).append(one)
        same.append(by_meaning)
    requirements = []
    for one in standard.requirements:
        twins = [by_meaning[_meaning(one)].pop(0) for by_meaning in same]
        conditions = {
            column: tuple(
                f"{about.lab}:{value}"
                for about, twin in zip(abouts, twins, strict=True)
                for value in twin.applies_when[column]
            )
            if column in _CODED_CONDITIONS
            else values
            for column, values in one.applies_when.items()
        }
        requirements.append(replace(one, applies_when=conditions))
    return replace(standard, requirements=tuple(requirements))


def _meaning(one: Requirement) -> str:
    """What a requirement asks of any lab: without its wording, and without the people it names."""
    asked = _requirement_as_json(one)
    del asked["says"], asked["source"]
    asked["may_cause"] = sorted(one.may_cause)
    asked["applies_when"] = {
        column: [] if column in _CODED_CONDITIONS else sorted(values) for column, values in one.applies_when.items()
    }
    return json.dumps(asked, sort_keys=True)


def _standard_as_json(standard: ProcessStandard) -> dict[str, Any]:
    requirements = [_requirement_as_json(one) for one in standard.requirements]
    return {"title": standard.title, "steps": list(standard.steps), "requirements": requirements}


def _requirement_as_json(one: Requirement) -> dict[str, Any]:
    fields = {name: getattr(one, name) for name in ("factor", "step", "reading", "unit", "says", "source")}
    return fields | {
        "rule": one.rule.to_json(),
        "applies_when": {column: list(values) for column, values in one.applies_when.items()},
        "may_cause": list(one.may_cause),
        "valid_from": one.valid_from.isoformat(),
        "valid_until": one.valid_until.isoformat() if one.valid_until else None,
    }


def _standard_from_json(about: dict[str, Any]) -> ProcessStandard:
    return ProcessStandard(
        title=about["title"],
        steps=tuple(about["steps"]),
        requirements=tuple(_requirement_from_json(fields) for fields in about["requirements"]),
    )


def _requirement_from_json(fields: dict[str, Any]) -> Requirement:
    until = fields["valid_until"]
    return Requirement(
        **{name: fields[name] for name in ("factor", "step", "reading", "unit", "says", "source")},
        rule=Rule.from_json(fields["rule"]),
        applies_when={column: tuple(values) for column, values in fields["applies_when"].items()},
        may_cause=tuple(fields["may_cause"]),
        valid_from=date.fromisoformat(fields["valid_from"]),
        valid_until=date.fromisoformat(until) if until else None,
    )
