"""Calibration curve: output as a polynomial in the load, and the load that an output stands for.

The load is first mapped to -1..1 and the fit is made in Chebyshev polynomials by QR: a fit on
raw loads (2.7e6) loses six of the twelve digits that the problem has. Raw coefficients are for
printing and for other programs; values are always computed in the mapped load.

Whether the degree is high enough is told by lack of fit against the scatter of replicates
(NIST/SEMATECH e-Handbook, 4.6.1.6): F = (SS of lack of fit / dof) / (SS of replicates / dof).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

import numpy as np
from numpy.polynomial import chebyshev

from acq.analysis.calibration_data import CalibrationData
from acq.analysis.load_series import SeriesError
from acq.analysis.propagation import (
    Contribution,
    Floats,
    Integers,
    Result,
    Source,
    Tracked,
    combine,
)
from acq.errors import WrongInput

HIGHEST_DEGREE = 5
SIGNIFICANCE = 0.05
# how far beyond the calibrated loads a solved load may lie: a new reading at full load scatters
MARGIN = 0.01


class OutsideRange(WrongInput):
    """An output that the calibration does not reach; numbers in the unit of its readings."""

    def __init__(self, output: float, low: float, high: float) -> None:
        super().__init__(f"output {output:g} is outside the calibrated range {low:g} to {high:g}")
        self.low, self.high = low, high


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """The F test of a curve against the scatter of its replicates."""

    f_ratio: float
    critical: float
    lack_degrees_of_freedom: int
    replicate_degrees_of_freedom: int
    replicate_sum_of_squares: float

    @property
    def significant(self) -> bool:
        """True when the curve misses more than the replicates scatter: the degree is too low."""
        return self.f_ratio > self.critical

    @property
    def replicate_deviation(self) -> float:
        """Standard deviation of the replicates, in the unit of the outputs."""
        return math.sqrt(self.replicate_sum_of_squares / self.replicate_degrees_of_freedom)


@dataclass(frozen=True)
class Polynomial:
    """A least-squares curve over points, in the units of their loads and outputs."""

    degree: int
    data: CalibrationData
    basis: Floats  # (points, degree + 1) Chebyshev polynomials of the mapped load
    scaled: Floats  # coefficients in that basis
    solver: Floats  # (degree + 1, points): scaled coefficients = solver @ outputs

    @cached_property
    def residuals(self) -> Floats:
        """Outputs minus curve."""
        return self.data.outputs - self.basis @ self.scaled

    @property
    def degrees_of_freedom(self) -> int:
        return len(self.residuals) - self.degree - 1

    @property
    def sum_of_squares(self) -> float:
        return float(self.residuals @ self.residuals)

    @property
    def residual_deviation(self) -> float:
        """Residual standard deviation s, in the unit of the outputs."""
        return math.sqrt(self.sum_of_squares / self.degrees_of_freedom)

    @property
    def regression_sum_of_squares(self) -> float:
        centred = self.basis @ self.scaled - self.data.outputs.mean()
        return float(centred @ centred)

    @property
    def r_squared(self) -> float:
        return 1.0 - self.unexplained

    @property
    def unexplained(self) -> float:
        """1 - R^2, without the digits that R^2 near 1 loses."""
        centred = self.data.outputs - self.data.outputs.mean()
        return self.sum_of_squares / float(centred @ centred)

    @cached_property
    def coefficients(self) -> Floats:
        """Coefficients of 1, x, x^2 ... for the raw load."""
        return np.asarray(self._to_raw @ self.scaled, dtype=np.float64)

    @cached_property
    def covariance(self) -> Floats:
        """Covariance of the raw coefficients, from the residual standard deviation."""
        spread = self._to_raw @ self.solver
        return np.asarray(self.residual_deviation**2 * (spread @ spread.T), dtype=np.float64)

    @property
    def standard_deviations(self) -> Floats:
        """Standard deviations of the raw coefficients."""
        return np.sqrt(np.diag(self.covariance))

    @cached_property
    def _to_raw(self) -> Floats:
        return _chebyshev_to_raw(self.degree, *_range(self.data.loads))

    def at(self, load: float) -> float:
        """Return the curve's output at a load."""
        return float(self._row(load) @ self.scaled)

    def slope_at(self, load: float) -> float:
        """Return the curve's slope at a load, in output per load."""
        middle, half = _range(self.data.loads)
        derivative = chebyshev.chebder(self.scaled) if self.degree else np.zeros(1)
        return float(chebyshev.chebval((load - middle) / half, derivative)) / half

    def tracked_at(self, load: float) -> Tracked:
        """Return the curve's output at a load with its derivative by every reading."""
        return Tracked(self.at(load), self._row(load) @ self.solver @ self.data.weights)

    def output_at(
        self, load: float, sources: Iterable[Source] = (), name: str = "output"
    ) -> Result:
        """Return the curve's output at a load with the uncertainty of the curve there."""
        tracked = self.tracked_at(load)
        size = self._fit_part(load)
        part = Contribution("scatter about the curve", size, self.degrees_of_freedom)
        stated = combine(tracked, self.data.readings, sources, (part,))
        return Result(name, tracked.value, "V/V", stated, f"{load:g}", tracked)

    def _fit_part(self, load: float) -> float:
        """The residuals' part of the curve's output: s times the root sum of its weights."""
        return self.residual_deviation * float(np.linalg.norm(self._row(load) @ self.solver))

    def _row(self, load: float) -> Floats:
        middle, half = _range(self.data.loads)
        mapped = np.array([(load - middle) / half])
        return np.asarray(chebyshev.chebvander(mapped, self.degree)[0], dtype=np.float64)

    def lack_of_fit(self, significance: float = SIGNIFICANCE) -> LackOfFit | None:
        """Return the F test against replicates (equal loads); None where it has no freedom."""
        from scipy.special import fdtri

        levels, codes = np.unique(self.data.loads, return_inverse=True)
        replicate_freedom = len(codes) - len(levels)
        lack_freedom = len(levels) - self.degree - 1
        if replicate_freedom < 1 or lack_freedom < 1:
            return None
        pure = _within_groups(self.data.outputs, codes)
        if pure == 0.0:
            return None
        lack = max(self.sum_of_squares - pure, 0.0) / lack_freedom
        critical = float(fdtri(lack_freedom, replicate_freedom, 1.0 - significance))
        ratio = lack / (pure / replicate_freedom)
        return LackOfFit(ratio, critical, lack_freedom, replicate_freedom, pure)

    def load_for(self, output: float, sources: Iterable[Source] = ()) -> Result:
        """Return the load that one new reading of `output` stands for.

        Its uncertainty holds the curve and the scatter of the one new reading (as in JCGM
        100:2008, H.3, turned round). Raises OutsideRange when the output lies beyond the
        calibrated range, WrongInput when the curve turns back inside it.
        """
        load = self._solved(output)
        slope = self.slope_at(load)
        tracked = Tracked(load, -self.tracked_at(load).gradient / slope)
        size = math.hypot(self._fit_part(load), self.residual_deviation) / abs(slope)
        both = Contribution("scatter, curve and new reading", size, self.degrees_of_freedom)
        stated = combine(tracked, self.data.readings, sources, (both,))
        return Result("load", load, "load", stated, f"for the output {output:g}", tracked)

    def _solved(self, output: float) -> float:
        from scipy.optimize import brentq

        middle, half = _range(self.data.loads)
        low, high = middle - (1 + 2 * MARGIN) * half, middle + (1 + 2 * MARGIN) * half
        self._require_one_way(low, high)
        ends = self.at(low) - output, self.at(high) - output
        if ends[0] * ends[1] > 0:
            raise OutsideRange(output, self.at(middle - half), self.at(middle + half))
        return float(
            brentq(lambda load: self.at(load) - output, low, high, rtol=1e-15, xtol=1e-300)
        )

    def _require_one_way(self, low: float, high: float) -> None:
        middle, half = _range(self.data.loads)
        mapped = (np.linspace(low, high, 201) - middle) / half
        slopes = chebyshev.chebval(mapped, chebyshev.chebder(self.scaled))
        if slopes.min() <= 0.0 <= slopes.max():
            raise WrongInput(
                f"the curve of degree {self.degree} turns back inside the calibrated range: "
                "it cannot be solved for the load"
            )


def _range(loads: Floats) -> tuple[float, float]:
    low, high = float(loads.min()), float(loads.max())
    return 0.5 * (low + high), 0.5 * (high - low)


def _within_groups(values: Floats, codes: Integers) -> float:
    means = np.bincount(codes, weights=values) / np.bincount(codes)
    apart = values - means[codes]
    return float(apart @ apart)


def _chebyshev_to_raw(degree: int, middle: float, half: float) -> Floats:
    """Return the matrix from Chebyshev to raw coefficients, in exact arithmetic."""
    matrix = np.zeros((degree + 1, degree + 1))
    for column in range(degree + 1):
        mapped = chebyshev.cheb2poly([0.0] * column + [1.0])
        for power, weight in enumerate(mapped):
            for row in range(power + 1):
                exact = Fraction(float(weight)) * math.comb(power, row)
                exact *= Fraction(-middle) ** (power - row) / Fraction(half) ** power
                matrix[row, column] += float(exact)
    return matrix


def fit_polynomial(data: CalibrationData, degree: int) -> Polynomial:
    """Return the least-squares polynomial of the outputs in the loads.

    Raises SeriesError unless there are more different loads than coefficients, and one more
    reading than that.
    """
    levels = data.levels
    if degree < 1:
        raise SeriesError(f"degree {degree}: a calibration curve has degree 1 to {HIGHEST_DEGREE}")
    if levels < degree + 1 or len(data.loads) < degree + 2:
        raise SeriesError(
            f"degree {degree} needs at least {degree + 1} different loads and {degree + 2} "
            f"readings, there are {levels} and {len(data.loads)}"
        )
    middle, half = _range(data.loads)
    mapped = (data.loads - middle) / half
    basis = np.asarray(chebyshev.chebvander(mapped, degree), dtype=np.float64)
    q, r = np.linalg.qr(basis)
    solver = np.asarray(np.linalg.solve(r, q.T), dtype=np.float64)
    return Polynomial(degree, data, basis, solver @ data.outputs, solver)
