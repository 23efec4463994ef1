"""Where a group of values lies and how wide it is, when one of them may be wrong."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

NORMAL = 1.4826
"""Times the median absolute deviation: the standard deviation of a normal population,
1 / (third quartile of the standard normal distribution)."""


def median_and_scale(values: Sequence[float]) -> tuple[float, float]:
    """Return the median and 1.4826 times the median absolute deviation, in the values' unit.

    Half of the values may be anything without moving either far. Raises ValueError for none.
    """
    if not values:
        raise ValueError("no values: no median")
    centre = statistics.median(values)
    return centre, NORMAL * statistics.median(abs(value - centre) for value in values)
