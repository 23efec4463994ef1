"""A plain picture with two axes as SVG text: black ink on white, told apart by shape and dash.

Nothing but strings is made here; the same numbers give the same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape

WIDTH, HEIGHT = 480.0, 330.0  # two of them beside each other on a page stay legible
LEFT, RIGHT, TOP, BOTTOM = 72.0, 16.0, 66.0, 52.0
FONT = "font-family=\"'Liberation Sans', Arial, Helvetica, sans-serif\""
FINE, PLAIN, BOLD = 0.6, 1.2, 2.0
DASHED, DOTTED = "6 4", "1.5 3"
NOTHING = 1e-30  # values below this are drawn as zero
BEYOND = 2e-3  # of a step, that a point may stand beyond the last tick: less than it is thick


@dataclass(frozen=True, slots=True)
class Axis:
    """A linear scale with round ticks that covers all that is to be shown."""

    low: float
    high: float
    step: float
    label: str

    @property
    def ticks(self) -> tuple[float, ...]:
        first = round(self.low / self.step)
        return tuple(k * self.step for k in range(first, round(self.high / self.step) + 1))

    def text(self, value: float) -> str:
        """Return a tick's number with the decimals that its step has."""
        decimals = max(0, -math.floor(math.log10(self.step) + 1e-9))
        return f"{value + 0.0:.{decimals}f}" if decimals < 7 else f"{value:g}"


def axis(values: Sequence[float], label: str, *, ticks: int = 6) -> Axis:
    """Return an axis over the values: steps of 1, 2 or 5, about `ticks` of them."""
    low, high = min(values), max(values)
    size = max(abs(low), abs(high))
    if high - low <= 1e-12 * size or size < NOTHING:
        reach = size if size >= NOTHING else 1.0
        low, high = low - reach, high + reach
    rough = (high - low) / ticks
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= rough * (1 - 1e-9))
    return Axis(
        math.floor(low / step + BEYOND) * step, math.ceil(high / step - BEYOND) * step, step, label
    )


@dataclass
class Picture:
    """Axes first, then marks in data coordinates; `text` ends it."""

    title: str
    description: str
    x: Axis
    y: Axis
    parts: list[str] = field(default_factory=list)
    legend: list[tuple[str, str]] = field(default_factory=list)

    def px(self, x: float) -> float:
        return LEFT + (x - self.x.low) / (self.x.high - self.x.low) * (WIDTH - LEFT - RIGHT)

    def py(self, y: float) -> float:
        share = (y - self.y.low) / (self.y.high - self.y.low)
        return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)

    def line(
        self, points: Sequence[tuple[float, float]], width: float = PLAIN, dash: str = ""
    ) -> None:
        """Draw a line through the points."""
        path = " ".join(f"{self.px(x):.2f},{self.py(y):.2f}" for x, y in points)
        self.parts.append(f'<polyline points="{path}" {stroke(width, dash)}/>')

    def bar(self, x: float, y: float, half: float, side: int = 0) -> None:
        """Draw an uncertainty bar of y +- half; left (-1) or right (+1) of the point's middle
        where another one stands at the same x.
        """
        middle, reach = self.px(x) + 2.5 * side, 2.5 if side else 4.0
        left, right = middle - reach, middle + reach
        low, high = self.py(y - half), self.py(y + half)
        self.parts.append(
            f'<path d="M{middle:.2f} {low:.2f}V{high:.2f}M{left:.2f} {low:.2f}H{right:.2f}'
            f'M{left:.2f} {high:.2f}H{right:.2f}" {stroke(PLAIN)}/>'
        )

    def mark(self, x: float, y: float, hollow: bool = False) -> None:
        """Draw a point: full, or hollow for the falling branch."""
        self.parts.append(disc(self.px(x), self.py(y), hollow))

    def note(self, x: float, y: float, words: str, *, above: bool = True) -> None:
        """Write words at a point in data coordinates."""
        shift = -6.0 if above else 14.0
        self.parts.append(words_at(self.px(x), self.py(y) + shift, words, anchor="end"))

    def explain(self, sample: str, words: str) -> None:
        """Add a sample to the legend; samples are drawn about (0, 0)."""
        self.legend.append((sample, words))

    def text(self) -> str:
        """Return the whole picture."""
        body = "\n".join([*self._frame(), *self.parts, *self._legend()])
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" '
            f'width="{WIDTH:g}" height="{HEIGHT:g}" role="img">\n'
            f"<title>{escape(self.title)}</title>\n<desc>{escape(self.description)}</desc>\n"
            f'<rect width="{WIDTH:g}" height="{HEIGHT:g}" fill="white"/>\n{body}\n</svg>\n'
        )

    def _frame(self) -> list[str]:
        right, bottom = WIDTH - RIGHT, HEIGHT - BOTTOM
        parts = [words_at(LEFT, 20.0, self.title, size=14)]
        for x in self.x.ticks:
            parts.append(f'<path d="M{self.px(x):.2f} {bottom:g}v5" {stroke(FINE)}/>')
            parts.append(words_at(self.px(x), bottom + 19, self.x.text(x), anchor="middle"))
        for y in self.y.ticks:
            dash = "" if y == 0 else DOTTED
            parts.append(f'<path d="M{LEFT:g} {self.py(y):.2f}H{right:g}" {stroke(FINE, dash)}/>')
            parts.append(words_at(LEFT - 8, self.py(y) + 4, self.y.text(y), anchor="end"))
        parts.append(f'<path d="M{LEFT:g} {TOP:g}V{bottom:g}H{right:g}" {stroke(PLAIN)}/>')
        parts.append(words_at((LEFT + right) / 2, HEIGHT - 14, self.x.label, anchor="middle"))
        middle = (TOP + bottom) / 2
        parts.append(
            f'<g transform="rotate(-90 18 {middle:g})">'
            f"{words_at(18, middle, self.y.label, anchor='middle')}</g>"
        )
        return parts

    def _legend(self) -> list[str]:
        """Return the samples with their words, in a second row where one is too short."""
        parts, x, y = [], LEFT + 12.0, 38.0
        for sample, words in self.legend:
            needed = 18.0 + 6.2 * len(words)
            if x + needed > WIDTH - RIGHT:
                x, y = LEFT + 12.0, y + 17.0
            parts.append(f'<g transform="translate({x:g} {y:g})">{sample}</g>')
            parts.append(words_at(x + 18, y + 4.0, words))
            x += needed + 22.0
        return parts


def stroke(width: float, dash: str = "") -> str:
    """Return the attributes of a black line."""
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return f'fill="none" stroke="black" stroke-width="{width:g}"{dashes}'


def disc(x: float, y: float, hollow: bool) -> str:
    """Return a point that stays legible on a copy."""
    fill = "white" if hollow else "black"
    return (
        f'<circle cx="{x:.2f}" cy="{y:.2f}" r="3.6" fill="{fill}" '
        f'stroke="black" stroke-width="{PLAIN:g}"/>'
    )


def dash_sample(width: float, dash: str = "") -> str:
    """Return a piece of line for the legend."""
    return f'<path d="M-12 0H12" {stroke(width, dash)}/>'


def words_at(x: float, y: float, words: str, *, anchor: str = "start", size: int = 12) -> str:
    """Return text at a place on the page."""
    return (
        f'<text x="{x:.2f}" y="{y:.2f}" {FONT} font-size="{size}" '
        f'text-anchor="{anchor}">{escape(words)}</text>'
    )
