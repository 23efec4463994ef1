"""Allan deviation: over which time averaging still helps, and where drift takes over.

White noise falls with the square root of the averaging time, a random walk rises with it, a
steady drift rises in proportion; the lowest point is the best averaging time of a setup.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True)
class AllanPoint:
    """Deviation in the unit of the readings at one averaging time, from `pairs` differences."""

    averaging_s: float
    deviation: float
    pairs: int

    @property
    def error(self) -> float:
        """Rough standard uncertainty: deviation per square root of the number of differences."""
        return self.deviation / math.sqrt(self.pairs)


def allan_deviation(
    values: ArrayLike,
    interval_s: float,
    counts: Sequence[int] | None = None,
    *,
    overlapping: bool = True,
) -> tuple[AllanPoint, ...]:
    """Return the Allan deviation of readings taken every `interval_s` seconds.

    `counts` are readings per mean, by default 1, 2, 4, ... while two means fit. With
    `overlapping` all starting points are used (NIST SP 1065, equation 11), else only every
    mean once (equation 9). Raises ValueError for fewer than 2 readings or a bad interval.
    """
    array: NDArray[np.float64] = np.asarray(values, dtype=float)
    if array.ndim != 1 or array.size < 2 or not np.all(np.isfinite(array)):
        raise ValueError("an Allan deviation needs at least 2 readings that are numbers")
    if interval_s <= 0.0:
        raise ValueError(f"the interval must be above 0 s, got {interval_s}")
    if counts is None:
        counts = [2**k for k in range(int(math.log2(array.size / 2)) + 1)]
    # differences of running sums are means without summing again; the mean is taken off first so
    # that a small scatter on a large value keeps its digits
    sums = np.concatenate([[0.0], np.cumsum(array - array.mean())])
    found = (_point(sums, interval_s, count, overlapping) for count in counts)
    return tuple(point for point in found if point is not None)


def _point(
    sums: NDArray[np.float64], interval_s: float, count: int, overlapping: bool
) -> AllanPoint | None:
    if count < 1:
        raise ValueError(f"a mean needs at least one reading, got {count}")
    step = 1 if overlapping else count
    second = sums[2 * count :: step] - 2.0 * sums[count:-count:step][: len(sums[2 * count :: step])]
    second = second + sums[: len(sums) - 2 * count : step]
    if second.size == 0:
        return None
    deviation = math.sqrt(float(np.mean(second**2)) / 2.0) / count
    return AllanPoint(count * interval_s, deviation, int(second.size))


def best_averaging(points: Sequence[AllanPoint]) -> AllanPoint:
    """Return the point of the lowest deviation. Raises ValueError when there is none."""
    if not points:
        raise ValueError("no Allan deviation to choose from")
    return min(points, key=lambda point: point.deviation)
