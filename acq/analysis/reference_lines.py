"""Straight lines that non-linearity is told from; a figure without its line's name says nothing.

Each line is given by weights: intercept and slope are weighted sums of the outputs, so that the
uncertainty of a deviation from the line follows exactly.

For y = x^2 on 0..1 the largest deviations are 1/4 (terminal), 1/6 (least squares), 1/8
(minimax): the same cell, three figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np

from acq.analysis.load_series import SeriesError
from acq.analysis.propagation import Floats, Integers

ROUNDING = 1e-12  # of the range of the outputs


class Line(StrEnum):
    """The name of a reference line over the rising points."""

    TERMINAL = "terminal"
    ZERO = "zero"
    LEAST_SQUARES = "least-squares"
    MINIMAX = "minimax"
    SEVENTY_FIVE = "seventy-five"

    @property
    def words(self) -> str:
        """The name as it is printed before "line"."""
        return "0-75 %" if self is Line.SEVENTY_FIVE else self.value

    @property
    def meaning(self) -> str:
        """One sentence for the report."""
        return _MEANINGS[self]


_MEANINGS = {
    Line.TERMINAL: "through the outputs at minimum and at maximum load",
    Line.ZERO: "through the output at minimum load, least squares for the slope",
    Line.LEAST_SQUARES: "least squares over all rising points",
    Line.MINIMAX: "the line whose largest deviation is smallest",
    Line.SEVENTY_FIVE: "through the outputs at minimum load and at 75 % of the measuring range",
}


@dataclass(frozen=True, slots=True)
class LineWeights:
    """A line over points: intercept and slope as weights of the points' outputs.

    The intercept belongs to `origin`, the first load, so that nothing is lost to cancellation.
    """

    origin: float
    intercept: Floats
    slope: Floats

    def at(self, load: float) -> Floats:
        """Return the weights of the line's output at a load."""
        return self.intercept + (load - self.origin) * self.slope


def line_weights(line: Line, loads: Sequence[float], outputs: Sequence[float]) -> LineWeights:
    """Return the named line over rising points, the minimum load first.

    `outputs` matter to the minimax line only: they say which three points hold it.
    Raises SeriesError for fewer than two loads (three for the lines that are fitted).
    """
    fitted = line not in (Line.TERMINAL, Line.SEVENTY_FIVE)
    needed = 3 if fitted else 2
    if len(set(loads)) < needed:
        raise SeriesError(f"the {line.words} line needs at least {needed} different loads")
    x = np.asarray(loads, dtype=np.float64) - loads[0]
    if line is Line.MINIMAX:
        return _minimax(loads[0], x, np.asarray(outputs, dtype=np.float64))
    intercept, slope = _linear(line, x)
    return LineWeights(loads[0], intercept, slope)


def _linear(line: Line, x: Floats) -> tuple[Floats, Floats]:
    match line:
        case Line.TERMINAL:
            return _through(x, 0, _unit(len(x), len(x) - 1), x[-1])
        case Line.SEVENTY_FIVE:
            return _through(x, 0, interpolation(x, 0.75 * x[-1]), 0.75 * x[-1])
        case Line.ZERO:
            return _held_at_first(x)
    return _least_squares(x)


def _unit(size: int, place: int) -> Floats:
    weights = np.zeros(size)
    weights[place] = 1.0
    return weights


def _through(x: Floats, first: int, second: Floats, distance: float) -> tuple[Floats, Floats]:
    start = _unit(len(x), first)
    return start, (second - start) / distance


def _held_at_first(x: Floats) -> tuple[Floats, Floats]:
    start = _unit(len(x), 0)
    slope = x / float(x @ x)
    return start, slope - float(slope.sum()) * start


def _least_squares(x: Floats) -> tuple[Floats, Floats]:
    centred = x - x.mean()
    slope = centred / float(centred @ centred)
    return 1.0 / len(x) - x.mean() * slope, slope


def interpolation(x: Floats, at: float) -> Floats:
    """Return the weights of the straight interpolation at `at` between the points beside it.

    `x` runs one way and covers `at` (R 60-3:2021, 2.1.2.3 for a 75 % point not loaded).
    """
    distance = np.abs(x - x[0])
    wanted = abs(at - float(x[0]))
    upper = min(int(np.searchsorted(distance, wanted * (1 - 1e-12))), len(x) - 1)
    if upper == 0:
        return _unit(len(x), 0)
    share = float((wanted - distance[upper - 1]) / (distance[upper] - distance[upper - 1]))
    return (1.0 - share) * _unit(len(x), upper - 1) + share * _unit(len(x), upper)


def _minimax(origin: float, x: Floats, y: Floats) -> LineWeights:
    """Return the line with the smallest largest deviation.

    It runs parallel to an edge of the convex hull of the points, half way to the point farthest
    from that edge: the edge with the smallest such distance is taken.
    """
    scale = float(np.ptp(y)) or 1.0
    edges = _hull_edges(x, y / scale)
    widths = [_width(edge, x, y / scale) for edge in edges]
    # of edges that are equal but for rounding always the same one, whatever the unit
    first, second = next(
        edge for edge, width in zip(edges, widths, strict=True) if width <= min(widths) + ROUNDING
    )
    slope = (_unit(len(x), second) - _unit(len(x), first)) / (x[second] - x[first])
    far = int(np.argmax(np.abs(y - y[first] - (slope @ y) * (x - x[first]))))
    middle = 0.5 * (_unit(len(x), first) + _unit(len(x), far))
    return LineWeights(origin, middle - 0.5 * (x[first] + x[far]) * slope, slope)


def _width(edge: tuple[int, int], x: Floats, y: Floats) -> float:
    first, second = edge
    slope = (y[second] - y[first]) / (x[second] - x[first])
    return float(np.ptp(y - slope * x))


def _hull_edges(x: Floats, y: Floats) -> list[tuple[int, int]]:
    order = np.argsort(x)
    edges: list[tuple[int, int]] = []
    for sign in (1.0, -1.0):
        chain = _lower_chain(order, x, sign * y)
        edges.extend(pairwise(chain))
    return edges


def _lower_chain(order: Integers, x: Floats, y: Floats) -> list[int]:
    chain: list[int] = []
    for place in map(int, order):
        while len(chain) > 1 and _turn(chain[-2], chain[-1], place, x, y) <= 0.0:
            chain.pop()
        chain.append(place)
    return chain


def _turn(first: int, second: int, third: int, x: Floats, y: Floats) -> float:
    return float(
        (x[second] - x[first]) * (y[third] - y[first])
        - (y[second] - y[first]) * (x[third] - x[first])
    )
