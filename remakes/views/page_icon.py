"""The page icon: a fourfold table with one cell that stands out. `python -m remakes.views.page_icon` draws it again."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Final

__all__ = ["ICON", "draw"]

ICON: Final = Path(__file__).with_name("icon.png")

_SIZE: Final = 64
_BLUE: Final = bytes((0x00, 0x44, 0x6B, 255))
_PAPER: Final = bytes((0xFC, 0xFB, 0xF8, 255))
_ORANGE: Final = bytes((0xD5, 0x5E, 0x00, 255))
_CLEAR: Final = bytes(4)


def draw() -> bytes:
    """The icon as a PNG file: 64 x 64, eight bits a channel, with transparent corners."""
    rows = b"".join(b"\0" + b"".join(_pixel(x, y) for x in range(_SIZE)) for y in range(_SIZE))
    header = struct.pack(">IIBBBBB", _SIZE, _SIZE, 8, 6, 0, 0, 0)
    chunks = ((b"IHDR", header), (b"IDAT", zlib.compress(rows, 9)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(kind, content) for kind, content in chunks)


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def _pixel(x: int, y: int) -> bytes:
    far_x, far_y = (max(8 - at, at - (_SIZE - 9), 0) for at in (x, y))
    if far_x**2 + far_y**2 > 64:
        return _CLEAR
    if not (_in_cell(x) and _in_cell(y)):
        return _BLUE
    return _ORANGE if x < _SIZE // 2 <= y else _PAPER


def _in_cell(at: int) -> bool:
    return 12 <= at < 30 or 34 <= at < 52


if __name__ == "__main__":
    ICON.write_bytes(draw())
