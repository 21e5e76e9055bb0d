"""Plots of a few curves, drawn as SVG: panels side by side, axes from zero, each curve named at its end."""

from dataclasses import dataclass
from html import escape
from itertools import pairwise
from pathlib import Path

# Readable beside each other also for who does not tell red from green (common practice: blue, orange, grey).
COLOURS = ("#1f5fa8", "#d9822b", "#6b6b6b")
WIDTH, HEIGHT = 560, 340  # of a panel, pixels
LEFT, RIGHT, TOP, BOTTOM = 56, 130, 40, 52


@dataclass(frozen=True)
class Curve:
    """A name and its points."""

    name: str
    points: list[tuple[float, float]]


@dataclass(frozen=True)
class Panel:
    """One pair of axes.

    Attributes:
        title: what is drawn upwards.
        label: what is drawn to the right.
        curves: at most three.
    """

    title: str
    label: str
    curves: list[Curve]


def draw(path: Path, panels: list[Panel]) -> None:
    """Draw the panels two by two."""
    rows = -(-len(panels) // 2)
    places = [(n % 2 * WIDTH, n // 2 * HEIGHT) for n in range(len(panels))]
    drawn = "\n".join(
        f'<g transform="translate({x} {y})">\n{_panel(panel)}\n</g>'
        for panel, (x, y) in zip(panels, places, strict=True)
    )
    path.write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {2 * WIDTH} {rows * HEIGHT}" '
        f'font-family="sans-serif" font-size="13" fill="#222">\n'
        f'<rect width="{2 * WIDTH}" height="{rows * HEIGHT}" fill="#fff"/>\n{drawn}\n</svg>\n',
        encoding="utf-8",
    )


def _panel(panel: Panel) -> str:
    across = _ticks(max(x for curve in panel.curves for x, _ in curve.points))
    up = _ticks(max(y for curve in panel.curves for _, y in curve.points))

    def place(x: float, y: float) -> tuple[float, float]:
        inner = (WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM)
        return LEFT + x / across[-1] * inner[0], HEIGHT - BOTTOM - y / up[-1] * inner[1]

    parts = [_text(8, 22, panel.title, weight="bold")]
    (left, bottom), (right, _) = place(0, 0), place(across[-1], 0)
    for value in up:
        y = place(0, value)[1]
        parts += [_line(left, y, right, y, "#222" if value == 0 else "#ddd")]
        parts += [_text(left - 8, y + 4, f"{value:g}", anchor="end")]
    parts += [_text(place(value, 0)[0], bottom + 20, f"{value:g}", anchor="middle") for value in across]
    parts += [_text((left + right) / 2, bottom + 42, panel.label, anchor="middle")]
    ends = _apart([place(*curve.points[-1])[1] for curve in panel.curves])
    for curve, colour, end in zip(panel.curves, COLOURS, ends, strict=False):
        points = [place(x, y) for x, y in curve.points]
        joined = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        parts += [f'<polyline points="{joined}" fill="none" stroke="{colour}" stroke-width="2.5"/>']
        parts += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{colour}"/>' for x, y in points]
        parts += [_text(points[-1][0] + 10, end + 4, curve.name, colour=colour)]
    return "\n".join(parts)


def _ticks(most: float) -> list[float]:
    """Round values from zero to just beyond the greatest, four to eight of them."""
    step = next(s * 10**power for power in range(-3, 6) for s in (1, 2, 5) if most <= 7 * s * 10**power)
    count = int(-(-most // step))
    return [step * n for n in range(count + 1)]


def _apart(heights: list[float]) -> list[float]:
    """The heights of names, moved so that none lies upon another."""
    order = sorted(range(len(heights)), key=lambda n: heights[n])
    moved = dict(enumerate(heights))
    for above, below in pairwise(order):
        moved[below] = max(moved[below], moved[above] + 16)
    return [moved[n] for n in range(len(heights))]


def _text(
    x: float, y: float, words: str, *, anchor: str = "start", colour: str = "#222", weight: str = "normal"
) -> str:
    facts = f'text-anchor="{anchor}" fill="{colour}" font-weight="{weight}"'
    return f'<text x="{x:.1f}" y="{y:.1f}" {facts}>{escape(words)}</text>'


def _line(x: float, y: float, to_x: float, to_y: float, colour: str) -> str:
    return f'<line x1="{x:.1f}" y1="{y:.1f}" x2="{to_x:.1f}" y2="{to_y:.1f}" stroke="{colour}"/>'
