"""What happens at a moment in a record: readings that repeat, spikes, steps.

Indices count readings from 0. Nothing here explains a slow change; that is `drift`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

GAUSSIAN = 1.4826  # standard deviation per median absolute deviation of a normal distribution
SPIKE = 8.0  # noise deviations from the running median
STEP = 6.5  # deviations of the jump between two fitted lines
WINDOWS = (8, 24)  # readings on each side of a possible step
FROZEN_S = 10.0  # common practice: the same digits for more than 10 s mean a dead converter or link
FROZEN_READINGS = 5


@dataclass(frozen=True, slots=True)
class Run:
    """Readings from `start` up to and without `end` that all show the same digits."""

    start: int
    end: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Jump:
    """A step between reading `index` - 1 and `index`, in the unit of the record."""

    index: int
    size: float


def frozen_run(times: Array, raw: Sequence[str]) -> Run | None:
    """Return the longest run of identical digits that a live instrument would not show.

    A run counts when it lasts over 10 s and 5 readings and is out of all proportion to the other
    runs: an instrument whose last digit is coarser than its noise repeats itself all the time.
    """
    edges = [0, *(k for k in range(1, len(raw)) if raw[k] != raw[k - 1]), len(raw)]
    lengths = np.diff(edges)
    longest = int(np.argmax(lengths))
    start, end = edges[longest], edges[longest + 1]
    seconds = float(times[end - 1] - times[start])
    if seconds <= FROZEN_S or end - start <= FROZEN_READINGS:
        return None
    usual = float(np.mean(np.delete(lengths, longest))) if len(lengths) > 1 else 1.0
    return Run(start, end, seconds) if end - start > 20.0 * usual else None


def white_noise(values: Array) -> float:
    """Standard deviation of the reading-to-reading noise, whatever slow change lies under it."""
    if len(values) < 3:
        return 0.0
    second = values[2:] - 2.0 * values[1:-1] + values[:-2]
    centred = np.abs(second - np.median(second))
    return float(GAUSSIAN * np.median(centred) / 6.0**0.5)


def spikes(values: Array, floor: float = 0.0) -> Flags:
    """Tell which readings stand alone, away from both neighbours.

    `floor` is the least noise that is believed, such as a last digit.
    """
    if len(values) < 5:
        return np.zeros(len(values), dtype=bool)
    padded = np.pad(values, 2, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 5)
    rest = values - np.median(windows, axis=1)
    noise = max(GAUSSIAN * float(np.median(np.abs(rest))), white_noise(values), floor, 1e-300)
    return np.asarray(np.abs(rest) > SPIKE * noise)


def without(values: Array, gone: Flags) -> Array:
    """Return the values with flagged ones replaced by the line between their neighbours."""
    if not gone.any() or gone.all():
        return values
    places = np.arange(len(values))
    return np.asarray(np.interp(places, places[~gone], values[~gone]))


def jumps(values: Array, floor: float = 0.0) -> tuple[Jump, ...]:
    """Return sudden lasting changes: where lines fitted before and after do not meet."""
    noise = max(white_noise(values), floor, 1e-300)
    found: list[Jump] = []
    for window in WINDOWS:
        if len(values) < 3 * window:
            continue
        size, deviation = _meeting(values, window)
        found += _peaks(size, deviation * noise, window)
    found.sort(key=lambda jump: -abs(jump.size))
    kept: list[Jump] = []
    for jump in found:
        if all(abs(jump.index - other.index) > WINDOWS[0] for other in kept):
            kept.append(jump)
    return tuple(sorted(kept, key=lambda jump: jump.index))


def _meeting(values: Array, window: int) -> tuple[Array, float]:
    """Gap between two fitted lines at every place, and its deviation per unit of noise.

    Element k belongs to a step before reading k + window.
    """
    x = np.arange(window) - (window - 1) / 2.0
    # value of the fitted line half a reading past its last point
    end = 1.0 / window + x * (window / 2.0) / float(x @ x)
    before = np.convolve(values, end[::-1], mode="valid")
    after = np.convolve(values, end, mode="valid")
    gap = after[window:] - before[:-window]
    return gap, float(2.0 * end @ end) ** 0.5


def _peaks(gap: Array, deviation: float, window: int) -> list[Jump]:
    found: list[Jump] = []
    strength = np.abs(gap)
    while len(found) < 200:
        place = int(np.argmax(strength))
        if strength[place] <= STEP * deviation:
            break
        found.append(Jump(place + window, float(gap[place])))
        strength[max(place - window, 0) : place + window + 1] = 0.0
    return found
