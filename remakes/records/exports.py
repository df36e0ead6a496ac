"""The records as Parquet for an analysis elsewhere, and back from such folders.

One folder a table, one file in it, text as in a snapshot; the process standard and the corrective actions
ride along as JSON, so that a folder can be analyzed without the store it came from.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from remakes.errors import FileError
from remakes.records.corrective_actions import CorrectiveAction, Costs, load_actions, load_costs
from remakes.records.requirements import ProcessStandard, Requirement, Rule
from remakes.records.snapshot import Snapshot, take_snapshot
from remakes.records.store import Store

__all__ = ["Exported", "export_records", "read_exports"]

_TABLES: Final = ("restorations", "process_log", "returns")
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
_ABOUT: Final = "about.json"


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


def export_records(store: Store, to: Path, *, lab: str = "lab", codes: bool = False) -> dict[str, int]:
    """Write the records as Parquet, one folder per table.

    Parameters
    ----------
    to : Path
        A folder that does not exist yet or is empty.
    lab : str
        Written into the column ``lab`` of every table.
    codes : bool
        Replace every person, clinic and case by a keyed pseudonym. The key is made anew and not kept: the
        pseudonyms join the tables of this export and nothing else.

    Returns
    -------
    dict
        Rows written by table.

    Raises
    ------
    FileError
        The folder holds something already, or cannot be written.
    """
    if to.exists() and (not to.is_dir() or any(to.iterdir())):
        raise FileError(f"{to} holds something already. Give a folder that is empty or does not exist yet.")
    snapshot = take_snapshot(store)
    key = secrets.token_bytes(32) if codes else None
    rows = {}
    try:
        for name in _TABLES:
            table: pa.Table = getattr(snapshot, name)
            if key is not None:
                table = _coded(table, key)
            table = table.append_column("lab", pa.array([lab] * table.num_rows, type=pa.string()))
            (to / name).mkdir(parents=True)
            pq.write_table(table, to / name / "part-0.parquet")
            rows[name] = table.num_rows
        about = _about(snapshot, load_actions(store), load_costs(store))
        (to / _ABOUT).write_text(json.dumps(about, indent=1, ensure_ascii=False), encoding="utf-8")
    except OSError as error:
        raise FileError(f"{to} cannot be written ({error.strerror}). Give another folder.") from error
    return rows


def _coded(table: pa.Table, key: bytes) -> pa.Table:
    """Every code replaced by a keyed hash; blanks stay blank."""
    for name in set(_CODED) & set(table.column_names):
        encoded = table[name].combine_chunks().dictionary_encode()
        words = [_pseudonym(word, key) for word in encoded.dictionary.to_pylist()]
        coded = pa.DictionaryArray.from_arrays(encoded.indices, pa.array(words, type=pa.string()))
        table = table.set_column(table.column_names.index(name), name, coded.cast(pa.string()))
    return table


def _pseudonym(word: str, key: bytes) -> str:
    return hmac.new(key, word.encode(), hashlib.sha256).hexdigest()[:12] if word else ""


def _about(snapshot: Snapshot, actions: Sequence[CorrectiveAction], costs: Costs) -> dict[str, Any]:
    standard = snapshot.standard
    requirements = []
    for one in standard.requirements:
        fields = {name: getattr(one, name) for name in ("factor", "step", "reading", "unit", "says", "source")}
        until = one.valid_until
        fields |= {
            "rule": one.rule.to_json(),
            "applies_when": {column: list(values) for column, values in one.applies_when.items()},
            "may_cause": list(one.may_cause),
            "valid_from": one.valid_from.isoformat(),
            "valid_until": until.isoformat() if until else None,
        }
        requirements.append(fields)
    return {
        "format": 1,
        "observed_until": snapshot.observed_until.isoformat() if snapshot.observed_until else None,
        "standard": {"title": standard.title, "steps": list(standard.steps), "requirements": requirements},
        "actions": [asdict(action) for action in actions],
        "costs": asdict(costs),
    }


def read_exports(folders: Sequence[Path]) -> Exported:
    """Read exported folders, of one lab or many, for one analysis.

    The standard, actions and costs of the first folder count for all; the latest observation end common to
    all folders (the earliest of theirs) is the end of observation.

    Raises
    ------
    FileError
        A folder that is no export, or exports of different standards.
    """
    abouts = [_read_about(folder) for folder in folders]
    standards = [about["standard"]["requirements"] for about in abouts]
    if any(other != standards[0] for other in standards[1:]):
        raise FileError(
            "These folders were exported under different process standards, so a miss does not mean the same in all. "
            "Analyze them one by one, or import one standard into each lab first."
        )
    tables = {name: _read_table(folders, name, several=len(folders) > 1) for name in _TABLES}
    ends = [date.fromisoformat(about["observed_until"]) for about in abouts if about["observed_until"]]
    snapshot = Snapshot(**tables, standard=_standard(abouts[0]["standard"]), observed_until=min(ends, default=None))
    return Exported(
        snapshot=snapshot,
        actions=tuple(CorrectiveAction(**action) for action in abouts[0]["actions"]),
        costs=Costs(**abouts[0]["costs"]),
    )


def _read_about(folder: Path) -> dict[str, Any]:
    try:
        about: dict[str, Any] = json.loads((folder / _ABOUT).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise FileError(
            f"{folder} is no folder of exported records ({_ABOUT} cannot be read). "
            "Write one with `remakes export --to FOLDER`."
        ) from error
    return about


def _read_table(folders: Sequence[Path], name: str, *, several: bool) -> pa.Table:
    parts = []
    for folder in folders:
        try:
            part = pq.read_table(folder / name)
        except (OSError, pa.ArrowInvalid) as error:
            raise FileError(f"{folder / name} cannot be read as Parquet. Export the records again.") from error
        parts.append(_with_lab(part) if several else part)
    return pa.concat_tables([part.drop_columns(["lab"]) for part in parts])


def _with_lab(part: pa.Table) -> pa.Table:
    """Put the lab's name before every code, so that two labs' T01 stay two people."""
    for name in set(_CODED) & set(part.column_names):
        named = pc.binary_join_element_wise(part["lab"], part[name], ":")
        named = pc.if_else(pc.equal(part[name], ""), "", named)
        part = part.set_column(part.column_names.index(name), name, named)
    return part


def _standard(about: dict[str, Any]) -> ProcessStandard:
    def requirement(fields: dict[str, Any]) -> Requirement:
        until = fields["valid_until"]
        return Requirement(
            **{name: fields[name] for name in ("factor", "step", "reading", "unit", "says", "source")},
            rule=Rule.from_json(fields["rule"]),
            applies_when={column: tuple(values) for column, values in fields["applies_when"].items()},
            may_cause=tuple(fields["may_cause"]),
            valid_from=date.fromisoformat(fields["valid_from"]),
            valid_until=date.fromisoformat(until) if until else None,
        )

    return ProcessStandard(
        title=about["title"],
        steps=tuple(about["steps"]),
        requirements=tuple(requirement(fields) for fields in about["requirements"]),
    )
