"""Write a column map as the TOML file that `parse_column_map` reads, for a page that builds one by asking."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping

from remakes.records.importers.column_map import ColumnMap, ReadingColumn, TableMap

__all__ = ["column_map_as_toml"]


def column_map_as_toml(column_map: ColumnMap) -> str:
    """The text of a column map; read again, it gives an equal one."""
    return "\n".join("\n".join(_block(one)) + "\n" for one in column_map.tables)


def _block(one: TableMap) -> Iterator[str]:
    yield "[[table]]"
    texts = {"is": one.table, "file": one.file, "sheet": one.sheet}
    texts |= {"dates": one.dates or "", "datetimes": one.datetimes or "", "decimal": one.decimal or ""}
    texts |= {"teeth": one.teeth, "encoding": one.encoding or ""}
    yield from (f"{key} = {_text(text)}" for key, text in texts.items() if text)
    yield f"columns = {_table(one.columns)}"
    if one.readings:
        yield f"readings = {{ {', '.join(f'{_text(each.reading)} = {_reading(each)}' for each in one.readings)} }}"
    if one.values:
        pairs = (f"{_text(column)} = {_table(words)}" for column, words in one.values.items())
        yield f"values = {{ {', '.join(pairs)} }}"
    for key, ticks in (("yes", one.yes), ("no", one.no)):
        if ticks:
            yield f"{key} = [{', '.join(map(_text, ticks))}]"


def _reading(one: ReadingColumn) -> str:
    if one.times is None and one.step is None:
        return _text(one.column)
    parts = [f"column = {_text(one.column)}"]
    if one.times is not None:
        parts.append(f"times = {one.times:f}")
    if one.step is not None:
        parts.append(f"step = {_text(one.step)}")
    return f"{{ {', '.join(parts)} }}"


def _table(words: Mapping[str, str]) -> str:
    pairs: Iterable[str] = (f"{_text(left)} = {_text(right)}" for left, right in words.items())
    return f"{{ {', '.join(pairs)} }}"


def _text(text: str) -> str:
    # A JSON string is a TOML string, but for the one control character that JSON lets through.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
