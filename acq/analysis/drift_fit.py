"""Which causes a record needs, by adding one column at a time while the readings ask for it.

The noise is taken as white plus a random walk with a ratio that is fitted too: a wandering zero
looks like every slow cause a little, and only what beats the wandering counts. Columns are
weighed by the Bayesian information criterion on block means.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acq.analysis.drift_columns import Cause, Column
from acq.analysis.drift_events import Array

Places = NDArray[np.intp]

BLOCKS = 240  # block means that are fitted; more would only count the same noise again
WANDER = (0.0, 1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0, 1e3)  # random-walk step per white noise, variances
WORTH = 12.0  # gain of the criterion that one more column must bring
NEARLY = 0.8  # of the best gain: near enough for a measured cause to be tried first
MOST_COLUMNS = 24


@dataclass(frozen=True, slots=True)
class Chosen:
    """The columns that were needed with their coefficients, and the noise that is left.

    `white` is the deviation of a block mean, `walk` that of the random walk from block to block.
    """

    columns: tuple[Column, ...]
    coefficients: tuple[float, ...]
    offset: float
    white: float
    walk: float
    criterion: float

    def part(self, index: int) -> Array:
        """What one column contributes, at the times of all readings."""
        return self.coefficients[index] * self.columns[index].values

    def whole(self, count: int) -> Array:
        """Everything that is explained, at the times of all `count` readings."""
        total = np.full(count, self.offset)
        for index in range(len(self.columns)):
            total += self.part(index)
        return total


def choose(values: Array, columns: Sequence[Column], floor: float = 0.0) -> Chosen:
    """Return the causes that a record needs. `floor` is the least deviation that is believed."""
    starts = block_starts(len(values))
    means = _block_means(values, starts)
    matrix = np.array([np.ones(len(means)), *(_block_means(c.values, starts) for c in columns)])
    found = [_selected(means, matrix, columns, ratio, floor) for ratio in WANDER]
    return min(found, key=lambda chosen: chosen.criterion)


def block_starts(count: int) -> Places:
    """First reading of each block."""
    blocks = min(BLOCKS, count)
    return np.unique(np.linspace(0, count, blocks, endpoint=False).astype(np.intp))


def _block_means(values: Array, starts: Places) -> Array:
    sums = np.add.reduceat(values, starts)
    return np.asarray(sums / np.diff(np.append(starts, len(values))))


def _selected(
    means: Array, matrix: Array, columns: Sequence[Column], ratio: float, floor: float
) -> Chosen:
    """Add columns while they are worth it, under one ratio of walk to white noise."""
    logs, whitened = _whitened(np.vstack([means, matrix]), ratio)
    y, candidates = whitened[0], whitened[1:]
    chosen = [0]
    best = _criterion(y, candidates[chosen], logs, floor)
    while len(chosen) < MOST_COLUMNS:
        order = _most_useful(y, candidates, chosen, columns)
        if order is None:
            break
        trial = _refined(y, candidates, [*chosen, order], columns)
        value = _criterion(y, candidates[trial], logs, floor)
        if value > best - WORTH:
            break
        chosen, best = trial, value
    chosen, best = _pruned(y, candidates, chosen, logs, floor, best)
    solution = np.linalg.lstsq(candidates[chosen].T, y, rcond=None)[0]
    rest = y - candidates[chosen].T @ solution
    white = max(float(np.sqrt(np.mean(rest**2))), floor)
    return Chosen(
        tuple(columns[k - 1] for k in chosen[1:]),
        tuple(float(x) for x in solution[1:]),
        float(solution[0]),
        white,
        white * math.sqrt(ratio),
        best,
    )


def _whitened(rows: Array, ratio: float) -> tuple[float, Array]:
    """One-step innovations of a level that wanders, divided by their deviation; and its log sum.

    The filter is the same linear one for readings and columns, so a regression stays one. The
    first innovation has no prediction and is left out.
    """
    if ratio == 0.0:
        return 0.0, rows
    level, spread = rows[:, 0].copy(), 1.0
    found = np.empty((rows.shape[0], rows.shape[1]))
    found[:, 0] = rows[:, 0] * 1e-3  # the first level is free: almost no weight
    logs = 0.0
    for k in range(1, rows.shape[1]):
        ahead = spread + ratio
        variance = ahead + 1.0
        error = rows[:, k] - level
        found[:, k] = error / math.sqrt(variance)
        logs += math.log(variance)
        gain = ahead / variance
        level = level + gain * error
        spread = gain
    return logs, found


def _criterion(y: Array, chosen: Array, logs: float, floor: float) -> float:
    solution = np.linalg.lstsq(chosen.T, y, rcond=None)[0]
    rest = y - chosen.T @ solution
    count = len(y)
    mean = max(float(np.mean(rest**2)), floor**2, 1e-300)
    return count * math.log(mean) + logs + len(chosen) * math.log(count)


def _most_useful(
    y: Array, candidates: Array, chosen: list[int], columns: Sequence[Column]
) -> int | None:
    basis, _ = np.linalg.qr(candidates[chosen].T)
    rest = y - basis @ (basis.T @ y)
    others = candidates - (candidates @ basis) @ basis.T
    size = np.sum(others**2, axis=1)
    original = np.sum(candidates**2, axis=1)
    families = {columns[k - 1].family for k in chosen[1:]}
    taken = [k in chosen or (k > 0 and columns[k - 1].family in families) for k in range(len(size))]
    usable = (size > 1e-8 * original) & ~np.array(taken)
    gain = np.where(usable, (others @ rest) ** 2 / np.where(usable, size, 1.0), -1.0)
    best = int(np.argmax(gain))
    if best > 0 and columns[best - 1].form == "slow":
        best = _rather_measured(gain, best, columns)
    return best if gain[best] > 0.0 else None


def _rather_measured(gain: Array, best: int, columns: Sequence[Column]) -> int:
    """A cause that was measured goes before a mere shape that fits little better."""
    measured = [k + 1 for k, c in enumerate(columns) if c.form in ("body", "humidity")]
    if not measured:
        return best
    other = max(measured, key=lambda k: float(gain[k]))
    return other if gain[other] > NEARLY * gain[best] else best


def _pruned(
    y: Array, candidates: Array, chosen: list[int], logs: float, floor: float, best: float
) -> tuple[list[int], float]:
    """Take columns out again that later ones have made needless."""
    while len(chosen) > 1:
        without = [[k for k in chosen if k != gone] for gone in chosen[1:]]
        values = [_criterion(y, candidates[left], logs, floor) for left in without]
        place = int(np.argmin(values))
        if values[place] > best + WORTH:
            break
        chosen, best = without[place], values[place]
    return chosen, best


def _refined(
    y: Array, candidates: Array, chosen: list[int], columns: Sequence[Column]
) -> list[int]:
    """Let every chosen column be replaced by a better one of its family, given the others."""
    result = list(chosen)
    for place in range(len(result) - 1, 0, -1):
        family = columns[result[place] - 1].family
        if columns[result[place] - 1].cause is Cause.STEPS:
            continue
        fixed = result[:place] + result[place + 1 :]
        basis, _ = np.linalg.qr(candidates[fixed].T)
        same = [k + 1 for k, c in enumerate(columns) if c.family == family]
        others = candidates[same] - (candidates[same] @ basis) @ basis.T
        size = np.maximum(np.sum(others**2, axis=1), 1e-300)
        result[place] = same[int(np.argmax((others @ y) ** 2 / size))]
    return result
