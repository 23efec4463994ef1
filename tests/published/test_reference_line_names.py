"""One curve, several lines, several figures: y = x^2 on 0..1, derived analytically."""

from __future__ import annotations

import numpy as np
import pytest

from acq.analysis.reference_lines import Line, line_weights

POINTS = 2001


@pytest.mark.parametrize(
    ("line", "largest"),
    [
        (Line.TERMINAL, 1 / 4),
        (Line.LEAST_SQUARES, 1 / 6),
        (Line.MINIMAX, 1 / 8),
        (Line.ZERO, 1 / 4),  # slope 3/4, largest at the upper end
        (Line.SEVENTY_FIVE, 1 / 4),  # slope 3/4 as well, through (0.75, 0.5625)
    ],
)
def test_a_parabola_tells_the_lines_apart(line: Line, largest: float) -> None:
    x = np.linspace(0.0, 1.0, POINTS)
    y = x**2
    weights = line_weights(line, list(x), list(y))
    deviations = y - np.array([weights.at(load) @ y for load in x])
    # a sum over points instead of an integral is off by about one part in their number
    assert np.abs(deviations).max() == pytest.approx(largest, rel=2 / POINTS)
