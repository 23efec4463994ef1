"""All lines for many cells at once in one metric, to see which of them deserve a closer look.

The metric is that of a sound cell. For a cell far from sound it is loosened step by step until
some line explains the cell: what the metric neglects (the slopes of an open arm, the jitter of a
joint) then no longer hides the right line.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acq.analysis.fault_lines import Line
from acq.analysis.network import Floats

Places = NDArray[np.int64]
Mask = NDArray[np.bool_]

SLACKS_OHMS = (0.0, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0)
EXPLAINED = 25.0  # chi-square above the number of readings that still counts as explained
KEEP = 40.0  # how much worse in chi-square than the best a line may be
SAME_COVARIANCE = 0.3  # standard deviations that a line may add before it has its own covariance
NEVER_SERVES = -1.0
END_TOLERANCE = 0.3  # of a size near the extreme, which this metric judges badly


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """(cells, lines): free size, its chi-square, and chi-square within the sizes allowed."""

    size: Floats
    chi_square: Floats
    allowed: Floats


@dataclass(frozen=True, slots=True, eq=False)
class FirstLook:
    """One metric; `bases` and `steps` are whitened by it."""

    white: Floats
    log_det: float
    bases: Floats
    steps: Floats
    low: Floats
    high: Floats
    tolerance: Floats

    @classmethod
    def of(cls, lines: Sequence[Line], rows: Places, covariance: Floats) -> FirstLook:
        """Return the look in the metric of a covariance over the rows."""
        white, log_det = whitener(covariance[None])
        return cls(
            white[0],
            float(log_det[0]),
            np.stack([line.base[rows] for line in lines]) @ white[0].T,
            np.stack([line.step[rows] for line in lines]) @ white[0].T,
            np.array([line.prior.lower.min() for line in lines]),
            np.array([line.prior.upper.max() for line in lines]),
            np.array([END_TOLERANCE if line.prior.at_end else 0.0 for line in lines]),
        )

    @property
    def sigma(self) -> Floats:
        """Standard deviation of each line's size; inf for a point."""
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / np.sqrt((self.steps**2).sum(-1)))

    def fit(self, readings: Floats) -> Fit:
        """Return the best size of every line for every cell, with its chi-square."""
        white = readings @ self.white.T
        # by line, so that a line's cells stay together; in place, since fresh memory is slow
        along = (self.steps**2).sum(-1)[:, None]
        across = self.steps @ white.T
        across -= (self.bases * self.steps).sum(-1)[:, None]
        size = across / np.where(along > 0, along, 1.0)
        chi_square = (-2.0 * self.bases) @ white.T
        chi_square += (white**2).sum(-1)
        chi_square += (self.bases**2).sum(-1)[:, None]
        across *= size
        chi_square -= across
        beyond = np.clip(size, self.low[:, None], self.high[:, None], out=across)
        np.subtract(size, beyond, out=beyond)
        for line in np.flatnonzero(self.tolerance):
            beyond[line] = np.maximum(np.abs(beyond[line]) - self.tolerance[line], 0.0)
        beyond *= beyond
        beyond *= along
        beyond += chi_square
        return Fit(size.T, chi_square.T, beyond.T)

    def refit(self, fit: Fit, line: int, readings: Floats) -> None:
        """Put a line without a size of its own again, for readings that suit its base."""
        rest = readings @ self.white.T - self.bases[line]
        fit.chi_square[:, line] = fit.allowed[:, line] = (rest**2).sum(-1)


Integral = Callable[[Floats], Floats]


def log_evidence(look: FirstLook, fit: Fit, integrals: Sequence[Integral | None]) -> Floats:
    """Return the log evidence (cells, lines) where the metric is each line's own."""
    log: Floats = -0.5 * (fit.chi_square + look.log_det)
    for line, integral in enumerate(integrals):
        if integral is not None:
            log[:, line] += integral(fit.size[:, line])
    return log


def by_column(shape: tuple[int, int], value: float) -> Floats:
    """Return an array whose columns lie together, as they are taken one by one."""
    return np.full(shape, value, order="F")


def whitener(covariances: Floats) -> tuple[Floats, Floats]:
    """Return the inverse Cholesky factors of covariances C, and ln det (2 pi C)."""
    factor = np.linalg.cholesky(covariances)
    logs = np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(-1)
    log_det = 2.0 * logs + factor.shape[-1] * np.log(2.0 * np.pi)
    return np.linalg.inv(factor), log_det


def serves(line: Line, rows: Places, white: Floats) -> float:
    """Return up to which size the covariance of a sound cell is a line's own; below 0: never.

    `white` whitens it: what a line adds must stay small against that.
    """
    if line.columns.shape[1] or not line.from_papers or (line.prior.at_end and not line.point):
        return NEVER_SERVES
    added = np.concatenate([line.step_slopes, line.columns_per_size], -1)[rows]
    grown = np.sqrt(((white @ added) ** 2).sum() + ((white * line.jitter[rows]) ** 2).sum())
    return float(SAME_COVARIANCE / grown) if grown > 0 else np.inf
