"""Noise of one reading, from the seed, the instrument and the reading's start time alone."""

from __future__ import annotations

from simulated_bench.events import NS
from simulated_bench.noise import Drift, Mains, NoiseLevels, ReadingNoise, key, normals

ZERO_DRIFT_VOLTS = 1e-7
"""1/f drift of the amplifier's zero per octave, seen when the automatic zero is off."""
MAINS_OFF = 1e-4
"""The grid is never exactly on its nominal frequency, relative."""


def normal(seed: int, name: str, start: int, channel: int = 0) -> float:
    """Return a standard normal number for a reading that starts at `start` (ns)."""
    return normals(key(seed, name), start, channel)[0]


class Noise:
    """Volts of noise referred to the most sensitive range of a meter."""

    def __init__(self, seed: int, name: str, mains_hertz: float) -> None:
        self.levels = NoiseLevels()
        mains = Mains(seed, mains_hertz * (1.0 + MAINS_OFF))
        self._reading = ReadingNoise(seed, name, self.levels, mains, 1.0 / mains_hertz)
        self._zero = Drift(key(seed, f"{name} zero"), ZERO_DRIFT_VOLTS)

    def reading(self, start: int, seconds: float, *, zeroed: bool) -> float:
        """Return the noise of a reading over a window that starts at `start` (ns), in V."""
        drift = 0.0 if zeroed else self._zero.mean(start / NS, seconds)
        return self._reading.mean(start, seconds) + drift
