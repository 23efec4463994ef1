"""How well each line explains the resistances and the zero of many cells: log evidence.

Given a line and a size s the readings are Gaussian about `base + s * step`; their covariance
holds how sound cells scatter, the meter and the line's own scatter. The size is integrated out
over its prior. Most lines cannot explain a given cell at all: a first look with one common
metric picks those that could, and only they are computed with their own covariance.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from acq.analysis.expectation import COUNT
from acq.analysis.fault_lines import Line
from acq.analysis.network import Floats
from acq.analysis.sizes import SizeIntegral

Places = NDArray[np.int64]
Mask = NDArray[np.bool_]

SLACK_OHMS = np.array([0.0, 0.01, 0.05, 0.25, 1.0, 5.0, 25.0, 125.0])
"""Looseness of the first look, by the deviation of the cell."""
SLACK_SHARE = 0.1  # of the largest deviation
KEEP = 60.0  # first look: how much worse in chi-square than the best a line may be
FIRST_OHMS = 0.02  # displacement up to which the covariance of s = 0 serves
STEP_RATIO = 1.2  # between the displacements whose covariances are kept
NEAR_END = 0.002  # between the sizes of lines that are all near their extreme
FAR = 8.0  # standard deviations from 0 from which the prior is flat enough over the likelihood
NEVER = -1e30


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Per cell and line: log evidence, size, its standard deviation, chi-square of the fit."""

    log: Floats
    size: Floats
    sigma: Floats
    chi_square: Floats


@dataclass(slots=True)
class LineTable:
    """Lines over the readings `rows` (places in D), prepared for cells that have just those.

    `root` is a square root of the covariance of the deviates z that a cell's own papers leave.
    """

    lines: list[Line]
    rows: Places
    noise: Floats
    root: Floats | None = None
    _whiteners: dict[tuple[int, int], tuple[Floats, float]] = field(default_factory=dict)
    _looks: dict[int, _Look] = field(default_factory=dict)

    def evidence(self, readings: Floats, mean: Floats, wanted: Mask) -> Evidence:
        """Return the evidence of readings (cells, rows) in ohm.

        `mean` (cells, deviates) is where the papers of each cell put its deviates z. `wanted`
        (cells, lines) are computed whatever the first look says; spread-out leaks only then.
        """
        sound = self.lines[0]
        shifted = readings - mean @ sound.base_slopes[self.rows].T
        deviation = np.abs(shifted - sound.base[self.rows]).max(-1)
        level = np.searchsorted(SLACK_OHMS, SLACK_SHARE * deviation, side="right") - 1
        cells, lines = len(readings), len(self.lines)
        out = Evidence(
            np.full((cells, lines), NEVER),
            np.zeros((cells, lines)),
            np.full((cells, lines), np.inf),
            np.full((cells, lines), np.inf),
        )
        for slack in np.unique(level).tolist():
            some = np.flatnonzero(level == slack)
            self._rank(some, int(slack), shifted[some], readings, mean, wanted[some], out)
        return out

    def _rank(
        self,
        some: Places,
        slack: int,
        shifted: Floats,
        readings: Floats,
        mean: Floats,
        wanted: Mask,
        out: Evidence,
    ) -> None:
        look = self._look(slack)
        fit = look.fit(shifted)
        for line in np.flatnonzero(look.own_covariance).tolist():
            the = self.lines[line]
            if not the.from_papers:
                wanted[:, line] |= slack > 0
            elif the.base_slopes is not self.lines[0].base_slopes:
                rest = readings[some] - mean[some] @ the.base_slopes[self.rows].T
                look.refit(fit, line, rest)
        keep = fit.allowed < fit.allowed.min(-1, keepdims=True) + KEEP
        if slack == 0:
            out.log[some] = np.where(look.leak, NEVER, look.log_evidence(fit))
            out.size[some], out.chi_square[some] = fit.size, fit.chi_square
            out.sigma[some] = look.sigma
            keep &= look.own_covariance | (np.abs(fit.size) * look.reach > FIRST_OHMS)
        keep = (keep & ~look.leak) | wanted
        for line in np.flatnonzero(keep.any(0)).tolist():
            mine = keep[:, line]
            self._refine(line, some[mine], fit.size[mine, line], readings, mean, out)

    def _look(self, slack: int) -> _Look:
        if slack not in self._looks:
            loose = np.hypot(self.noise, SLACK_OHMS[slack])
            sound = covariance(self.lines[0], self.rows, loose, 0.0, self.root)
            self._looks[slack] = _Look.of(self.lines, self.rows, sound, exact=slack == 0)
        return self._looks[slack]

    def _refine(
        self,
        line: int,
        some: Places,
        size: Floats,
        readings: Floats,
        mean: Floats,
        out: Evidence,
    ) -> None:
        """Compute one line for some cells with its own covariance at about their sizes."""
        the = self.lines[line]
        known = mean[some] if the.from_papers else np.zeros((1, COUNT))
        rest = readings[some] - the.base[self.rows] - known @ the.base_slopes[self.rows].T
        step = the.step[self.rows] + known @ the.step_slopes[self.rows].T
        step = np.broadcast_to(step, rest.shape)
        size = np.clip(size, the.prior.lower.min(), the.prior.upper.max())
        for _ in range(1 if the.point else 2):
            place = self._places(the, size)
            white, log_det = self._whiteners_of(line, place)
            r, t = _times(white, rest), _times(white, step)
            along, across = (t * t).sum(-1), (t * r).sum(-1)
            chi_square = (r * r).sum(-1)
            if the.point:
                break
            size = across / along
            moved = self._places(the, np.clip(size, the.prior.lower.min(), the.prior.upper.max()))
            if np.array_equal(place, moved):
                break
        log = -0.5 * log_det
        if not the.point:
            sigma = 1.0 / np.sqrt(along)
            chi_square = chi_square - across * size
            log = log + self._integral(line, size, sigma)
            out.size[some, line], out.sigma[some, line] = size, sigma
        out.log[some, line], out.chi_square[some, line] = log - 0.5 * chi_square, chi_square

    def _whiteners_of(self, line: int, place: Places) -> tuple[Floats, Floats]:
        """Return the inverse Cholesky factors (cells, rows, rows) and ln det for places."""
        unique, which = np.unique(place, return_inverse=True)
        each = [self._whitener(line, int(where)) for where in unique]
        if len(each) == 1:
            return each[0][0], np.full(len(place), each[0][1])
        white = np.stack([white for white, _ in each])
        return white[which], np.array([log_det for _, log_det in each])[which]

    def _integral(self, line: int, size: Floats, sigma: Floats) -> Floats:
        prior = self.lines[line].prior
        if prior.narrow:
            return prior.log_integral(size, sigma)
        integral: Floats = prior.log_density(size) + np.log(sigma) + 0.5 * np.log(2.0 * np.pi)
        near = (np.abs(size) < FAR * sigma) | ~np.isfinite(integral)
        if near.any():
            integral[near] = prior.log_integral(size[near], sigma[near])
        return integral

    def _places(self, line: Line, size: Floats) -> Places:
        """Return which covariance serves: 0 about s = 0, then by displacement and sign."""
        if line.prior.narrow:
            return np.asarray(np.round(size / NEAR_END), np.int64)
        reach = np.abs(line.step[self.rows]).max()
        moved = np.maximum(np.abs(size) * reach / FIRST_OHMS, 1.0)
        place = np.ceil(np.log(moved) / np.log(STEP_RATIO)) * np.sign(size)
        return np.asarray(place, np.int64)

    def _size_at(self, line: Line, where: int) -> float:
        """Return the middle of the sizes that share a place."""
        reach = np.abs(line.step[self.rows]).max()
        if where == 0 or reach == 0.0:
            return 0.0
        if line.prior.narrow:
            return NEAR_END * where
        return float(np.sign(where) * FIRST_OHMS / reach * STEP_RATIO ** (abs(where) - 0.5))

    def _whitener(self, line: int, where: int) -> tuple[Floats, float]:
        """Return the inverse Cholesky factor and ln det (2 pi C) of a line at a displacement."""
        key = (line, where)
        if key not in self._whiteners:
            the = self.lines[line]
            own = covariance(the, self.rows, self.noise, self._size_at(the, where), self.root)
            self._whiteners[key] = whitener(own)
        return self._whiteners[key]


def covariance(
    line: Line, rows: Places, noise: Floats, size: float, root: Floats | None = None
) -> Floats:
    """Return the covariance of the readings under a line at one size, ohm squared."""
    of_z = line.base_slopes + size * line.step_slopes
    if root is not None and line.from_papers:
        of_z = of_z @ root
    slopes = np.concatenate([of_z, line.columns, size * line.columns_per_size], -1)[rows]
    own = noise[rows] ** 2 + (size * line.jitter[rows]) ** 2
    # beyond its range the meter has another gain error, one for each range
    predicted = (line.base + size * line.step)[rows]
    own += (
        np.where(np.abs(predicted) > 0.9 * line.range_ohms, line.range_gain * predicted, 0.0) ** 2
    )
    return np.asarray(slopes @ slopes.T + np.diag(own))


def whitener(covariance: Floats) -> tuple[Floats, float]:
    """Return the inverse Cholesky factor of a covariance C, and ln det (2 pi C)."""
    factor = np.linalg.cholesky(covariance)
    log_det = 2.0 * np.log(np.diag(factor)).sum() + len(factor) * np.log(2.0 * np.pi)
    return np.linalg.inv(factor), float(log_det)


def _times(white: Floats, vectors: Floats) -> Floats:
    """Multiply each vector by its matrix, or all by the same."""
    if white.ndim == 2:
        return np.asarray(vectors @ white.T)
    return np.asarray(np.matmul(white, vectors[..., None])[..., 0])


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """(cells, lines): free size, its chi-square, and chi-square within the sizes allowed."""

    size: Floats
    chi_square: Floats
    allowed: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Look:
    """All lines at once in one metric: that of a sound cell, made looser by some ohms."""

    white: Floats
    log_det: float
    bases: Floats  # (lines, rows), whitened
    steps: Floats
    sigma: Floats
    reach: Floats
    own_covariance: Mask
    leak: Mask
    low: Floats
    high: Floats
    integrals: list[SizeIntegral | None]

    @classmethod
    def of(cls, lines: list[Line], rows: Places, sound: Floats, *, exact: bool) -> _Look:
        white, log_det = whitener(sound)
        steps = np.stack([line.step[rows] for line in lines])
        white_steps = steps @ white.T
        with np.errstate(divide="ignore"):
            sigma = 1.0 / np.sqrt((white_steps**2).sum(-1))
        own = [
            line.columns.shape[1] > 0 or line.base_slopes is not lines[0].base_slopes
            for line in lines
        ]
        return cls(
            white,
            log_det,
            np.stack([line.base[rows] for line in lines]) @ white.T,
            white_steps,
            sigma,
            np.abs(steps).max(-1),
            np.array(own),
            np.array([line.leak_bin is not None for line in lines]),
            np.array([line.prior.lower.min() for line in lines]),
            np.array([line.prior.upper.max() for line in lines]),
            [_broad_integral(line, at) for line, at in zip(lines, sigma, strict=True)]
            if exact
            else [],
        )

    def fit(self, readings: Floats) -> _Fit:
        """Return the best size of every line for every cell, with its chi-square."""
        white = readings @ self.white.T
        across = white @ self.steps.T - (self.bases * self.steps).sum(-1)
        along = (self.steps**2).sum(-1)
        size = across / np.where(along > 0, along, 1.0)
        chi_square = (white**2).sum(-1)[:, None] - 2.0 * white @ self.bases.T
        chi_square += (self.bases**2).sum(-1) - size * across
        beyond = size - np.clip(size, self.low, self.high)
        return _Fit(size, chi_square, chi_square + beyond**2 * along)

    def refit(self, fit: _Fit, line: int, readings: Floats) -> None:
        """Put a line without a size of its own again, with its own reading of the papers."""
        rest = readings @ self.white.T - self.bases[line]
        fit.chi_square[:, line] = fit.allowed[:, line] = (rest**2).sum(-1)

    def log_evidence(self, fit: _Fit) -> Floats:
        """Return the log evidence where this metric is a line's own."""
        log: Floats = -0.5 * (fit.chi_square + self.log_det)
        for line, integral in enumerate(self.integrals):
            if integral is not None:
                log[:, line] += integral(fit.size[:, line])
        return log


def _broad_integral(line: Line, sigma: float) -> SizeIntegral | None:
    return None if line.point else SizeIntegral.of(line.prior, float(sigma))


def groups(present: Mask) -> Iterator[tuple[Mask, Places]]:
    """Yield each pattern of readings (cells, D) that occurs, with the cells that have it."""
    patterns, of_cell = np.unique(present, axis=0, return_inverse=True)
    for place, pattern in enumerate(patterns):
        yield pattern, np.flatnonzero(of_cell.reshape(-1) == place)
