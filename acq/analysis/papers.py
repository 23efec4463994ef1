"""What a cell's own papers add to what its type promises: the deviates z conditioned on them.

A calibration sheet states input and output resistance and a zero; an earlier record of the same
serial may hold all pairs. Both are linear in the deviates, so that what they leave open is again
normal: a mean per cell, and one covariance for all cells with the same kind of papers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import block_diag

from acq.analysis.expectation import COUNT, DEVIATES, PLACE, ExpectedCell, readings, with_slopes
from acq.analysis.leads import INPUT, LeadPair
from acq.analysis.network import Floats
from acq.analysis.population import Population

OWN_OF_THE_METER = ("gain", "offset", "temperature")


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierReadings:
    """What was once read of the cell: pairs, then the zero in V/V; with standard uncertainties.

    `gain` (relative) and `offset_ohms` are common to all pairs. `zero_uncertainty` None: no zero
    was stated.
    """

    pairs: tuple[LeadPair, ...]
    uncertainties: tuple[float, ...]
    gain: float = 0.0
    offset_ohms: float = 0.0
    zero_uncertainty: float | None = None
    celsius: float = 22.0


@dataclass(frozen=True, slots=True, eq=False)
class Conditioned:
    """mean = (values - expected) @ gain; `root` is a square root of the covariance left.

    `values` are (cells, k): the pairs, and the zero in ohm (2 x input resistance) if there is one.
    """

    expected: Floats
    gain: Floats
    root: Floats

    def mean(self, values: Floats) -> Floats:
        """Return the mean of the deviates (cells, COUNT) for what was read."""
        shift: Floats = (values - self.expected) @ self.gain
        return shift


def condition(
    cell: ExpectedCell, population: Population, earlier: Sequence[EarlierReadings]
) -> Conditioned:
    """Return how the deviates of a cell follow from its earlier readings, taken in this order."""
    parts = [_linear(cell, population, one) for one in earlier]
    expected = np.concatenate([x for x, _, _ in parts])
    slopes = np.concatenate([x for _, x, _ in parts])
    covariance = slopes @ slopes.T + block_diag(*(x for _, _, x in parts))
    gain = np.linalg.solve(covariance, slopes)
    left = np.eye(COUNT) - slopes.T @ gain
    values, vectors = np.linalg.eigh(0.5 * (left + left.T))
    return Conditioned(expected, gain, vectors * np.sqrt(np.clip(values, 0.0, None)))


def _linear(
    cell: ExpectedCell, population: Population, earlier: EarlierReadings
) -> tuple[Floats, Floats, Floats]:
    then = replace(cell, celsius=earlier.celsius)
    base, slopes = with_slopes(lambda z: readings(then, population, z, earlier.pairs))
    slopes = slopes.copy()
    slopes[:, [PLACE[name] for name in OWN_OF_THE_METER]] = 0.0
    slopes[:, len(DEVIATES) :] = 0.0
    noise = np.diag(np.square((*earlier.uncertainties, 0.0)))
    common = [earlier.gain * np.append(base[:-1], 0.0), np.full(len(base), earlier.offset_ohms)]
    common[1][-1] = 0.0
    noise += sum(np.outer(x, x) for x in common)
    if earlier.zero_uncertainty is None:
        return base[:-1], slopes[:-1], noise[:-1, :-1]
    input_ohms = base[earlier.pairs.index(INPUT)] if INPUT in earlier.pairs else cell.input_ohms
    noise[-1, -1] = (2.0 * input_ohms * earlier.zero_uncertainty) ** 2
    return base, slopes, noise


def learned_legs(
    cell: ExpectedCell, population: Population, mean: Floats
) -> tuple[ExpectedCell, Floats]:
    """Return the cell with the legs that its own papers show, and what is left of the mean.

    The temperature acts on the legs, so that a cell whose legs are known deserves an expectation
    of its own: slopes at the legs of its type would be off.
    """
    total = sum(cell.legs_ohms)
    share = cell.legs_ohms[0] / total if total else 0.5
    legs = total + cell.leg_uncertainty * float(mean[PLACE["legs"]])
    two_sided = share not in (0.0, 1.0)
    split = population.spread.leg_split * total * float(mean[PLACE["split"]]) * two_sided
    left = mean.copy()
    left[[PLACE["legs"], PLACE["split"]]] = 0.0
    both = (share * legs + split, (1.0 - share) * legs - split)
    return replace(cell, legs_ohms=(max(both[0], 0.0), max(both[1], 0.0))), left
