"""What three insulation readings say about the three paths that make them: log evidence.

The paths leads-housing, leads-shield and shield-housing form a delta, and each reading is taken
with the third point open. All is counted in decades: a path is normal in log10 of its ohms about
its sound value, or anywhere in the range of a fault. A reading may be only a lower bound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from acq.analysis.leak_models import LEAK_BINS, LEAK_DECADES
from acq.analysis.network import Delta, Floats, delta_readings
from acq.analysis.population import Population
from acq.analysis.sizes import log_sum

LH, LS, SH = range(3)
PATHS = ("leads to housing", "leads to shield", "shield to housing")
GRID = 0.25  # decades between the normal pieces that make up a uniform range
CONTACT_DECADES = (-2.0, LEAK_DECADES[0])  # two metals touch
TIE_DECADES = (-2.0, 8.0)  # shield to housing
COARSE = 0.05  # decades: readings of many cells are rounded to that
CHUNK = 2000

State = tuple[float | None, float | None, float | None]
"""log10 of each path in ohm, None where it is sound."""


@dataclass(frozen=True, slots=True, eq=False)
class InsulationReadings:
    """log10 of ohm, (cells, 3) in the order of PATHS; NaN where not measured.

    `above` marks readings that are only a lower bound.
    """

    decades: Floats
    above: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class InsulationEvidence:
    """Log evidence per cell: all sound; per bin of a leak; of a contact; of a tie; of two.

    `leaks` (cells, 2, bins): leads to housing, leads to shield; `contacts` (cells, 2) the same
    below the leaks; `tie` (cells,) shield to housing. `pairs` (cells, 3): two paths at once, the
    sound one being shield-housing, leads-shield, leads-housing; empty unless asked for.
    """

    sound: Floats
    leaks: Floats
    contacts: Floats
    tie: Floats
    pairs: Floats


class InsulationTable:
    """All states of the three paths, prepared for one type of cell.

    `shield_connected` is None where the papers do not say: both are then as likely.
    """

    def __init__(self, population: Population, shield_connected: bool | None) -> None:
        self._population = population
        self._connected = shield_connected
        self._bins = np.digitize(_grid(*LEAK_DECADES), LEAK_BINS[1:]).clip(0, len(LEAK_BINS) - 1)

    @cached_property
    def _sound(self) -> _States:
        return self._states([(None, None, None)])

    @cached_property
    def _leaks(self) -> list[_States]:
        return [self._states(_one(path, _grid(*LEAK_DECADES))) for path in (LH, LS)]

    @cached_property
    def _contacts(self) -> list[_States]:
        return [self._states(_one(path, _grid(*CONTACT_DECADES))) for path in (LH, LS)]

    @cached_property
    def _tie(self) -> _States:
        return self._states(_one(SH, _grid(*TIE_DECADES)))

    @cached_property
    def _pairs(self) -> list[_States]:
        leak, tie = _grid(*LEAK_DECADES), _grid(*TIE_DECADES)
        return [
            self._states([(x, y, None) for x in leak for y in leak]),
            self._states([(x, None, y) for x in leak for y in tie]),
            self._states([(None, x, y) for x in leak for y in tie]),
        ]

    def evidence(self, readings: InsulationReadings, *, two: bool = False) -> InsulationEvidence:
        """Return the evidence of all states; 0 for a cell of which nothing was measured.

        `two` asks for two leaks or ties at once and for readings as they are, not rounded.
        """
        if not (np.isfinite(readings.decades) | readings.above).any():
            return _nothing(len(readings.decades))
        decades = readings.decades if two else COARSE * np.round(readings.decades / COARSE)
        first, rows = _distinct(decades, readings.above, fine=two)
        measured, above = decades[first], readings.above[first]

        def log(states: _States) -> Floats:
            return states.log_density(measured, above)

        leaks = np.stack([log(states) for states in self._leaks], 1)
        bins = [_log_mean(leaks[..., self._bins == x]) for x in range(len(LEAK_BINS))]
        found = InsulationEvidence(
            log(self._sound)[:, 0],
            np.stack(bins, -1),
            np.stack([_log_mean(log(states)) for states in self._contacts], -1),
            _log_mean(log(self._tie)),
            np.stack([_log_mean(log(x)) for x in self._pairs], -1) if two else np.zeros((1, 3)),
        )
        return InsulationEvidence(
            found.sound[rows],
            found.leaks[rows],
            found.contacts[rows],
            found.tie[rows],
            found.pairs[rows if two else 0 * rows],
        )

    def _states(self, states: Sequence[State]) -> _States:
        sound = self._population.insulation
        ties = {
            False: (sound.shield_housing,),
            True: (sound.shield_connected,),
            None: (sound.shield_housing, sound.shield_connected),
        }[self._connected]
        given = np.array(states, float)  # None becomes NaN: sound
        pieces = [
            self._pieces(given, np.array([sound.leads_housing, sound.leads_shield, tie]))
            for tie in ties
        ]
        means, covariances = (np.concatenate(x) for x in zip(*pieces, strict=True))
        return _States(means, covariances, len(states))

    def _pieces(self, given: Floats, usual: Floats) -> tuple[Floats, Floats]:
        """Return means and covariances of the three readings in each state, in decades."""
        sound = np.isnan(given)
        mean = np.where(sound, usual[:, 0], given)
        width = np.where(sound, usual[:, 1], 0.5 * GRID)
        half = 0.05 * np.eye(3)
        slopes = (_read(mean[:, None] + half) - _read(mean[:, None] - half)) / 0.1
        at, meters = _read(mean), self._population.meters
        noise = np.where(at < 9.0, meters.insulation_low, meters.insulation_high)
        scatter = slopes * width[:, :, None]  # (states, paths, readings)
        total = np.swapaxes(scatter, -1, -2) @ scatter
        return at, total + noise[:, :, None] ** 2 * np.eye(3)


@dataclass(frozen=True, slots=True, eq=False)
class _States:
    """The readings in each state as normal distributions; further variants of all behind."""

    means: Floats
    covariances: Floats
    count: int

    def log_density(self, decades: Floats, above: NDArray[np.bool_]) -> Floats:
        """Return ln of the density (readings, states); bounds count as a probability."""
        out = np.zeros((len(decades), len(self.means)))
        for start in range(0, len(decades), CHUNK):
            part = slice(start, start + CHUNK)
            out[part] = self._log_density(decades[part], above[part])
        variants = out.reshape(len(decades), -1, self.count)
        return np.asarray(log_sum(np.moveaxis(variants, 1, -1)) - np.log(variants.shape[1]))

    def _log_density(self, decades: Floats, above: NDArray[np.bool_]) -> Floats:
        deviation = np.sqrt(np.einsum("sii->si", self.covariances))
        bounds = np.nan_to_num(decades)[:, None]
        total: Floats = np.where(above[:, None], log_ndtr((self.means - bounds) / deviation), 0.0)
        total = total.sum(-1)
        patterns, of_cell = np.unique(np.isfinite(decades) & ~above, axis=0, return_inverse=True)
        for place, known in enumerate(patterns):
            cells = np.flatnonzero(of_cell.reshape(-1) == place)
            if known.any():
                part = self.covariances[:, known][:, :, known]
                white = np.linalg.inv(np.linalg.cholesky(part))
                log_det = np.linalg.slogdet(2.0 * np.pi * part)[1]
                rest = decades[cells][:, known][:, None] - self.means[:, known]
                chi_square = (np.einsum("sij,csj->csi", white, rest) ** 2).sum(-1)
                total[cells] -= 0.5 * (chi_square + log_det)
        return total


def _distinct(
    decades: Floats, above: NDArray[np.bool_], *, fine: bool
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return one cell of each kind, and the kind of every cell."""
    if fine:
        every = np.arange(len(decades))
        return every, every
    steps = np.where(np.isfinite(decades), np.round(np.nan_to_num(decades) / COARSE) + 200.0, 0.0)
    digits = (2.0 * steps + above).astype(np.int64)
    key = digits @ np.array([1, 10**4, 10**8])
    _, first, kind = np.unique(key, return_index=True, return_inverse=True)
    return first, kind


def _nothing(cells: int) -> InsulationEvidence:
    """Return the evidence of cells of which nothing was measured."""
    zero = np.zeros(cells)
    leaks = np.zeros((cells, 2, len(LEAK_BINS)))
    return InsulationEvidence(zero, leaks, np.zeros((cells, 2)), zero, np.zeros((cells, 3)))


def _read(decades: Floats) -> Floats:
    """Return log10 of the readings of paths given in log10; last axis: PATHS."""
    ohms = 10.0**decades
    read = delta_readings(Delta(ohms[..., LH], ohms[..., LS], ohms[..., SH]))
    return np.log10(np.stack([read.leads_housing, read.leads_shield, read.shield_housing], -1))


def _one(path: int, values: Sequence[float]) -> list[State]:
    return [
        (x if path == LH else None, x if path == LS else None, x if path == SH else None)
        for x in values
    ]


def _grid(low: float, high: float) -> list[float]:
    return np.arange(low + 0.5 * GRID, high, GRID).tolist()


def _log_mean(logs: Floats) -> Floats:
    return np.asarray(log_sum(logs) - np.log(logs.shape[-1]))
