"""When to read, how long to wait, how often to load: the procedure of OIML R 60-2:2021.

Loads here are masses in kg; a force is turned into the mass it stands for by whoever knows the
local gravity. Numbers of the procedure, no clock and no instrument.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

# R 60-2:2021, table 1: change of load up to and including ... kg -> seconds, classes C and D
_TABLE_1_CD: tuple[tuple[float, float], ...] = (
    (10.0, 10.0),
    (100.0, 20.0),
    (1_000.0, 30.0),
    (10_000.0, 40.0),
    (100_000.0, 50.0),
)
_ABOVE_CD_S = 60.0
_CLASS_FACTOR = {"A": 2.0, "B": 1.5, "C": 1.0, "D": 1.0}  # the columns of table 1, as ratios

PRELOADS = 3  # R 60-2:2021, 2.10.1.3, 2.10.2, 2.10.3.3
WAIT_BEFORE_LOADS_S = 300.0  # 2.10.1.3
WAIT_BEFORE_CREEP_S = 3600.0  # 2.10.2, 2.10.3.3
CREEP_S = 1800.0  # 2.10.2.8
CREEP_MUST_READ_S = 1200.0  # 2.10.2.8
RISING_POINTS = 5  # 2.10.1.8, besides the minimum load
LARGEST_MINIMUM_LOAD = 0.10  # of Emax, 2.7.3.4
SMALLEST_MAXIMUM_LOAD = 0.90  # of Emax, 2.7.3.4
STABLE_WITHIN_K = 2.0  # 2.7.3.1, and never more than one fifth of the temperature range
REFERENCE_TEMPERATURE_C = 20.0  # +-2, 2.10.1.2
LONGEST_RETURN = 1.5  # of the time in table 1, 2.8.3.2


def runs_needed(letter: str) -> int:
    """Return how many runs a class asks for (R 60-2:2021, 2.10.1.12)."""
    return 5 if letter in ("A", "B") else 3


def reading_time_s(change_kg: float, letter: str = "C") -> float:
    """Return the seconds from the start of a load change to its reading (R 60-2:2021, table 1)."""
    change = abs(change_kg)
    seconds = next((time for upto, time in _TABLE_1_CD if change <= upto), _ABOVE_CD_S)
    return seconds * _CLASS_FACTOR[letter]


@dataclass(frozen=True, slots=True)
class LoadStep:
    """One change of load: reach it in about `loading_s`, read `reading_s` after its start."""

    load_kg: float
    change_kg: float
    loading_s: float
    reading_s: float


def load_steps(loads_kg: Sequence[float], letter: str = "C") -> tuple[LoadStep, ...]:
    """Return the steps between successive loads; half of each time is for loading (2.8.3.1)."""
    return tuple(
        LoadStep(after, after - before, 0.5 * time, time)
        for before, after in pairwise(loads_kg)
        for time in (reading_time_s(after - before, letter),)
    )


def spacing_s(steps: Sequence[LoadStep], between_s: float = 0.0) -> float:
    """Return one interval that fits every step: points are evenly spaced in time (2.10.1.7)."""
    return max(step.reading_s for step in steps) + between_s


def creep_reading_times_s(initial_s: float, every_s: float | None = None) -> tuple[float, ...]:
    """Return the reading times from the start of loading: initial, then up to 30 min after it.

    Without `every_s` the usual 1, 2, 5, 10, 15, 20, 25, 30 min; 20 min is always among them.
    """
    if every_s is None:
        after = [60.0, 120.0, 300.0, 600.0, 900.0, 1200.0, 1500.0, 1800.0]
    else:
        after = [every_s * k for k in range(1, int(CREEP_S / every_s + 1e-9) + 1)]
        after = sorted({*after, CREEP_MUST_READ_S, CREEP_S})
    return tuple(initial_s + seconds for seconds in (0.0, *after))
