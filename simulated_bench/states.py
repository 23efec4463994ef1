"""Slow physics that steps by any dt exactly: modes driven by sums of exponentials.

Everything slow on the bench (temperatures, creep, decaying EMFs, moisture, swing, settling)
is a mode z' = rate (z - gain u(t)), rate real or complex, whose drive u(t) is a constant, a ramp
and a sum of exponentials, real or complex (a sine wave is one). Its value after any dt and its
mean over a window are closed forms, so that one step equals any number of small ones, and a
reading is the mean over its own integration time: rejection of mains follows by itself.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TURNS: Floats = np.concatenate([[0.0], np.geomspace(1e-6, 1.0, 200)])

Term = tuple[complex, complex]
"""Amplitude and rate of an exponential: its real part counts."""


_FACTORS = [1.0 / math.factorial(n) for n in range(24)]


def phi1(z: complex) -> complex:
    """Return (e^z - 1) / z, 1 at 0."""
    if z.imag == 0.0:
        return math.expm1(z.real) / z.real if z.real else 1.0
    return _horner(z, 1) if abs(z) < 0.5 else (cmath.exp(z) - 1) / z


def phi2(z: complex) -> complex:
    """Return (e^z - 1 - z) / z^2, 1/2 at 0."""
    return _horner(z, 2) if abs(z) < 0.5 else (phi1(z) - 1) / z


def phi3(z: complex) -> complex:
    """Return (e^z - 1 - z - z^2/2) / z^3, 1/6 at 0."""
    return _horner(z, 3) if abs(z) < 0.8 else (phi2(z) - 0.5) / z


def _horner(z: complex, first: int) -> complex:
    """sum z^n / (n + first)! from n = 0, for |z| below 1."""
    total: complex = 0.0
    for factor in reversed(_FACTORS[first : first + 17]):
        total = total * z + factor
    return total


def _between(a: complex, b: complex) -> complex:
    """(phi1(b) - phi1(a)) / (b - a), also where the two meet."""
    if abs(b - a) < 1e-5:
        middle = (a + b) / 2
        return phi1(middle) - phi2(middle)
    return (phi1(b) - phi1(a)) / (b - a)


@dataclass(frozen=True, slots=True)
class Drive:
    """u(t) = base + slope t + Re sum amplitude e^(rate t), t in seconds from now."""

    base: float = 0.0
    slope: float = 0.0
    terms: tuple[Term, ...] = ()

    def at(self, t: float) -> float:
        """Return u(t)."""
        waves = sum((c * cmath.exp(mu * t)).real for c, mu in self.terms)
        return float(self.base + self.slope * t + waves)

    def mean(self, seconds: float) -> float:
        """Return the mean of u over the window from 0 to `seconds`."""
        waves = sum((c * phi1(mu * seconds)).real for c, mu in self.terms)
        return float(self.base + self.slope * seconds / 2 + waves)

    def shifted(self, t: float) -> Drive:
        """Return the same drive seen from t seconds later."""
        terms = tuple((c * cmath.exp(mu * t), mu) for c, mu in self.terms)
        return Drive(self.base + self.slope * t, self.slope, terms)

    def scaled(self, factor: float) -> Drive:
        """Return the drive times a factor."""
        terms = tuple((c * factor, mu) for c, mu in self.terms)
        return Drive(self.base * factor, self.slope * factor, terms)

    def __add__(self, other: Drive) -> Drive:
        return Drive(self.base + other.base, self.slope + other.slope, self.terms + other.terms)

    def turning_points(self, seconds: float) -> list[float]:
        """Return u at every turn between 0 and `seconds` and u(seconds), in order of time.

        Made for a few real exponentials (a jack that overshoots), where no turn hides between
        the samples of the derivative.
        """
        if len(self.terms) < 2 and not self.slope:
            return [self.at(seconds)]
        times = seconds * TURNS
        signs = np.sign([self._derivative(float(t)) for t in times])
        turns = []
        for k in np.flatnonzero(signs[:-1] * signs[1:] < 0):
            turns.append(self.at(self._turn(float(times[k]), float(times[k + 1]))))
        return [*turns, self.at(seconds)]

    def _derivative(self, t: float) -> float:
        return self.slope + float(sum((c * mu * cmath.exp(mu * t)).real for c, mu in self.terms))

    def _turn(self, low: float, high: float) -> float:
        rising = self._derivative(low) > 0
        for _ in range(60):
            middle = (low + high) / 2
            if (self._derivative(middle) > 0) == rising:
                low = middle
            else:
                high = middle
        return (low + high) / 2


def wave(amplitude: float, period_s: float, phase: float = 0.0) -> Term:
    """Return the term of amplitude sin(2 pi t / period + phase)."""
    return amplitude * cmath.exp(1j * (phase - math.pi / 2)), 2j * math.pi / period_s


REST = Drive()


class Modes:
    """A set of first-order modes under one drive: z' = rate (z - gain u), rates in 1/s.

    A lag of tau seconds has the rate -1/tau; a swing -1/tau + 2j pi f.
    """

    def __init__(
        self, rates: Sequence[complex], gains: Sequence[float] | None = None, value: complex = 0.0
    ) -> None:
        self.rates = [complex(rate) for rate in rates]
        self.gains = list(gains) if gains is not None else [1.0] * len(self.rates)
        self.values = [complex(value)] * len(self.rates)

    def settle(self, level: float) -> None:
        """Put all modes where a constant drive would bring them in the end."""
        self.values = [complex(gain * level) for gain in self.gains]

    def step(self, seconds: float, drive: Drive = REST) -> None:
        """Advance by any time."""
        self.values = self.ahead(seconds, drive)

    def level(self) -> float:
        """Return the sum of the real parts now."""
        return sum(value.real for value in self.values)

    def mean_level(self, seconds: float, drive: Drive = REST) -> float:
        """Return the sum of the real parts, mean over the window from now."""
        return sum(value.real for value in self.means(seconds, drive))

    def ahead(self, seconds: float, drive: Drive = REST) -> list[complex]:
        """Return the values `seconds` from now without moving."""
        after = []
        for value, rate, gain in zip(self.values, self.rates, self.gains, strict=True):
            forced = drive.base * seconds * phi1(rate * seconds)
            if drive.slope:
                forced += drive.slope * seconds**2 * phi2(rate * seconds)
            for c, mu in _real_parts(drive.terms):
                forced += c * _carried(rate, mu, seconds)
            after.append(value * cmath.exp(rate * seconds) - rate * gain * forced)
        return after

    def means(self, seconds: float, drive: Drive = REST) -> list[complex]:
        """Return the means over the window from now, without moving."""
        means = []
        for value, rate, gain in zip(self.values, self.rates, self.gains, strict=True):
            z = rate * seconds
            forced = drive.base * seconds * phi2(z)
            if drive.slope:
                forced += drive.slope * seconds**2 * phi3(z)
            for c, mu in _real_parts(drive.terms):
                forced += c * seconds * _between(z, mu * seconds)
            means.append(value * phi1(z) - rate * gain * forced)
        return means


def _real_parts(terms: Sequence[Term]) -> list[Term]:
    """The real part of each term as exponentials: a mode may be complex itself."""
    parts: list[Term] = []
    for amplitude, mu in terms:
        if mu.imag or amplitude.imag:
            half = amplitude / 2
            parts += (half, mu), (half.conjugate(), mu.conjugate())
        else:
            parts.append((amplitude, mu))
    return parts


def _carried(rate: complex, mu: complex, t: float) -> complex:
    """The convolution of e^(rate t) and e^(mu t).

    Symmetric in the two: the slower one in front keeps the rest from overflowing.
    """
    front, other = (rate, mu) if rate.real > mu.real else (mu, rate)
    return t * cmath.exp(front * t) * phi1((other - front) * t)


class Plays:
    """Hysteresis by play operators, independent of rate: w follows f when f pushes it.

    Between the turns of a full loop 0..1 the falling branch lies 4 H u (1 - u) above the rising
    one; minor loops are H span^2 wide. A cell that rested (w = f everywhere) shows the
    first-load effect: its zero moves by H in the first full loop. H in fractions of full scale.
    """

    def __init__(self, width: float, count: int = 16) -> None:
        self.reach: Floats = (np.arange(count) + 0.5) / (2 * count)
        self.weight = 4 * width / count
        self.carried: Floats = np.zeros(count)
        self.load = 0.0

    def move(self, load: float) -> None:
        """Go to a load by a path that only rises or only falls."""
        self.carried = np.clip(self.carried, load - self.reach, load + self.reach)
        self.load = load

    def rest(self, seconds: float, tau_s: float) -> None:
        """Forget with the time constant `tau_s` (hours): the next load is a first load again."""
        self.carried = self.load + (self.carried - self.load) * math.exp(-seconds / tau_s)

    def output(self) -> float:
        """Return the deviation; 0 at the ends of a full loop that was exercised."""
        bare = self.weight * float(np.sum(self.carried - self.load))
        width = self.weight * len(self.reach) / 4
        return bare + width * (2 * self.load - 1)


def creep_terms(
    shares: Sequence[tuple[float, float]] = ((0.4, 120.0), (0.6, 1980.0)), minutes: float = 30.0
) -> tuple[list[complex], list[float]]:
    """Return rates and gains of creep modes whose sum is 1 after `minutes` of constant load.

    `shares` are weights and time constants in s. The default reproduces the average ratio of
    30 to 60 min creep of a published study (0.84); common practice.
    """
    reached = sum(a * -math.expm1(-60 * minutes / tau) for a, tau in shares)
    return [complex(-1 / tau) for _, tau in shares], [a / reached for a, _ in shares]
