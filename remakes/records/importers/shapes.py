"""Column maps that are remembered, one for each shape of file, and the maps that a set of files is read through."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import select

from remakes.errors import MapError
from remakes.records import schema
from remakes.records.bench.moments import on_the_clock
from remakes.records.importers.column_map import ColumnMap, TableMap
from remakes.records.importers.column_map_file import column_map_as_toml
from remakes.records.importers.column_map_reading import parse_column_map
from remakes.records.importers.sheets import Sheet
from remakes.records.rows import COLUMNS
from remakes.records.store import Store, now
from remakes.texts import t

__all__ = [
    "RememberedMap",
    "as_toml",
    "block_for",
    "forget_map",
    "remember_map",
    "remembered_maps",
    "standing_for",
]

_PREFIX = "column map "
#: Under this name the audit keeps changes of remembered maps: no figure rests on them.
_AUDITED_AS = "column maps"
_WILD = re.compile(r"[][*?]")


@dataclass(frozen=True, slots=True, kw_only=True)
class RememberedMap:
    """How files of one shape are read.

    Attributes
    ----------
    shape : str
        The fingerprint of their header.
    toml : str
        One block, as the file of a column map has it.
    file : str
        The file it was made on.
    who, at
        Who made or changed it last, and when (UTC).
    """

    shape: str
    toml: str
    file: str
    who: str
    at: datetime

    @property
    def version(self) -> str:
        """Changes with every change of the map."""
        return self.at.isoformat()

    @property
    def block(self) -> TableMap:
        """The block itself."""
        return parse_column_map(self.toml, file=self.file).tables[0]


def remembered_maps(store: Store) -> dict[str, RememberedMap]:
    """All remembered maps by shape, the latest first."""
    settings = schema.settings.c
    with store.reader() as connection:
        rows = connection.execute(select(settings.key, settings.value).where(settings.key.startswith(_PREFIX))).all()
    found = [
        RememberedMap(
            shape=str(key).removeprefix(_PREFIX),
            toml=value["toml"],
            file=value["file"],
            who=value["who"],
            at=datetime.fromisoformat(value["at"]),
        )
        for key, value in rows
    ]
    return {one.shape: one for one in sorted(found, key=lambda one: one.at, reverse=True)}


def remember_map(store: Store, shape: str, toml: str, *, file: str, who: str, version: str | None = None) -> bool:
    """Remember how files of a shape are read.

    Parameters
    ----------
    toml : str
        One block.
    version : str, optional
        That of the map this one was made from; None where there was none. The same map again changes nothing,
        whatever the version.

    Returns
    -------
    bool
        Was anything changed?

    Raises
    ------
    MapError
        Mistakes in the block, several blocks, or somebody changed the map meanwhile.
    """
    if len(parse_column_map(toml, file=file).tables) != 1:
        raise MapError(t("A remembered map holds one block [[table]]. Leave one, and save it again."))
    with store.writer(may="import lists") as connection:
        stored = connection.scalar(select(schema.settings.c.value).where(schema.settings.c.key == _PREFIX + shape))
        if stored is not None and stored["toml"] == toml:
            return False
        if stored is not None and stored["at"] != version:
            raise MapError(
                t(
                    "{who} changed this map on {at}. It reads now:\n{toml}\nLook at it, then change it again.",
                    who=stored["who"],
                    at=f"{on_the_clock(datetime.fromisoformat(stored['at'])):%Y-%m-%d %H:%M}",
                    toml=stored["toml"],
                )
            )
        value = {"toml": toml, "file": file, "who": who, "at": now().isoformat()}
        connection.execute(schema.settings.delete().where(schema.settings.c.key == _PREFIX + shape))
        connection.execute(schema.settings.insert(), {"key": _PREFIX + shape, "value": value})
        detail = {"file": file, "toml": toml, "before": stored["toml"] if stored is not None else None}
        store.note(connection, who=who, what="remember map", table=_AUDITED_AS, key=shape, detail=detail)
    return True


def forget_map(store: Store, shape: str, *, who: str) -> None:
    """Ask anew about files of this shape; what the map said stays in the record of changes."""
    with store.writer(may="import lists") as connection:
        stored = connection.scalar(select(schema.settings.c.value).where(schema.settings.c.key == _PREFIX + shape))
        if stored is None:
            return
        connection.execute(schema.settings.delete().where(schema.settings.c.key == _PREFIX + shape))
        detail = {"before": stored["toml"]}
        store.note(connection, who=who, what="forget map", table=_AUDITED_AS, key=shape, detail=detail)


def block_for(block: TableMap, file: str, sheet: str) -> TableMap:
    """The same block for one file and sheet, whatever signs are in the file's name."""
    return replace(block, file=_WILD.sub(lambda sign: f"[{sign[0]}]", file), sheet=sheet)


def standing_for(sheet: Sheet, table: str, file: str) -> TableMap:
    """A block for a sheet that has our own columns under our own names, beside sheets that need one."""
    names = {one.name.casefold(): one.name for one in sheet.columns}
    columns: Mapping[str, str] = {column: names[column] for column in COLUMNS[table] if column in names}
    # A name of one of our tables by what calls this; the type of a literal is lost on the way through the page.
    block = TableMap(table=table, file=file, columns=columns)  # type: ignore[arg-type]  # see above
    return block_for(block, file, sheet.grid.sheet)


def as_toml(blocks: Iterable[TableMap]) -> str:
    """Blocks as the text of one column map."""
    return column_map_as_toml(ColumnMap(file="map.toml", tables=tuple(blocks)))
