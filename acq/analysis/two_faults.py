"""Two faults of the network at once: their exact model, fitted, and its log evidence.

Two lines do not simply add: the network of both is solved anew. Used for single cells whose
readings no single fault explains.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from acq.analysis.expectation import PLACE, readings, with_slopes
from acq.analysis.fault_changes import Change
from acq.analysis.fault_lines import Line
from acq.analysis.faults import Fault
from acq.analysis.first_look import Places, whitener
from acq.analysis.network import Floats
from acq.analysis.network_evidence import NEVER, Evidence, covariance
from acq.analysis.ranking import Ranker
from acq.analysis.reading_errors import gain_by_range

ROUNDS = 12
CLOSE = 1e-7
SINGULAR = 1e12  # condition from which two sizes are one
CANDIDATES = 8  # lines that are tried in pairs, beside the four arms
PAIRS = 12  # of them that are fitted
LOOSE = 0.02  # of the largest deviation: two lines do not quite add


@dataclass(frozen=True, slots=True, eq=False)
class TwoFaults:
    """Two lines with their sizes, log evidence, chi-square, and the readings they give."""

    lines: tuple[int, int]
    sizes: tuple[float, float]
    log: float
    chi_square: float
    predicted: Floats


def likely_pairs(
    ranker: Ranker, network: Evidence, ohms: Floats, rows: Places, mean: Floats
) -> list[tuple[int, int]]:
    """Return the pairs of lines worth a fit to readings (D,) of one cell.

    Of the four arms and the lines that alone explain most, those pairs whose sum explains most.
    """
    fits = [
        number
        for number, line in enumerate(ranker.lines)
        if line.change is not None and np.isfinite(network.chi_square[0, number])
    ]
    order = sorted(fits, key=lambda number: float(network.chi_square[0, number]))
    arms = [x for x in fits if ranker.lines[x].shares[0][0].fault is Fault.ARM_CHANGED]
    chosen = list(dict.fromkeys([*arms, *order]))[: CANDIDATES + len(arms)]
    sound = ranker.lines[0]
    rest = (ohms - sound.base - sound.base_slopes @ mean)[rows]
    loose = ranker.errors.loosened(LOOSE * float(np.abs(rest).max()))
    total = covariance(sound, rows, loose, np.zeros(1), ranker.root)
    white = whitener(total)[0][0]
    left = {}
    for pair in combinations(chosen, 2):
        one, other = (ranker.lines[number] for number in pair)
        if _apart(one, other):
            steps = white @ np.stack([one.step, other.step], -1)[rows]
            sizes = np.linalg.lstsq(steps, white @ rest, rcond=None)[0]
            left[pair] = float(((white @ rest - steps @ sizes) ** 2).sum())
    return sorted(left, key=lambda pair: left[pair])[:PAIRS]


def _apart(one: Line, other: Line) -> bool:
    """Whether two lines are different enough to be told apart at all."""
    cosine = one.step @ other.step
    cosine /= np.linalg.norm(one.step) * np.linalg.norm(other.step) + 1e-300
    return bool(abs(cosine) < 0.9999)


def fit_two(
    ranker: Ranker, ohms: Floats, rows: Places, mean: Floats, lines: tuple[int, int]
) -> TwoFaults | None:
    """Fit two lines at once to readings (D,) of one cell, of which `rows` were taken.

    `mean` are the deviates that the cell's own papers give. None where the two have no common
    model or do not fit together.
    """
    fit = _Fit(ranker, ohms[rows], rows, mean, [ranker.lines[x] for x in lines])
    try:
        sizes = fit.solve()
    except (ValueError, np.linalg.LinAlgError):
        return None
    return None if sizes is None else fit.found(lines, sizes)


@dataclass(slots=True)
class _Fit:
    ranker: Ranker
    ohms: Floats
    rows: Places
    mean: Floats
    lines: Sequence[Line]

    def change(self, sizes: Floats) -> Change:
        first, second = (line.change for line in self.lines)
        assert first is not None
        assert second is not None
        return first(float(sizes[0])).then(second(float(sizes[1])))

    def model(self, sizes: Floats) -> tuple[Floats, Floats]:
        """Return readings at the papers' mean and their slopes in the deviates, for the rows."""
        at, slopes = with_slopes(lambda z: self.readings(sizes, z + self.mean))
        return at[self.rows], slopes[self.rows]

    def readings(self, sizes: Floats, z: Floats) -> Floats:
        """Return all readings of cells with deviates z."""
        ranker = self.ranker
        return readings(ranker.cell, ranker.population, z, ranker.pairs, self.change(sizes))

    def within(self, sizes: Floats) -> Floats:
        low = [line.prior.lower.min() for line in self.lines]
        high = [line.prior.upper.max() for line in self.lines]
        return np.clip(sizes, low, high)

    def solve(self) -> Floats | None:
        sizes = self.within(np.zeros(2))
        for _ in range(ROUNDS):
            rest, tangents, white, _ = self.whitened(sizes)
            step = np.linalg.lstsq(white @ tangents.T, white @ rest, rcond=None)[0]
            after = self.within(sizes + step)
            if np.abs(after - sizes).max() < CLOSE:
                return after
            sizes = after
        return sizes

    def whitened(self, sizes: Floats) -> tuple[Floats, Floats, Floats, float]:
        at, slopes = self.model(sizes)
        tangents = np.empty((2, len(at)))
        for place in range(2):
            half = max(1e-5, 1e-4 * abs(float(sizes[place])))
            ends = []
            for sign in (1.0, -1.0):
                moved = sizes.copy()
                moved[place] += sign * half
                ends.append(self.readings(moved, self.mean[None])[0, self.rows])
            tangents[place] = (ends[0] - ends[1]) / (2.0 * half)
        root = self.ranker.root
        ranged, upper = gain_by_range(
            slopes, PLACE["gain"], at, self.ranker.population.meters.range_ohms
        )
        of_z = ranged if root is None else ranged @ root
        jitter = sum(
            (size * line.jitter[self.rows]) ** 2
            for size, line in zip(sizes, self.lines, strict=True)
        )
        total = of_z @ of_z.T + np.outer(upper, upper) + np.diag(jitter)
        total += self.ranker.errors.covariance(self.rows)
        white, log_det = whitener(total[None])
        return self.ohms - at, tangents, white[0], float(log_det[0])

    def found(self, lines: tuple[int, int], sizes: Floats) -> TwoFaults | None:
        """Return the fit; None where the readings do not determine both sizes."""
        rest, tangents, white, log_det = self.whitened(sizes)
        chi_square = float(((white @ rest) ** 2).sum())
        steep = white @ tangents.T
        information = steep.T @ steep
        if np.linalg.cond(information) > SINGULAR:
            return None
        log = -0.5 * (chi_square + log_det)
        log -= 0.5 * float(np.linalg.slogdet(information / (2.0 * np.pi))[1])
        for line, size in zip(self.lines, sizes, strict=True):
            density = float(line.prior.log_density(np.array(size)))
            log += density if np.isfinite(density) else NEVER
        two = (float(sizes[0]), float(sizes[1]))
        return TwoFaults(lines, two, log, chi_square, self.readings(sizes, self.mean[None])[0])
