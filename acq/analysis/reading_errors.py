"""Errors of the readings themselves: each reading's own, and what readings have in common.

A meter's gain and offset are one error for all that is read in one range: in sums of two readings
they add, in differences they cancel. In another range the meter has another gain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acq.analysis.network import Floats
from acq.analysis.population import Meters

SURELY = 0.02  # of the range: a prediction that is nearer to its end may be read in either range


@dataclass(frozen=True, slots=True, eq=False)
class ReadingErrors:
    """`own` (D,) is the standard deviation of each reading alone, `common` (D, any) are columns
    of independent influences, one standard deviation each; ohm.
    """

    own: Floats
    common: Floats

    @classmethod
    def alone(cls, own: Floats) -> ReadingErrors:
        """Return errors that no two readings share."""
        return cls(own, np.zeros((len(own), 0)))

    def loosened(self, ohms: float) -> ReadingErrors:
        """Return them with so much more scatter of each reading."""
        return ReadingErrors(np.hypot(self.own, ohms), self.common)

    def covariance(self, rows: NDArray[np.int64]) -> Floats:
        """Return the covariance of some readings, ohm squared."""
        common = self.common[rows]
        return np.asarray(np.diag(self.own[rows] ** 2) + common @ common.T)


def meter_columns(meters: Meters, ohms: Floats) -> Floats:
    """Return what readings (D,) of one meter share, (D, 3): offset, gain of either range."""
    upper = np.abs(ohms) > meters.range_ohms
    gain = meters.gain * ohms
    offset = np.full(len(ohms), meters.offset_ohms)
    return np.stack([offset, np.where(upper, 0.0, gain), np.where(upper, gain, 0.0)], -1)


def gain_by_range(
    slopes: Floats, gain: int, predicted: Floats, range_ohms: float
) -> tuple[Floats, Floats]:
    """Return the slopes (..., D, deviates) and a column (..., D) for the gain of the upper range.

    `slopes[..., gain]` is the gain as if one range read all; readings that are surely beyond
    `range_ohms` share another one.
    """
    upper = np.abs(predicted) > (1.0 + SURELY) * range_ohms
    if not upper.any():
        return slopes, np.zeros(predicted.shape)
    slopes = np.array(np.broadcast_to(slopes, (*predicted.shape, slopes.shape[-1])))
    column = np.where(upper, slopes[..., gain], 0.0)
    slopes[..., gain] = np.where(upper, 0.0, slopes[..., gain])
    return slopes, column


def either_range(predicted: Floats, range_ohms: float) -> NDArray[np.bool_]:
    """Return which readings may have been taken in the one range or in the other."""
    return np.asarray(np.abs(np.abs(predicted) - range_ohms) <= SURELY * range_ohms)
