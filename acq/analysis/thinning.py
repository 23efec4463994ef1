"""A record of any length brought down to some thousand points, in memory that does not grow.

Readings are averaged in groups of 1, 2, 4 ... as more of them come. A reading that stands far out
of its group is kept as a point of its own, so that a spike stays a spike; a group of one and the
same digits keeps them exactly, so that a frozen reading stays frozen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acq.analysis.drift_events import SPIKE, white_noise

Array = NDArray[np.float64]
MOST_POINTS = 16_384
_NOISES = 512  # noise is judged in so many places at the most
_LEAST_FOR_NOISE = 30
_MOVES = 2.0  # of the change around a group: as much may its readings lie apart

# one group: readings, sums of times and values, least and largest with their times, covariates
COUNT, TIME, VALUE, LOW, LOW_AT, HIGH, HIGH_AT, MORE = range(8)


@dataclass(frozen=True, slots=True)
class Thinned:
    """Points in order of time. `group` is how many readings most of them stand for."""

    times_s: Array
    values: Array
    more: Array  # (covariates, points)
    readings: int
    group: int
    noise: float  # of single readings; 0 when it is not known


class Thinning:
    """Takes readings in order of time, with as many covariates as it was made for."""

    def __init__(self, covariates: int = 0, most: int = MOST_POINTS) -> None:
        self._covariates, self._most = covariates, most
        self._group = 1
        self._groups: list[Array] = []  # blocks of whole groups, one row each
        self._held = 0
        self._rest = np.empty((0, 2 + covariates))
        self._noises: list[float] = []
        self._noise_every, self._seen = 1, 0
        self.readings = 0

    def add(self, times_s: Array, values: Array, *more: Array) -> None:
        """Take readings; all arrays are of one length, and all numbers are finite."""
        if len(times_s) == 0:
            return
        self.readings += len(times_s)
        self._look_at_noise(values)
        rows = np.column_stack([times_s, values, *more])
        rows = np.concatenate([self._rest, rows]) if len(self._rest) else rows
        whole = len(rows) // self._group * self._group
        self._rest = rows[whole:].copy()
        if whole:
            self._keep(_grouped(rows[:whole], self._group))

    def result(self) -> Thinned:
        """Return the points so far."""
        rest = [_grouped(self._rest, len(self._rest))] if len(self._rest) else []
        blocks = [*self._groups, *rest]
        groups = np.concatenate(blocks) if blocks else np.empty((0, MORE + self._covariates))
        noise = float(np.median(self._noises)) if self._noises else 0.0
        points = _points(groups, noise)
        return Thinned(
            points[:, 0], points[:, 1], points[:, 2:].T, self.readings, self._group, noise
        )

    def _keep(self, groups: Array) -> None:
        self._groups.append(groups)
        self._held += len(groups)
        while self._held > self._most:
            self._halve()

    def _halve(self) -> None:
        """Put two and two groups together; an odd last one goes back to the rest of readings."""
        groups = np.concatenate(self._groups)
        odd = len(groups) % 2
        if odd:  # as readings at its mean: exact for the sums
            last, groups = groups[-1], groups[:-1]
            means = np.concatenate([last[[TIME, VALUE]], last[MORE:]]) / last[COUNT]
            self._rest = np.concatenate([np.tile(means, (self._group, 1)), self._rest])
        self._groups = [_merged(groups[0::2], groups[1::2])]
        self._group *= 2
        self._held = len(self._groups[0])
        self._compact_rest()

    def _compact_rest(self) -> None:
        if len(self._rest) >= self._group:
            rows, self._rest = self._rest[: self._group], self._rest[self._group :]
            self._groups.append(_grouped(rows, self._group))
            self._held += 1

    def _look_at_noise(self, values: Array) -> None:
        if len(values) < _LEAST_FOR_NOISE:
            return
        self._seen += 1
        if self._seen % self._noise_every == 0:
            self._noises.append(white_noise(values))
        if len(self._noises) > _NOISES:
            self._noises, self._noise_every = self._noises[::2], 2 * self._noise_every


def _grouped(rows: Array, group: int) -> Array:
    """Return one row per group of so many readings."""
    shaped = rows.reshape(-1, group, rows.shape[1])
    times, values = shaped[:, :, 0], shaped[:, :, 1]
    low, high = np.argmin(values, axis=1), np.argmax(values, axis=1)
    every = np.arange(len(shaped))
    columns = [
        np.full(len(shaped), float(group)),
        times.sum(axis=1),
        values.sum(axis=1),
        values[every, low],
        times[every, low],
        values[every, high],
        times[every, high],
        *shaped[:, :, 2:].sum(axis=1).T,
    ]
    return np.column_stack(columns)


def _merged(one: Array, two: Array) -> Array:
    result = one + two
    lower = two[:, LOW] < one[:, LOW]
    higher = two[:, HIGH] > one[:, HIGH]
    for columns, other in (((LOW, LOW_AT), lower), ((HIGH, HIGH_AT), higher)):
        for column in columns:
            result[:, column] = np.where(other, two[:, column], one[:, column])
    return result


def _points(groups: Array, noise: float) -> Array:
    """Means of the groups, and before or after them the readings that stand far out."""
    if not len(groups):
        return np.empty((0, groups.shape[1] - MORE + 2))
    count = groups[:, COUNT]
    means = np.column_stack([groups[:, TIME], groups[:, VALUE], groups[:, MORE:]]) / count[:, None]
    same = groups[:, LOW] == groups[:, HIGH]
    means[same, 1] = groups[same, LOW]
    lone: list[Array] = []
    least = SPIKE * max(noise, 1e-300) + _MOVES * _change(means[:, 1])
    for value, at in ((LOW, LOW_AT), (HIGH, HIGH_AT)):
        others = (groups[:, VALUE] - groups[:, value]) / np.maximum(count - 1.0, 1.0)
        far = (np.abs(groups[:, value] - others) > least) & (count > 2) & (noise > 0.0)
        for k in np.flatnonzero(far):
            lone.append(np.concatenate([groups[k, [at, value]], means[k, 2:]]))
            means[k, 1] = others[k]
    means = means[~_across_a_step(means[:, 1], noise)]
    points = np.concatenate([means, np.array(lone)]) if lone else means
    points = points[np.argsort(points[:, 0], kind="stable")]
    return np.asarray(points[np.append(True, np.diff(points[:, 0]) > 0.0)])


def _change(levels: Array) -> Array:
    """How far the level goes about each group: a slow change, or a step in it, spreads the
    readings of a group too, and is no spike.

    From before the group to behind it; and, where a curve turns and comes back to where it was,
    its bend over two groups on either side. The group's own level, a spike in it, has no part.
    """
    padded = np.pad(levels, 1, mode="edge")
    whole = np.abs(padded[2:] - padded[:-2])
    whole[[0, -1]] *= 2.0
    if len(levels) >= 5:
        bend = np.abs(levels[:-4] - levels[1:-3] - levels[3:-1] + levels[4:])
        whole = np.maximum(whole, np.pad(bend, 2, mode="edge"))
    return np.asarray(whole)


def _across_a_step(levels: Array, noise: float) -> NDArray[np.bool_]:
    """Tell which groups lie across a step: half a load would stand there, so they are left out.

    The level goes far from before the group to behind it, and hardly on either side of that.
    """
    across = np.zeros(len(levels), dtype=bool)
    if len(levels) < 5 or noise <= 0.0:
        return across
    whole = np.abs(levels[3:-1] - levels[1:-3])
    aside = np.maximum(np.abs(levels[1:-3] - levels[:-4]), np.abs(levels[4:] - levels[3:-1]))
    inside = (levels[2:-2] - levels[1:-3]) * (levels[3:-1] - levels[2:-2]) > 0.0
    across[2:-2] = (whole > SPIKE * noise) & (aside < whole / SPIKE) & inside
    return across
