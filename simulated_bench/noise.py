"""Noise as a pure function of seed, name and bench time: order and retries change nothing.

Each draw is a Philox4x64-10 word keyed by (seed, name) and counted by (channel, start in ns).
Raw words are stable between versions of numpy, its own normals are not, so the normals come
from the inverse of the distribution. Slow drift, the mains, an intermittent joint and spikes are
functions of time: asking twice, later or out of order gives the same numbers.
"""

from __future__ import annotations

import cmath
import hashlib
import math
from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from simulated_bench.states import phi1

Key = NDArray[np.uint64]

QUANTILE = NormalDist().inv_cdf
"""Inverse of the normal distribution: quicker to load than the scientific libraries."""

DRIFT_CHANNEL = 1 << 32
DWELL_CHANNEL = 2 << 32
SPIKE_CHANNEL = 3 << 32
RESOLUTION_S = 1e-9
BOLTZMANN = 1.380649e-23
"""J/K, exact since the 2019 SI."""


def key(seed: int, name: str) -> Key:
    """Return the key of a named source of noise; the same in every process."""
    word = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "little")
    return np.array([seed & (2**64 - 1), word], np.uint64)


def words(k: Key, count: int, channel: int = 0) -> NDArray[np.uint64]:
    """Return 4 raw words for a counter (a start time in ns, a knot number)."""
    counter = np.array([0, channel, count % 2**64, 0], np.uint64)
    return np.asarray(np.random.Philox(key=k, counter=counter).random_raw(4), np.uint64)


def uniforms(k: Key, count: int, channel: int = 0) -> list[float]:
    """Return 4 numbers in (0, 1)."""
    return [((int(x) >> 11) + 0.5) * 2.0**-53 for x in words(k, count, channel)]


def normals(k: Key, count: int, channel: int = 0) -> list[float]:
    """Return 4 standard normal numbers."""
    return [QUANTILE(u) for u in uniforms(k, count, channel)]


def johnson_volts(ohms: float, celsius: float, seconds: float) -> float:
    """Return the rms thermal noise in V of a resistance averaged over `seconds`.

    4 k T R over the noise bandwidth 1 / (2 seconds) of an average (Nyquist).
    """
    return math.sqrt(4 * BOLTZMANN * (celsius + 273.15) * ohms / (2 * seconds))


class Drift:
    """1/f drift: one broken line per octave of time, with knots drawn by octave and number.

    `sigma` is the standard deviation of each octave. Values and window means are closed forms.
    """

    def __init__(self, k: Key, sigma: float, octaves: int = 15, first_s: float = 1.0) -> None:
        self._key = k
        self._spans = [first_s * 2.0**octave for octave in range(octaves)]
        # A broken line between independent knots has 2/3 of the knots' variance on average.
        self._scale = sigma * math.sqrt(1.5)
        self._known: dict[tuple[int, int], float] = {}

    def mean(self, start_s: float, seconds: float) -> float:
        """Return the mean drift over a window; with 0 seconds the value at its start."""
        total = 0.0
        for octave, span in enumerate(self._spans):
            low = start_s / span
            total += self._line_mean(octave, low, low + seconds / span)
        return self._scale * total

    def _line_mean(self, octave: int, low: float, high: float) -> float:
        n = math.floor(low)
        if high - low < 1e-9:
            part = low - n
            return self._knot(octave, n) * (1 - part) + self._knot(octave, n + 1) * part
        area = 0.0
        while n < high:
            a, b = max(low - n, 0.0), min(high - n, 1.0)
            y0, y1 = self._knot(octave, n), self._knot(octave, n + 1)
            area += y0 * (b - a) + (y1 - y0) * (b * b - a * a) / 2
            n += 1
        return area / (high - low)

    def _knot(self, octave: int, number: int) -> float:
        """A pure function of the key; remembered only for speed."""
        known = self._known.get((octave, number))
        if known is None:
            if len(self._known) > 4096:
                self._known.clear()
            known = normals(self._key, number, DRIFT_CHANNEL + octave)[0]
            self._known[octave, number] = known
        return known


class Mains:
    """The mains of the room: one phase for all instruments, wandering as the grid does."""

    def __init__(self, seed: int, hertz: float = 50.005, wander_rad: float = 1.0) -> None:
        k = key(seed, "mains")
        self.hertz = hertz
        self._phase = 2 * math.pi * uniforms(k, 0)[0]
        self._wander = Drift(k, wander_rad, 6, 32.0)

    def mean(self, start_s: float, seconds: float) -> float:
        """Return the mean over a window of a sine of amplitude 1 at the mains frequency."""
        turn = 2j * math.pi * self.hertz
        phase = self._phase + self._wander.mean(start_s, 0.0)
        return (cmath.exp(1j * phase + turn * start_s) * phi1(turn * seconds)).imag


@dataclass(frozen=True, slots=True)
class NoiseLevels:
    """Noise of a reading of N power-line cycles: white / sqrt(N), digitising / N, 1/f floor.

    In V (or the unit of the reading). Defaults: a 6.5 digit meter on its 100 mV range, common
    practice, no source.
    """

    white: float = 0.30e-6
    digitising: float = 0.04e-6
    floor: float = 0.02e-6
    pickup: float = 20e-6


class ReadingNoise:
    """Noise of one instrument's readings, from seed, name and start time alone."""

    def __init__(
        self,
        seed: int,
        name: str,
        levels: NoiseLevels = NoiseLevels(),
        mains: Mains | None = None,
        cycle_s: float = 0.02,
    ) -> None:
        self.key = key(seed, name)
        self.levels = levels
        self._mains = mains or Mains(seed)
        self._drift = Drift(self.key, levels.floor)
        self._cycle_s = cycle_s

    def mean(self, start_ns: int, seconds: float) -> float:
        """Return the error by noise of a reading that integrates from `start_ns` on."""
        cycles = seconds / self._cycle_s
        z = normals(self.key, start_ns)
        start_s = start_ns * 1e-9
        random = (
            self.levels.white / math.sqrt(cycles) * z[0] + self.levels.digitising / cycles * z[1]
        )
        pickup = self.levels.pickup * self._mains.mean(start_s, seconds)
        return random + pickup + self._drift.mean(start_s, seconds)


@dataclass(slots=True)
class Telegraph:
    """An intermittent joint: whole and broken in turns, dwell times exponential.

    A function of time: the state changes at instants drawn once by (seed, name, number).
    `flexed` are spans (start s, end s, factor) in which its clock runs faster.
    """

    seed: int
    name: str
    whole_s: float = 30.0
    broken_s: float = 2.0
    flexed: list[tuple[float, float, float]] = field(default_factory=list)
    _changes: list[float] = field(default_factory=list)

    def broken_share(self, start_s: float, seconds: float) -> float:
        """Return the share of a window in which the joint is broken (0 or 1 for 0 s)."""
        low = self._own_time(start_s)
        if seconds == 0:
            return float(bisect_right(self._until(low), low) % 2)
        edges = [start_s]
        for start, end, _ in self.flexed:
            edges += [t for t in (start, end) if start_s < t < start_s + seconds]
        edges = [*sorted(edges), start_s + seconds]
        broken = sum(self._broken_s(a, b) for a, b in pairwise(edges))
        return broken / seconds

    def next_change(self, t: float) -> float:
        """Return the first instant after t (s of bench time) at which the state changes.

        Changes within a nanosecond of t, the clock's resolution, are past.
        """
        changes = self._until(self._own_time(t + RESOLUTION_S))
        at = changes[bisect_right(changes, self._own_time(t + RESOLUTION_S))]
        edges = sorted({edge for start, end, _ in self.flexed for edge in (start, end)})
        for low, high in pairwise([t, *(edge for edge in edges if edge > t), math.inf]):
            begun, end = self._own_time(low), min(high, low + 1.0)
            if high == math.inf or at <= self._own_time(high):
                pace = (self._own_time(end) - begun) / (end - low)
                return max(low + (at - begun) / pace, t + RESOLUTION_S)
        raise AssertionError("the last span has no end")

    def _broken_s(self, start_s: float, end_s: float) -> float:
        """Seconds broken in a span through which the clock runs evenly."""
        low, high = self._own_time(start_s), self._own_time(end_s)
        changes = self._until(high)
        n = bisect_right(changes, low)
        total, at = 0.0, low
        while at < high:
            upto = min(changes[n], high)
            total += (upto - at) if n % 2 else 0.0
            at, n = upto, n + 1
        return total * (end_s - start_s) / (high - low) if high > low else 0.0

    def _own_time(self, t: float) -> float:
        extra = sum((f - 1) * max(0.0, min(t, end) - start) for start, end, f in self.flexed)
        return t + extra

    def _until(self, t: float) -> list[float]:
        """The instants of change, counted in the joint's own time, at least one after t."""
        k = key(self.seed, self.name)
        while not self._changes or self._changes[-1] <= t:
            n = len(self._changes)
            mean = self.broken_s if n % 2 else self.whole_s
            dwell = -mean * math.log(uniforms(k, n, DWELL_CHANNEL)[0])
            self._changes.append((self._changes[-1] if n else 0.0) + dwell)
        return self._changes


@dataclass(frozen=True, slots=True)
class Spikes:
    """Rare spikes: at most one in each span of `span_s`, of 5 to 200 uV and `width_s` length."""

    seed: int
    name: str
    per_hour: float = 1.0
    smallest: float = 5e-6
    largest: float = 200e-6
    width_s: float = 0.02
    span_s: float = 10.0

    def mean(self, start_s: float, seconds: float) -> float:
        """Return the mean over a window of all spikes in it, in V."""
        k = key(self.seed, self.name)
        first, last = (math.floor(t / self.span_s) for t in (start_s, start_s + seconds))
        area = 0.0
        for number in range(first, last + 1):
            happens, when, size, sign = uniforms(k, number, SPIKE_CHANNEL)
            if happens < self.per_hour * self.span_s / 3600:
                at = (number + when) * self.span_s
                inside = min(at + self.width_s, start_s + seconds) - max(at, start_s)
                volts = self.smallest * (self.largest / self.smallest) ** size
                area += max(0.0, inside) * volts * (1 if sign > 0.5 else -1)
        return area / seconds if seconds else 0.0
