"""Write the TOML files that `toml_blocks` reads: the standard, the corrective actions."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from typing import Any

__all__ = ["block", "line", "value"]


def block(heading: str, values: Mapping[str, Any]) -> str:
    """One block with its heading and its keys; keys without a value are left out."""
    lines = [line(key, one) for key, one in values.items() if one is not None]
    return "\n".join([heading, *lines])


def line(key: str, one: Any) -> str:
    """One key with its value."""
    return f"{_key(key)} = {value(one)}"


def value(one: Any) -> str:
    """A value as TOML writes it: text, number, day, list, or inline table."""
    match one:
        case str():
            # JSON's text is TOML's, but for the one control sign that JSON lets stand.
            return json.dumps(one, ensure_ascii=False).replace("\x7f", "\\u007f")
        case date():
            return one.isoformat()
        case Mapping():
            return "{ " + ", ".join(line(str(key), each) for key, each in one.items()) + " }" if one else "{}"
        case list() | tuple():
            return "[" + ", ".join(map(value, one)) + "]"
        case int() | float():
            return f"{one:.0f}" if float(one).is_integer() and abs(one) < 1e15 else repr(one)
        case _:
            raise TypeError(f"no value of these files: {type(one).__name__}")


def _key(name: str) -> str:
    plain = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if plain else value(name)
