"""How well each line explains the resistances and the zero of many cells: log evidence.

Given a line and a size s the readings are Gaussian about `base + s * step`; their covariance
holds how sound cells scatter, the meter and the line's own scatter. The size is integrated out
over its prior. Most lines cannot explain a given cell at all: `first_look` picks those that
could, and only they are computed with their own covariance.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from acq.analysis.expectation import COUNT, PLACE
from acq.analysis.fault_lines import Line
from acq.analysis.first_look import (
    END_TOLERANCE,
    EXPLAINED,
    KEEP,
    NEVER_SERVES,
    SLACKS_OHMS,
    FirstLook,
    Fit,
    Integral,
    Mask,
    Places,
    by_column,
    log_evidence,
    serves,
    whitener,
)
from acq.analysis.network import Floats
from acq.analysis.reading_errors import ReadingErrors, either_range, gain_by_range
from acq.analysis.sizes import FEW_BINS, SizeIntegral

HOPELESS = 9.0  # in ln, behind the best: no closer look where the first one is about right
SOUND = 12.0  # chi-square above the number of readings that still looks sound
FEW_CELLS = 40  # for so few the integrals are computed, not tabulated
BEYOND = 5.0  # times the size up to which the first metric serves
SIGMA_STEP = 0.2  # in ln, between the standard deviations for which a size is integrated out
FIRST_OHMS = 0.02  # displacement that shares the covariance of s = 0
STEP_RATIO = 1.2  # between the displacements whose covariances are kept
NEAR_END = 0.002  # between the sizes of lines that reach their extreme
NOTHING = 30.0  # in ln: what is that far behind counts for nothing
NEVER = -1e30


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Per cell and line: log evidence, size, its standard deviation, chi-square of the fit."""

    log: Floats
    size: Floats
    sigma: Floats
    chi_square: Floats

    @classmethod
    def none(cls, cells: int, lines: int) -> Evidence:
        """Return the evidence of lines that cannot explain anything."""
        log, size, sigma, chi_square = (
            by_column((cells, lines), x) for x in (NEVER, 0.0, np.inf, np.inf)
        )
        return cls(log, size, sigma, chi_square)


@dataclass(slots=True)
class LineTable:
    """Lines over the readings `rows` (places in D), prepared for cells that have just those.

    `root` is a square root of the covariance of the deviates z that a cell's own papers leave.
    """

    lines: list[Line]
    rows: Places
    errors: ReadingErrors
    root: Floats | None = None
    _whiteners: dict[tuple[int, int], tuple[Floats, float]] = field(default_factory=dict)
    _looks: dict[int, FirstLook] = field(default_factory=dict)
    _near: dict[tuple[int, int], SizeIntegral] = field(default_factory=dict)
    _integrals: list[SizeIntegral | None] = field(default_factory=list)
    _serves: Floats = field(init=False)
    _apart: list[int] = field(init=False)
    _leak: Mask = field(init=False)
    _by_papers: Mask = field(init=False)
    _flat: Mask = field(init=False)
    _at_end: Mask = field(init=False)
    _jitter: Mask = field(init=False)
    _levels: Places = field(init=False)

    def __post_init__(self) -> None:
        white = self._look(0).white if self.lines else np.empty((0, 0))
        self._serves = np.array([serves(line, self.rows, white) for line in self.lines])
        apart = [x.base_slopes is not self.lines[0].base_slopes for x in self.lines]
        self._serves[np.flatnonzero(apart)] = NEVER_SERVES
        self._apart = [
            number
            for number, line in enumerate(self.lines)
            if line.base_slopes is not self.lines[0].base_slopes and line.from_papers
        ]
        self._flat = np.array([not line.step[self.rows].any() for line in self.lines])
        self._by_papers = np.array([line.from_papers for line in self.lines])
        self._leak = np.array([line.leak_bin is not None for line in self.lines])
        self._levels = np.array([self._level_at_end(line) for line in self.lines])
        self._jitter = np.array([line.scatter is not None for line in self.lines])
        self._at_end = np.array([line.prior.at_end for line in self.lines])

    def _level_at_end(self, line: Line) -> int:
        """Return the slack that is as large as a line's own scatter at its extreme."""
        if not line.prior.at_end or not line.columns_per_size.size:
            return 0
        own = float(np.abs(line.columns_per_size[self.rows]).max())
        return min(int(np.searchsorted(SLACKS_OHMS, own)), len(SLACKS_OHMS) - 1)

    def evidence(self, readings: Floats, mean: Floats, beside: Floats, wanted: Mask) -> Evidence:
        """Return the evidence of readings (cells, rows) in ohm.

        `mean` (cells, deviates) is where the papers of each cell put its deviates z. `beside`
        (cells, lines) is what speaks for each line beside this evidence, in ln. `wanted` lines
        are computed whatever the first look says; spread-out leaks only then.
        """
        sound = self.lines[0]
        shifted = readings - mean @ sound.base_slopes[self.rows].T
        out = Evidence.none(len(readings), len(self.lines))
        keep = wanted & (beside > beside.max(-1, keepdims=True) - NOTHING)
        waiting, own = np.arange(len(readings)), keep
        for level in range(len(SLACKS_OHMS)):
            fit = self._fit(level, waiting, shifted, readings, mean)
            best = fit.allowed.min(-1)
            if level == 0:
                self._take(fit, out)
                # a cell that looks sound needs no other papers
                keep[fit.chi_square[:, 0] < len(self.rows) + SOUND] &= self._by_papers
            explained = best < len(self.rows) + EXPLAINED
            if level == len(SLACKS_OHMS) - 1:
                explained[:] = True
            good = fit.allowed < best[:, None] + KEEP
            done = waiting[explained]
            keep[done] |= good[explained] & ~self._leak
            if level == 0:
                keep[done] &= self._closer(out, beside, done) | wanted[done]
                own = np.abs(fit.size) > self._serves
            taken = keep[waiting] & own[waiting]
            out.size[waiting] = np.where(taken, fit.size, out.size[waiting])
            near_end = (fit.size > 1.0 - 2.0 * END_TOLERANCE) & (self._levels > level)
            ends = waiting[explained & near_end.any(-1)]
            self._keep_ends(level, ends, shifted, readings, mean, keep, out)
            waiting = waiting[~explained]
            if not len(waiting):
                break
        keep &= own  # for the others the first look's evidence is their own
        for line in np.flatnonzero(keep.any(0)).tolist():
            mine = np.flatnonzero(keep[:, line])
            self._refine(line, mine, out.size[mine, line], readings, mean, out)
        return out

    def _keep_ends(
        self,
        above: int,
        some: Places,
        shifted: Floats,
        readings: Floats,
        mean: Floats,
        keep: Mask,
        out: Evidence,
    ) -> None:
        """Judge lines that scatter at their extreme in a metric as loose as that."""
        for level in np.unique(self._levels[self._levels > above]).tolist() if len(some) else ():
            fit = self._fit(int(level), some, shifted, readings, mean)
            good = fit.allowed < fit.allowed.min(-1, keepdims=True) + KEEP
            good &= self._levels == level
            keep[some] |= good
            out.size[some] = np.where(good, fit.size, out.size[some])

    def _fit(
        self, level: int, some: Places, shifted: Floats, readings: Floats, mean: Floats
    ) -> Fit:
        look = self._look(level)
        fit = look.fit(shifted[some])
        for line in self._apart:
            slopes = self.lines[line].base_slopes[self.rows]
            look.refit(fit, line, readings[some] - mean[some] @ slopes.T)
        return fit

    def _look(self, level: int) -> FirstLook:
        if level not in self._looks:
            loose = self.errors.loosened(SLACKS_OHMS[level])
            sound = covariance(self.lines[0], self.rows, loose, np.zeros(1), self.root)[0]
            self._looks[level] = FirstLook.of(self.lines, self.rows, sound)
        return self._looks[level]

    def _take(self, fit: Fit, out: Evidence) -> None:
        """Take the first look's evidence for all; `_refine` replaces what it does not suit."""
        look = self._look(0)
        if not self._integrals and len(fit.size) > FEW_CELLS:
            self._integrals = [
                None if flat else SizeIntegral.of(line.prior, float(sigma))
                for line, sigma, flat in zip(self.lines, look.sigma, self._flat, strict=True)
            ]
        integrals: Sequence[Integral | None] = self._integrals or [
            None if flat else partial(line.prior.log_integral, sigma=sigma)
            for line, sigma, flat in zip(self.lines, look.sigma, self._flat, strict=True)
        ]
        out.log[:] = np.where(self._leak, NEVER, log_evidence(look, fit, integrals))
        out.size[:], out.chi_square[:], out.sigma[:] = fit.size, fit.chi_square, look.sigma

    def _closer(self, out: Evidence, beside: Floats, cells: Places) -> Mask:
        """Return which lines of cells near sound still need their own covariance."""
        total = out.log[cells] + beside[cells]
        # near the extreme of a line the first look's integral is too coarse
        hopeful = total > total.max(-1, keepdims=True) - HOPELESS
        size = np.abs(out.size[cells])
        # what lies far beyond the reach of the first metric cannot be judged by it
        far = size > BEYOND * self._serves
        return np.asarray(self._at_end | far & ~self._jitter | hopeful & (size > self._serves))

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
        if self._flat[line]:
            white, log_dets = self._whiteners_of(line, np.zeros(1, np.int64))
            chi_square = (_times(white, rest) ** 2).sum(-1)
            out.chi_square[some, line] = chi_square
            out.log[some, line] = -0.5 * (chi_square + log_dets[0])
            return
        step = the.step[self.rows] + known @ the.step_slopes[self.rows].T
        step = np.broadcast_to(step, rest.shape)
        low, high = the.prior.lower.min(), the.prior.upper.max()
        for _ in range(2):
            place = self._places(the, np.clip(size, low, high))
            white, log_det = self._whiteners_of(line, place)
            r, t = _times(white, rest), _times(white, step)
            along, across = (t * t).sum(-1), (t * r).sum(-1)
            size = across / along
            if np.array_equal(place, self._places(the, np.clip(size, low, high))):
                break
        sigma = 1.0 / np.sqrt(along)
        chi_square = (r * r).sum(-1) - across * size
        out.log[some, line] = -0.5 * (chi_square + log_det) + self._integral(line, size, sigma)
        out.size[some, line], out.sigma[some, line] = size, sigma
        out.chi_square[some, line] = chi_square

    def _integral(self, line: int, size: Floats, sigma: Floats) -> Floats:
        """Return ln of the prior integrated over the likelihood of each size."""
        prior = self.lines[line].prior
        if len(prior.share) <= FEW_BINS:
            return prior.log_integral(size, sigma)
        if len(size) <= FEW_CELLS:
            return prior.log_integral(size, sigma)
        total, near, outside = prior.log_far(size, sigma)
        if outside.any():
            total[outside] = prior.log_integral(size[outside], sigma[outside])
        steps = np.round(np.log(sigma) / SIGMA_STEP).astype(np.int64)
        for step in np.unique(steps[near]).tolist():
            some, usual = near & (steps == step), float(np.exp(SIGMA_STEP * step))
            if (line, step) not in self._near:
                self._near[line, step] = SizeIntegral.of(prior, usual)
            # the priors look the same at every scale, so that size over sigma is what counts
            total[some] = self._near[line, step](size[some] * usual / sigma[some])
        return total

    def _whiteners_of(self, line: int, place: Places) -> tuple[Floats, Floats]:
        """Return the inverse Cholesky factors (cells, rows, rows) and ln det for places."""
        unique, which = np.unique(place, return_inverse=True)
        self._prepare(line, [x for x in unique.tolist() if (line, x) not in self._whiteners])
        each = [self._whiteners[line, x] for x in unique.tolist()]
        if len(each) == 1:
            return each[0][0], np.full(len(place), each[0][1])
        white = np.stack([white for white, _ in each])
        return white[which], np.array([log_det for _, log_det in each])[which]

    def _prepare(self, line: int, places: list[int]) -> None:
        if not places:
            return
        the = self.lines[line]
        sizes = np.array([self._size_at(the, x) for x in places])
        white, log_det = whitener(covariance(the, self.rows, self.errors, sizes, self.root))
        for number, place in enumerate(places):
            self._whiteners[line, place] = white[number], float(log_det[number])

    def _places(self, line: Line, size: Floats) -> Places:
        """Return which covariance serves: 0 about s = 0, then by displacement and sign."""
        if line.prior.at_end:
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
        if line.prior.at_end:
            return NEAR_END * where
        return float(np.sign(where) * FIRST_OHMS / reach * STEP_RATIO ** (abs(where) - 0.5))


def covariance(
    line: Line, rows: Places, errors: ReadingErrors, sizes: Floats, root: Floats | None = None
) -> Floats:
    """Return the covariances of the readings under a line, (sizes, rows, rows) in ohm squared."""
    s = sizes[:, None, None]
    of_z = line.base_slopes[rows] + s * line.step_slopes[rows]
    predicted = _as_ranged(line, rows, sizes)
    of_z, upper = gain_by_range(of_z, PLACE["gain"], predicted, line.range_ohms)
    if root is not None and line.from_papers:
        of_z = of_z @ root
    total = of_z @ np.swapaxes(of_z, -1, -2) + line.columns[rows] @ line.columns[rows].T
    total += s**2 * (line.columns_per_size[rows] @ line.columns_per_size[rows].T)
    total += upper[:, :, None] * upper[:, None, :] + errors.covariance(rows)
    own = (sizes[:, None] * line.jitter[rows]) ** 2
    # about the end of a range nobody knows beforehand which of the two gains it will be
    either = either_range(predicted, line.range_ohms)
    own += np.where(either, line.range_gain * predicted, 0.0) ** 2
    diagonal = np.arange(len(rows))
    total[:, diagonal, diagonal] += own
    return np.asarray(total)


def _as_ranged(line: Line, rows: Places, sizes: Floats) -> Floats:
    """Return predictions (sizes, rows) that tell the ranges; the zero goes with the input."""
    predicted = line.base + sizes[:, None] * line.step
    predicted[:, -1] = predicted[:, 0]
    return np.asarray(predicted[:, rows])


def _times(white: Floats, vectors: Floats) -> Floats:
    """Multiply each vector by its matrix, or all by the same."""
    if white.ndim == 2:
        return np.asarray(vectors @ white.T)
    return np.asarray(np.matmul(white, vectors[..., None])[..., 0])


def groups(present: Mask) -> Iterator[tuple[Mask, Places]]:
    """Yield each pattern of readings (cells, D) that occurs, with the cells that have it."""
    weights = 2 ** np.arange(present.shape[1], dtype=np.int64)
    _, first, of_cell = np.unique(present @ weights, return_index=True, return_inverse=True)
    for place, example in enumerate(first):
        yield present[example], np.flatnonzero(of_cell == place)
