"""The power curves as a picture: steps signalled and bad lots named, by expected returns. Plain SVG."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

from tests.benchmarks.recovery.months.methods import METHODS
from tests.benchmarks.recovery.months.report import Seen, seen
from tests.benchmarks.recovery.months.runs import Row
from tests.benchmarks.recovery.months.scenarios import SCENARIOS

__all__ = ["picture"]

#: Okabe and Ito's colours, told apart with any colour vision (from memory).
_COLOURS: Final = dict(zip(METHODS, ("#E69F00", "#0072B2"), strict=True))
_GOAL: Final = "#D55E00"
#: Scenario, measure, title, goal, least expected count the goal is set for.
_PANELS: Final = (
    ("step", "signalled within 4 months", "doubled: signalled within 4 months", 0.8, 5.0),
    ("bad_lot", "named", "lot with three times the returns: named", 0.9, 5.0),
)
#: What the same signal is told of where nothing is planted: without it a power curve says nothing.
_NOTHING: Final = ("stable", ("a rise told within 4 months of no step", "labs with a source falsely named"))
_NOTHING_AT: Final = 0.6
_LABELS: Final = ("returns expected a month without the change", "returns of the lot expected without the tripling")
_LEFT: Final = 60
_TOP: Final = 80
_WIDTH: Final = 330
_HEIGHT: Final = 240
_GAP: Final = 80
_MOST: Final = 13.0


def picture(rows: Sequence[Row]) -> str:
    """Two panels of curves with 95 % intervals, one for each kind of change whose power depends on counts."""
    width, height = _LEFT + 2 * _WIDTH + _GAP + 20, _TOP + _HEIGHT + 60
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        'font-family="sans-serif" font-size="12">',
        f'<rect width="100%" height="{height}" fill="white"/>',
        *_legend(),
    ]
    for panel in range(len(_PANELS)):
        parts += [*_axes(panel), *_curves(rows, panel)]
    return "\n".join([*parts, "</svg>", ""])


def _legend() -> list[str]:
    parts = []
    for k, (method, colour) in enumerate(_COLOURS.items()):
        x = _LEFT + 130 * k
        parts.append(f'<circle cx="{x}" cy="18" r="5" fill="{colour}"/><text x="{x + 10}" y="22">{method}</text>')
    x = _LEFT + 130 * len(_COLOURS)
    parts.append(f'<line x1="{x - 5}" x2="{x + 15}" y1="18" y2="18" stroke="{_GOAL}" stroke-dasharray="4 3"/>')
    parts.append(f'<text x="{x + 20}" y="22">goal</text>')
    x += 130
    parts.append(f'<circle cx="{x}" cy="18" r="5" fill="white" stroke="black"/>')
    return [*parts, f'<text x="{x + 10}" y="22">told though nothing was planted</text>']


def _axes(panel: int) -> list[str]:
    scenario, _measure, title, goal, least = _PANELS[panel]
    left, right = _x(panel, 0.0), _x(panel, _MOST)
    parts = [f'<text x="{left:.1f}" y="{_TOP - 18}" font-weight="bold">{escape(title)}</text>']
    for tick in range(0, 101, 20):
        y = _y(tick / 100)
        parts.append(f'<line x1="{left:.1f}" x2="{right:.1f}" y1="{y:.1f}" y2="{y:.1f}" stroke="#dddddd"/>')
        parts.append(f'<text x="{left - 8:.1f}" y="{y + 4:.1f}" text-anchor="end">{tick} %</text>')
    for level in SCENARIOS[scenario].levels:
        x = _x(panel, level)
        parts.append(f'<text x="{x:.1f}" y="{_TOP + _HEIGHT + 18}" text-anchor="middle">{level:g}</text>')
    parts.append(f'<text x="{_x(panel, _NOTHING_AT):.1f}" y="{_TOP + _HEIGHT + 18}" text-anchor="middle">none</text>')
    middle = 0.5 * (left + right)
    label = f'<text x="{middle:.1f}" y="{_TOP + _HEIGHT + 40}" text-anchor="middle">{escape(_LABELS[panel])}</text>'
    return [*parts, label, _dashes(_x(panel, least), right, _y(goal))]


def _dashes(left: float, right: float, y: float) -> str:
    return f'<line x1="{left:.1f}" x2="{right:.1f}" y1="{y:.1f}" y2="{y:.1f}" stroke="{_GOAL}" stroke-dasharray="4 3"/>'


def _curves(rows: Sequence[Row], panel: int) -> list[str]:
    scenario, measure, *_rest = _PANELS[panel]
    parts = []
    for k, (method, colour) in enumerate(_COLOURS.items()):
        drawn = list[tuple[float, Seen]]()
        for level in SCENARIOS[scenario].levels:
            told = _seen(rows, (method, scenario, measure, level))
            if told.labs:
                drawn.append((_x(panel, level) + 4 * k, told))
        parts += _curve(drawn, colour, f"{scenario}, {method}")
        falsely = _seen(rows, (method, _NOTHING[0], _NOTHING[1][panel], 0.0))
        if falsely.labs:
            x = _x(panel, _NOTHING_AT) + 4 * k
            parts += _dot(x, falsely, colour, f"nothing planted, {method}", fill="white")
    return parts


def _seen(rows: Sequence[Row], key: tuple[str, str, str, float]) -> Seen:
    """A figure by method, scenario, measure and level."""
    return seen([row for row in rows if (row.method, row.scenario, row.measure, row.level) == key])


def _curve(drawn: Sequence[tuple[float, Seen]], colour: str, name: str) -> list[str]:
    points = " ".join(f"{x:.1f},{_y(told.figure):.1f}" for x, told in drawn)
    parts = [f'<polyline points="{points}" fill="none" stroke="{colour}"/>'] if len(drawn) > 1 else []
    for x, told in drawn:
        parts += _dot(x, told, colour, name, fill=colour)
    return parts


def _dot(x: float, told: Seen, colour: str, name: str, *, fill: str) -> list[str]:
    """A share with its interval."""
    y, low, high = _y(told.figure), _y(told.low), _y(told.high)
    text = f"{name}: {told.figure:.0%}, {told.labs} labs"
    return [
        f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{low:.1f}" y2="{high:.1f}" stroke="{colour}"/>',
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{fill}" stroke="{colour}"><title>{text}</title></circle>',
    ]


def _x(panel: int, level: float) -> float:
    return _LEFT + panel * (_WIDTH + _GAP) + level / _MOST * _WIDTH


def _y(share: float) -> float:
    return _TOP + (1.0 - share) * _HEIGHT
