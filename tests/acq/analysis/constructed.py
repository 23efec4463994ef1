"""Series and records whose results are known because they were put in."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from acq.analysis.creep import CreepReading, CreepRecord, creep_record
from acq.analysis.load_series import Direction, LoadReading, LoadSeries, load_series

STEPS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
CAPACITY = 500.0
RATED = 2e-3


def way(steps: Sequence[float] = STEPS) -> list[tuple[float, Direction]]:
    """Return the points of one run: up, and down without the top again."""
    return [(u, Direction.UP) for u in steps] + [(u, Direction.DOWN) for u in steps[-2::-1]]


def series(
    shape: Callable[[float, Direction], float],
    *,
    runs: int = 1,
    zero: float = 1e-5,
    noise: Sequence[float] = (),
    steps: Sequence[float] = STEPS,
) -> LoadSeries:
    """Return a series of `shape`, output over rated output at a load fraction and branch."""
    readings = []
    errors = iter(noise)
    for run in range(1, runs + 1):
        for u, direction in way(steps):
            output = zero + RATED * shape(u, direction) + next(errors, 0.0)
            readings.append(
                LoadReading(run=run, direction=direction, load=u * CAPACITY, output=output)
            )
    return load_series(readings)


def creep(
    size: float,
    terms: Sequence[tuple[float, float]] = ((0.4, 120.0), (0.6, 1980.0)),
    *,
    initial_s: float = 30.0,
    every_s: float = 60.0,
    zero: float = 3e-5,
    noise: Callable[[], float] = lambda: 0.0,
) -> CreepRecord:
    """Return 30 min under load and 30 min after it, as superposed exponentials."""

    def crept(seconds: float) -> float:
        return size * sum(part * (1 - math.exp(-seconds / tau)) for part, tau in terms)

    times = [every_s * k for k in range(int(1800 / every_s) + 1)]
    held = times[-1] + initial_s
    readings = [CreepReading(time_s=-60.0, load=0.0, output=zero + noise())]
    for t in times:
        output = zero + RATED * (1 + crept(initial_s + t)) + noise()
        readings.append(CreepReading(time_s=t, load=CAPACITY, output=output))
    for t in times:
        left = zero + RATED * (crept(held + initial_s + t) - crept(initial_s + t)) + noise()
        readings.append(CreepReading(time_s=held + t, load=0.0, output=left))
    return creep_record(readings)
