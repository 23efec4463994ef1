"""Noise of one reading, from the seed, the instrument and the reading's start time alone."""

from __future__ import annotations

import math

from scipy.special import ndtri

from simulated_bench.instruments.accuracy import drawn

WHITE_VOLTS = 0.30e-6
QUANTUM_VOLTS = 0.04e-6
FLOOR_VOLTS = 0.05e-6
"""Rms at one power-line cycle, a part that falls with the cycles, a floor.

Common practice, no source.
"""
HUM_VOLTS = 20e-6


def normal(*key: object) -> float:
    """Return a standard normal number that depends on the key alone."""
    return float(ndtri((drawn(*key) + 1.0) / 2.0 * (1 - 2e-16) + 1e-16))


class Noise:
    """Volts of noise referred to the most sensitive range of a meter."""

    def __init__(self, seed: int, name: str, mains_error: float = 1e-4) -> None:
        self.key = (seed, name, "noise")
        self.hum_volts = HUM_VOLTS
        self.mains_error = mains_error

    def reading(self, start: int, plc: float, mains_hertz: float, *, zeroed: bool) -> float:
        """Return the noise of a reading that starts at `start` (bench time, ns), in V."""
        white = WHITE_VOLTS / math.sqrt(plc) * normal(*self.key, start, "white")
        quantum = QUANTUM_VOLTS / plc * normal(*self.key, start, "quantum")
        floor = FLOOR_VOLTS * normal(*self.key, start, "floor")
        drift = 0.0 if zeroed else FLOOR_VOLTS * normal(*self.key, start // 60_000_000_000, "zero")
        return white + quantum + floor + drift + self._pick_up(start, plc, mains_hertz)

    def _pick_up(self, start: int, plc: float, mains_hertz: float) -> float:
        """Mean of the mains' sine over the window: whole cycles leave next to nothing."""
        turn = 2.0 * math.pi * (1.0 + self.mains_error)
        begin = (turn * start * 1e-9 * mains_hertz) % (2.0 * math.pi)
        end = begin + turn * plc
        return self.hum_volts * (math.cos(begin) - math.cos(end)) / (turn * plc)
