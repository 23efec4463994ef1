"""The room: temperature, humidity and pressure as functions of bench time."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from simulated_bench.states import Drive, Term, wave

Knots = Sequence[tuple[float, float]]
"""(seconds of bench time, value): straight lines between, level before and after."""


@dataclass(frozen=True, slots=True)
class Wave:
    """A swing of the room: the day, the heating."""

    amplitude: float
    period_s: float
    phase: float = 0.0


@dataclass(frozen=True, slots=True)
class Room:
    """Profiles of degC and percent relative humidity, and a pressure in Pa.

    Raises ValueError for knots that are not in order of time, and humidity outside 0 to 100.
    """

    celsius: Knots = ((0.0, 22.0),)
    waves: tuple[Wave, ...] = ()
    humidity_percent: Knots = ((0.0, 45.0),)
    pascals: float = 101_325.0

    def __post_init__(self) -> None:
        for knots in (self.celsius, self.humidity_percent):
            if not knots or any(a[0] >= b[0] for a, b in pairwise(knots)):
                raise ValueError("a profile needs points whose times rise")
        if not all(0 <= value <= 100 for _, value in self.humidity_percent):
            raise ValueError("relative humidity is from 0 to 100 percent")

    def temperature(self, t: float) -> Drive:
        """Return the temperature from bench time t on, valid until `next_knot`."""
        turning: tuple[Term, ...] = tuple(
            wave(w.amplitude, w.period_s, w.phase) for w in self.waves
        )
        waves = Drive(terms=turning).shifted(t)
        return _line(self.celsius, t) + waves

    def humidity(self, t: float) -> Drive:
        """Return the relative humidity in percent from bench time t on, until `next_knot`."""
        return _line(self.humidity_percent, t)

    def next_knot(self, t: float) -> float | None:
        """Return the next time after t at which a straight line ends, None when none does."""
        later = [at for knots in (self.celsius, self.humidity_percent) for at, _ in knots if at > t]
        return min(later, default=None)


def _line(knots: Knots, t: float) -> Drive:
    place = bisect_right([at for at, _ in knots], t)
    if place == 0:
        return Drive(knots[0][1])
    if place == len(knots):
        return Drive(knots[-1][1])
    (t0, y0), (t1, y1) = knots[place - 1], knots[place]
    slope = (y1 - y0) / (t1 - t0)
    return Drive(y0 + slope * (t - t0), slope)
