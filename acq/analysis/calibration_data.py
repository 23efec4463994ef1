"""The points that a calibration curve is laid through, as weighted sums of readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from acq.analysis.load_series import Direction, LoadSeries
from acq.analysis.propagation import Floats, Readings


@dataclass(frozen=True, slots=True)
class CalibrationData:
    """The points of a curve: `outputs` are `weights` times the readings they were told from."""

    loads: Floats
    outputs: Floats
    weights: Floats  # (points, readings)
    readings: Readings

    @classmethod
    def plain(cls, readings: Readings) -> CalibrationData:
        """Return the readings themselves as points."""
        return cls(readings.loads, readings.outputs, np.eye(len(readings.loads)), readings)

    @property
    def levels(self) -> int:
        """How many different loads there are."""
        return len(np.unique(self.loads))


def calibration_data(series: LoadSeries) -> CalibrationData:
    """Return the rising points of a series as net outputs, each from its own run's zero.

    The zeros themselves are left out: as net outputs they are zero by definition and scatter
    not at all. A series that begins no run at its minimum load is taken as it stands.
    """
    readings = series.arrays
    rising = [i for i, r in enumerate(series.readings) if r.direction is Direction.UP]
    zeros = {series.readings[i].run: i for i in rising if _is_zero(series, i)}
    if set(zeros) != set(series.runs):
        return _points(series, readings, rising, {})
    return _points(series, readings, [i for i in rising if not _is_zero(series, i)], zeros)


def _is_zero(series: LoadSeries, place: int) -> bool:
    return series.readings[place].load == series.minimum_load


def _points(
    series: LoadSeries, readings: Readings, places: Sequence[int], zeros: Mapping[int, int]
) -> CalibrationData:
    weights = np.zeros((len(places), len(readings.loads)))
    for row, place in enumerate(places):
        weights[row, place] = 1.0
        if zeros:
            weights[row, zeros[series.readings[place].run]] -= 1.0
    loads = readings.loads[list(places)]
    return CalibrationData(loads, weights @ readings.outputs, weights, readings)
