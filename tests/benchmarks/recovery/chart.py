"""The results as a picture: found and false, by scenario and method. Plain SVG, so that it shows anywhere."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from math import isnan
from typing import Final

from tests.benchmarks.recovery.methods import METHODS
from tests.benchmarks.recovery.runs import Row
from tests.benchmarks.recovery.scenarios import SCENARIOS
from tests.benchmarks.recovery.scores import summary

__all__ = ["picture"]

#: Okabe and Ito's colours, told apart with any colour vision (from memory).
_COLOURS: Final = dict(zip(METHODS, ("#999999", "#E69F00", "#0072B2", "#000000"), strict=True))
_ROW: Final = 34
_TOP: Final = 70
_LEFT: Final = 130
_WIDTH: Final = 380
_GAP: Final = 60


def picture(rows: Sequence[Row]) -> str:
    """Two panels of dots: share of planted causes found, share of false ones among the found."""
    scenarios = [name for name in SCENARIOS if any(row.scenario == name for row in rows)] + ["total"]
    height = _TOP + _ROW * len(scenarios) + 30
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_LEFT + 2 * _WIDTH + _GAP + 30}" height="{height}" '
        'font-family="sans-serif" font-size="12">',
        f'<rect width="100%" height="{height}" fill="white"/>',
        *_legend(),
    ]
    for panel, title in enumerate(("causes found at q < 0.10", "false among the found")):
        parts += _axis(panel, title, len(scenarios))
    for k, scenario in enumerate(scenarios):
        parts += _line(rows, scenario, _TOP + _ROW * k + _ROW // 2)
    return "\n".join([*parts, "</svg>", ""])


def _legend() -> list[str]:
    parts = []
    for k, (method, colour) in enumerate(_COLOURS.items()):
        x = _LEFT + 150 * k
        parts.append(f'<circle cx="{x}" cy="18" r="5" fill="{colour}"/>')
        parts.append(f'<text x="{x + 10}" y="22">{method}</text>')
    return parts


def _axis(panel: int, title: str, lines: int) -> list[str]:
    bottom = _TOP + _ROW * lines
    parts = [f'<text x="{_at(panel, 0.0):.1f}" y="{_TOP - 22}" font-weight="bold">{escape(title)}</text>']
    for tick in range(0, 101, 20):
        x = _at(panel, tick / 100)
        parts.append(f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{_TOP}" y2="{bottom}" stroke="#dddddd"/>')
        parts.append(f'<text x="{x:.1f}" y="{bottom + 18}" text-anchor="middle">{tick} %</text>')
    if panel == 1:
        x = _at(panel, 0.10)
        parts.append(
            f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{_TOP}" y2="{bottom}" stroke="#D55E00" stroke-dasharray="4 3"/>'
        )
        parts.append(f'<text x="{x:.1f}" y="{_TOP - 5}" text-anchor="middle" fill="#D55E00">10 %</text>')
    return parts


def _line(rows: Sequence[Row], scenario: str, y: int) -> list[str]:
    parts = [f'<text x="{_LEFT - 12}" y="{y + 4}" text-anchor="end">{scenario}</text>']
    for k, (method, colour) in enumerate(_COLOURS.items()):
        mine = [row.score for row in rows if row.method == method and scenario in ("total", row.scenario)]
        told = summary(mine)
        for panel, share in enumerate((told.found, told.false)):
            if not isnan(share):
                height = y + 6 * (k - (len(_COLOURS) - 1) / 2)
                parts.append(
                    f'<circle cx="{_at(panel, share):.1f}" cy="{height:.1f}" r="4.5" fill="{colour}">'
                    f"<title>{scenario}, {method}: {share:.0%}</title></circle>"
                )
    return parts


def _at(panel: int, share: float) -> float:
    return _LEFT + panel * (_WIDTH + _GAP) + share * _WIDTH
