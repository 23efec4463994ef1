"""Limits of OIML R 60:2021: classes, maximum permissible errors, creep, return, temperature.

A workshop tests one cell, once, mostly at one temperature. So nothing here says that a cell
complies with R 60: the words are "tested to the limits of class C3 at 22 degC".

Masses in kg (any one unit does); errors in verification intervals v; signs as in the text of
the recommendation: error = indicated - reference, creep = reading - initial, return = after -
before.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from itertools import pairwise

from acq.analysis import reading_times
from acq.errors import WrongInput

EDITION = "OIML R 60:2021"
DEFAULT_APPORTIONING = 0.7  # R 60-1, 5.3.2
APPORTIONING_RANGE = (0.3, 0.8)  # R 60-1, 5.3.2
CREEP_APPORTIONING = 0.7  # R 60-1, 5.5.1: whatever is declared for the load test
CREEP_SHARE = 0.7  # of |mpe|, R 60-1, 5.5.1
LATE_CREEP_SHARE = 0.15  # of |mpe|, 20 to 30 min, R 60-1, 5.5.1
RETURN_LIMIT_V = 0.5  # R 60-1, 5.5.2
SYSTEM_SHARE = 1.0 / 3.0  # U (k = 2) of rig and indicator against mpe, R 60-2, 1.2

# R 60-1:2021, table 1: least and most verification intervals
_INTERVALS: dict[str, tuple[float, float]] = {
    "A": (50_000, math.inf),
    "B": (5_000, 100_000),
    "C": (500, 10_000),
    "D": (100, 1_000),
}
# R 60-1:2021, table 4: upper ends (closed) of the bands 0.5, 1.0 and 1.5 times p_LC, in v
_BANDS: dict[str, tuple[float, float, float]] = {
    "A": (50_000, 200_000, math.inf),
    "B": (5_000, 20_000, 100_000),
    "C": (500, 2_000, 10_000),
    "D": (50, 200, 1_000),
}
_FACTORS = (0.5, 1.0, 1.5)
# a load that is a band's end in exact numbers may come out a hair above it
_EDGE = 1.0 + 1e-9


@dataclass(frozen=True, slots=True)
class AccuracyClass:
    """Class letter and number of verification intervals: C3 is class C with n = 3000."""

    letter: str
    intervals: int

    def __post_init__(self) -> None:
        least, most = _INTERVALS[self.letter]
        if not least <= self.intervals <= most:
            top = "without limit" if math.isinf(most) else f"{most:g}"
            raise WrongInput(
                f"class {self.letter} has {least:g} to {top} verification intervals "
                f"(R 60-1:2021, table 1), not {self.intervals}"
            )

    @property
    def symbol(self) -> str:
        return f"{self.letter}{self.intervals / 1000:g}"

    @property
    def runs(self) -> int:
        return reading_times.runs_needed(self.letter)

    def mpe_v(self, m_v: float, apportioning: float = DEFAULT_APPORTIONING) -> float:
        """Return the maximum permissible error in v at a load of `m_v` intervals (table 4).

        Raises WrongInput below 0 and beyond the last band.
        """
        if m_v < 0:
            raise WrongInput(f"a load of {m_v:g} v is below the minimum load")
        for factor, upper in zip(_FACTORS, _BANDS[self.letter], strict=True):
            if m_v <= upper * _EDGE:
                return factor * apportioning
        raise WrongInput(f"a load of {m_v:g} v is beyond class {self.letter}")

    @property
    def steps_v(self) -> tuple[float, ...]:
        """The loads in v, within the class, at which the permissible error changes."""
        return tuple(edge for edge in _BANDS[self.letter][:2] if edge < self.intervals)


def accuracy_class(symbol: str) -> AccuracyClass:
    """Return the class of a symbol such as C3, C1.5, B10 or D1 (thousands of intervals).

    Raises WrongInput for anything else, and for a number outside the class's range.
    """
    match = re.fullmatch(r"([ABCD])\s?(\d+(?:\.\d+)?)", symbol.strip().upper())
    if match is None:
        raise WrongInput(f"class {symbol!r} is not like C3, C1.5, B10 or D1")
    return AccuracyClass(match[1], round(float(match[2]) * 1000))


def checked_apportioning(factor: float) -> float:
    """Return p_LC if it is one that R 60-1:2021, 5.3.2 allows; raises WrongInput else."""
    low, high = APPORTIONING_RANGE
    if not low <= factor <= high:
        raise WrongInput(f"apportioning factor p_LC {factor:g} is not {low:g} to {high:g}")
    return factor


@dataclass(frozen=True, slots=True)
class MeasuringRange:
    """Test range of a class on a cell: Dmin and Dmax as masses, n intervals between them."""

    accuracy: AccuracyClass
    minimum_load: float
    maximum_load: float
    apportioning: float = DEFAULT_APPORTIONING

    @property
    def interval(self) -> float:
        """The verification interval v, in the unit of the loads."""
        return abs(self.maximum_load - self.minimum_load) / self.accuracy.intervals

    def in_intervals(self, load: float) -> float:
        """Return a load above Dmin in v."""
        return abs(load - self.minimum_load) / self.interval

    def mpe_v(self, load: float) -> float:
        """Return the maximum permissible error in v at a load."""
        return self.accuracy.mpe_v(self.in_intervals(load), self.apportioning)

    def mpe_steps(self) -> tuple[float, ...]:
        """Return the loads at which the permissible error changes: there readings are due."""
        sign = math.copysign(1.0, self.maximum_load - self.minimum_load)
        return tuple(
            self.minimum_load + sign * edge * self.interval for edge in self.accuracy.steps_v
        )

    @property
    def creep_limit_v(self) -> float:
        """Largest creep within 30 min at Dmax, in v."""
        return CREEP_SHARE * self._creep_mpe

    @property
    def late_creep_limit_v(self) -> float:
        """Largest creep between 20 and 30 min at Dmax, in v."""
        return LATE_CREEP_SHARE * self._creep_mpe

    @property
    def _creep_mpe(self) -> float:
        return self.accuracy.mpe_v(self.accuracy.intervals, CREEP_APPORTIONING)


def load_points(
    span: MeasuringRange, least: int = reading_times.RISING_POINTS
) -> tuple[float, ...]:
    """Return rising loads that a load test of the class asks for, Dmin first.

    Where the permissible error changes (R 60-2:2021, 2.10.1.8), at 75 %, where the reference line
    passes (2.8.2), at Dmax, and as many between the widest gaps as make `least` above Dmin.
    """
    reach = span.maximum_load - span.minimum_load
    points = {span.minimum_load, span.minimum_load + 0.75 * reach, span.maximum_load}
    ordered = sorted(points | set(span.mpe_steps()), key=abs)
    while len(ordered) < least + 1:
        gaps = [abs(after - before) for before, after in pairwise(ordered)]
        widest = gaps.index(max(gaps))
        ordered.insert(widest + 1, 0.5 * (ordered[widest] + ordered[widest + 1]))
    return tuple(ordered)


def check_range(span: MeasuringRange, capacity: float) -> None:
    """Raise WrongInput unless Dmin <= 10 % and 90 % <= Dmax <= 100 % of Emax.

    R 60-2:2021, 2.7.3.4.
    """
    low = abs(span.minimum_load) / capacity
    high = abs(span.maximum_load) / capacity
    if low > reading_times.LARGEST_MINIMUM_LOAD * _EDGE:
        raise WrongInput(
            f"minimum load {span.minimum_load:g} is {low:.1%} of the capacity {capacity:g}: "
            "at most 10 % for a class (R 60-2:2021, 2.7.3.4)"
        )
    if not reading_times.SMALLEST_MAXIMUM_LOAD / _EDGE <= high <= _EDGE:
        raise WrongInput(
            f"largest load {span.maximum_load:g} is {high:.1%} of the capacity {capacity:g}: "
            "90 % to 100 % for a class (R 60-2:2021, 2.7.3.4)"
        )


def return_limit_v(time_ratio: float = 1.0) -> float | None:
    """Return the limit of the minimum dead load output return in v.

    `time_ratio` is the actual over the specified reading time; beyond 1.5 there is no limit to
    compare with (None). R 60-1:2021, 5.5.2 and R 60-3:2021, 2.1.5.
    """
    if time_ratio <= 1.0:
        return RETURN_LIMIT_V
    if time_ratio > reading_times.LONGEST_RETURN * _EDGE:
        return None
    return RETURN_LIMIT_V * (1.0 - (time_ratio - 1.0))


def v_min(capacity: float, Y: float, minimum_dead_load: float = 0.0) -> float:
    """Return the minimum verification interval from Y (R 60-1:2021, 3.5.15)."""
    return (capacity - minimum_dead_load) / Y


def dead_load_return(capacity: float, Z: float, minimum_dead_load: float = 0.0) -> float:
    """Return DR as a mass from Z (R 60-1:2021, 3.5.14)."""
    return (capacity - minimum_dead_load) / (2.0 * Z)


def dead_load_return_from_v(
    return_v: float, capacity: float, intervals: int, minimum_dead_load: float = 0.0
) -> float:
    """Return DR as a mass from C_DR in v (R 60-3:2021, 2.1.5)."""
    return (capacity - minimum_dead_load) * return_v / intervals


def zero_temperature_limit_per_k(
    capacity: float,
    Y: float,
    letter: str = "C",
    apportioning: float = DEFAULT_APPORTIONING,
) -> float:
    """Return the permitted change of the minimum load output per kelvin, as a share of Emax.

    p_LC times v_min per 5 K, for class A per 2 K (R 60-1:2021, 5.6.1.3).
    """
    return apportioning * v_min(capacity, Y) / capacity / temperature_step_k(letter)


def temperature_step_k(letter: str) -> float:
    """Return T_f of R 60-3:2021, 2.1.4."""
    return 2.0 if letter == "A" else 5.0


def truncated(value_v: float) -> float:
    """Return a value in v cut to two decimals, as it is reported (R 60-3:2021, 2.3.2)."""
    return math.trunc(round(value_v * 100.0, 9)) / 100.0


def wording(accuracy: AccuracyClass, temperature_c: float | None) -> str:
    """Return the only claim a workshop makes about a class."""
    where = "" if temperature_c is None else f" at {temperature_c:g} degC"
    return f"tested to the limits of class {accuracy.symbol}{where}"
