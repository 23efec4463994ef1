"""Individuals and moving-range charts of a check standard: has the bench changed?

One value a day makes no subgroups, so the spread is that of neighbours: sigma = mean moving
range / d2. The constants are those of a normal distribution and subgroups of two, exact:

    d2 = 2 / sqrt(pi) = 1.1284          mean range of two values, in sigma
    d3 = sqrt(2 - 4 / pi) = 0.8525      its standard deviation, in sigma
    E2 = 3 / d2 = 2.6587                limits of a value, in mean moving ranges
    D4 = 1 + 3 d3 / d2 = 3.2665         upper limit of a moving range, likewise

Tables such as those of ISO 7870-2 (from memory) print 1.128, 2.660 and 3.267: their E2 is 3
over the rounded d2. The difference, 0.05 % of the width, decides nothing; exact values need no
table. The lower limit of a moving range of two is 0 (D3 = 0).
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

D2 = 2.0 / math.sqrt(math.pi)
D3_SPREAD = math.sqrt(2.0 - 4.0 / math.pi)  # called d3 in tables, where D3 is another constant
E2 = 3.0 / D2
D4 = 1.0 + 3.0 * D3_SPREAD / D2

LONGEST_ONE_SIDE = 9
"""Points in a row on one side of the mean: by chance one time in 256; common practice."""


@dataclass(frozen=True, slots=True)
class Chart:
    """Centre, spread and limits that earlier values give; all in the unit of the values."""

    count: int
    centre: float
    sigma: float
    mean_moving_range: float

    @property
    def lower(self) -> float:
        return self.centre - 3.0 * self.sigma

    @property
    def upper(self) -> float:
        return self.centre + 3.0 * self.sigma

    @property
    def largest_moving_range(self) -> float:
        """Upper limit of the step between two neighbours: D4 times their mean."""
        return D4 * D2 * self.sigma


def chart_of(values: Sequence[float], smallest_sigma: float = 0.0) -> Chart:
    """Return the chart of earlier values in their order.

    `smallest_sigma` keeps the limits as wide as the instruments' own scatter and last digit:
    some readings that happen to be alike must not make limits that nothing can keep. Raises
    ValueError for less than two values.
    """
    if len(values) < 2:
        raise ValueError("a moving range needs two values at least")
    steps = [abs(b - a) for a, b in itertools.pairwise(values)]
    mean_step = statistics.fmean(steps)
    sigma = max(mean_step / D2, smallest_sigma)
    return Chart(len(values), statistics.fmean(values), sigma, mean_step)


def warnings_of(chart: Chart, values: Sequence[float]) -> tuple[str, ...]:
    """Return what is unusual in the last of `values` although it lies within the limits.

    Two of three beyond two sigma on one side, and nine in a row on one side of the centre:
    supplementary tests of control charts, common practice.
    """
    found = []
    near = [(value - chart.centre) / chart.sigma if chart.sigma else 0.0 for value in values[-3:]]
    for side in (1.0, -1.0):
        beyond = [side * each > 2.0 for each in near]
        if sum(beyond) >= 2 and beyond[-1]:
            found.append("two of the last three values lie beyond two sigma on one side")
    newest = values[-LONGEST_ONE_SIDE:]
    if len(newest) == LONGEST_ONE_SIDE:
        signs = {math.copysign(1.0, value - chart.centre) for value in newest}
        if len(signs) == 1 and chart.centre not in newest:
            found.append(f"the last {LONGEST_ONE_SIDE} values lie on one side of the mean")
    return tuple(found)
