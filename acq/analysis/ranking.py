"""Rank what may be wrong with many cells of one type: the probability of every fault.

ranker = Ranker(expected, population, lead_pairs(6))
ranking = ranker.rank(readings)
ranking.probability        # (cells, faults)
ranking.faults[ranking.first[7]]
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import logsumexp

from acq.analysis.expectation import COUNT, ExpectedCell, zero_as_ohms
from acq.analysis.fault_lines import Line, LineMaker
from acq.analysis.fault_models import all_lines
from acq.analysis.faults import UNKNOWN, Fault, FaultAt
from acq.analysis.first_look import Mask, Places
from acq.analysis.insulation_evidence import InsulationReadings, InsulationTable
from acq.analysis.leads import INPUT, Lead, LeadPair
from acq.analysis.leak_models import LEAK_BINS, LEAK_DECADES
from acq.analysis.network import Floats
from acq.analysis.network_evidence import NEVER, Evidence, LineTable, groups
from acq.analysis.population import Population
from acq.analysis.side_evidence import EmfEvidence, ScatterEvidence, emf_evidence

ANYWHERE = 0.7  # standard deviation of ln of a resistance under the unknown fault
OPEN_ANYWHERE = 0.1  # of the readings are open under the unknown fault
LEAK_BESIDE = (1.0, 0.5)
"""Decades from a leak among two leads to the one beside it, to housing or shield: mean, spread."""
LEAK_ALONE = 0.15  # of the leaks between two leads touch neither housing nor shield
MOISTURE_PATH = {Fault.MOISTURE_IN_CELL: 0, Fault.MOISTURE_IN_CABLE: 1}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CellReadings:
    """What was read of many cells of one type; NaN where not measured.

    pairs: (cells, pairs) ohm, inf for open; zero: (cells,) V/V; emf: (cells,) V, where reversal
    has separated it; scatter: (cells, pairs) ohm, the standard deviation of `repeats` repeats;
    mean: (cells, deviates), where each cell's own papers put its deviates from the type.
    """

    pairs: Floats
    zero: Floats | None = None
    emf: Floats | None = None
    insulation: InsulationReadings | None = None
    scatter: Floats | None = None
    repeats: int = 3
    mean: Floats | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Ranking:
    """Probabilities (cells, faults) of the faults and, per cell and fault, its best line.

    `size`, `sigma`, `chi_square` (cells, faults) belong to that line.
    """

    faults: tuple[FaultAt, ...]
    probability: Floats
    log_evidence: Floats
    line: Places
    size: Floats
    sigma: Floats
    chi_square: Floats

    @property
    def first(self) -> Places:
        """The most probable fault of each cell, as a place in `faults`."""
        return np.asarray(self.probability.argmax(-1))


@dataclass(slots=True)
class Ranker:
    """Everything that is the same for all cells of one type, prepared once.

    `noise` replaces the population's noise of a pair, ohm; `emf_at` as in `LineMaker`, `root` as
    in `LineTable`.
    """

    cell: ExpectedCell
    population: Population
    pairs: Sequence[LeadPair]
    noise: Floats | None = None
    emf_at: float | None = None
    root: Floats | None = None
    lines: list[Line] = field(init=False)
    faults: tuple[FaultAt, ...] = field(init=False)
    _insulation: InsulationTable = field(init=False)
    _tables: dict[bytes, tuple[LineTable, Places]] = field(default_factory=dict)
    shares: list[list[tuple[int, float]]] = field(init=False)
    _noise: Floats = field(init=False)

    def __post_init__(self) -> None:
        maker = LineMaker(self.cell, self.population, self.pairs, self.emf_at)
        self.lines = all_lines(maker)
        self._insulation = InsulationTable(self.population, self.cell.shield_connected)
        places = dict.fromkeys(place for line in self.lines for place, _ in line.shares)
        self.faults = tuple(places)
        self.shares = self._priors()
        self._noise = self._reading_noise()

    def _reading_noise(self) -> Floats:
        meters = self.population.meters
        pair = meters.noise_ohms if self.noise is None else self.noise
        ratio = meters.zero_ratio
        if self.emf_at is not None:
            ratio = float(np.hypot(ratio, meters.emf_volts / abs(self.emf_at)))
        zero = 2.0 * self.cell.input_ohms * ratio
        return np.append(np.broadcast_to(pair, len(self.pairs)), zero)

    def _priors(self) -> list[list[tuple[int, float]]]:
        """Return per line the places of its faults and ln of their share in the population."""
        total: dict[Fault, float] = {}
        for line in self.lines:
            for place, weight in line.shares:
                total[place.fault] = total.get(place.fault, 0.0) + weight
        total[Fault.UNKNOWN] = 1.0  # the other half of it fits no line
        number = {place: n for n, place in enumerate(self.faults)}

        def log_share(place: FaultAt, weight: float) -> float:
            share = self.population.share(place.fault, total) * weight / total[place.fault]
            return float(np.log(share)) if share > 0 else NEVER

        return [[(number[p], log_share(p, w)) for p, w in line.shares] for line in self.lines]

    def rank(self, readings: CellReadings) -> Ranking:
        """Return the probability of every fault for every cell."""
        cells = len(readings.pairs)
        side = _Side.of(readings, self)
        logs = np.full((cells, len(self.faults)), NEVER)
        best = np.full((cells, len(self.faults)), NEVER)
        line_of = np.zeros((cells, len(self.faults)), np.int64)
        network = self._network(readings, side)
        for number, line in enumerate(self.lines):
            for place, share in self.shares[number]:
                fault = self.faults[place]
                log = network.log[:, number] + share
                log = log + side.log(line, fault, network.size[:, number])
                logs[:, place] = np.logaddexp(logs[:, place], log)
                better = log > best[:, place]
                best[better, place] = log[better]
                line_of[better, place] = number
        unknown = self.faults.index(UNKNOWN)
        logs[:, unknown] = np.logaddexp(logs[:, unknown], self._unknown(readings) + side.sound)
        rows = np.arange(cells)[:, None]
        return Ranking(
            self.faults,
            np.exp(logs - logsumexp(logs, axis=-1, keepdims=True)),
            logs,
            line_of,
            network.size[rows, line_of],
            network.sigma[rows, line_of],
            network.chi_square[rows, line_of],
        )

    def in_ohms(self, readings: CellReadings) -> tuple[Floats, Mask]:
        """Return the readings (cells, D) and which of them are open."""
        pairs = readings.pairs
        opened = np.isinf(pairs)
        zero = np.full(len(pairs), np.nan) if readings.zero is None else readings.zero
        input_ohms = pairs[:, self.pairs.index(INPUT)]
        # without all its leads a bridge has no zero
        usable = np.isfinite(zero) & ~opened.any(-1) & np.isfinite(input_ohms)
        known = np.where(usable, zero_as_ohms(zero, np.where(usable, input_ohms, 1.0)), np.nan)
        opened = np.concatenate([opened, np.zeros((len(pairs), 1), bool)], -1)
        return np.concatenate([pairs, known[:, None]], -1), opened

    def _network(self, readings: CellReadings, side: _Side) -> Evidence:
        ohms, opened = self.in_ohms(readings)
        cells, count = len(ohms), len(self.lines)
        mean = np.zeros((cells, COUNT)) if readings.mean is None else readings.mean
        out = Evidence.none(cells, count)
        measured = np.isfinite(ohms)
        for pattern, some in groups(np.concatenate([measured, opened], -1)):
            present, open_ = pattern[: ohms.shape[1]], pattern[ohms.shape[1] :]
            table, lines = self._table(present, open_)
            if not len(lines) or not present.any():
                continue
            rows, at = np.flatnonzero(present), np.ix_(some, lines)
            found = table.evidence(
                ohms[np.ix_(some, rows)], mean[some], side.beside[at], side.wanted[at]
            )
            out.log[at], out.size[at] = found.log, found.size
            out.sigma[at], out.chi_square[at] = found.sigma, found.chi_square
        return out

    def _table(self, present: Mask, opened: Mask) -> tuple[LineTable, Places]:
        """Return the lines that could leave just these readings open, over those present."""
        key = present.tobytes() + opened.tobytes()
        if key not in self._tables:
            measured = present | opened
            measured[-1] = False
            fits = [bool((line.open == opened)[measured].all()) for line in self.lines]
            lines = np.flatnonzero(fits)
            some = [self.lines[x] for x in lines]
            self._tables[key] = self._line_table(some, present), lines
        return self._tables[key]

    def _line_table(self, lines: list[Line], present: Mask) -> LineTable:
        return LineTable(lines, np.flatnonzero(present), self._noise, self.root)

    def _unknown(self, readings: CellReadings) -> Floats:
        """Return the evidence of a fault that moves every reading anyhow."""
        ohms, opened = self.in_ohms(readings)
        base = self.lines[0].base
        at = np.where(np.isfinite(ohms) & (ohms > 0), ohms, np.nan)[:, :-1]
        width = 0.5 * np.log(2.0 * np.pi) + np.log(ANYWHERE)
        each = -0.5 * (np.log(at / base[:-1]) / ANYWHERE) ** 2 - width - np.log(at)
        total = np.nansum(each + np.log(1.0 - OPEN_ANYWHERE), axis=-1)
        total += np.log(OPEN_ANYWHERE) * opened.sum(-1)
        wide = ANYWHERE * self.cell.input_ohms
        zero = -0.5 * (ohms[:, -1] / wide) ** 2 - 0.5 * np.log(2.0 * np.pi) - np.log(wide)
        share = 0.5 * self.population.share(Fault.UNKNOWN)
        return np.asarray(total + np.nan_to_num(zero) + np.log(max(share, 1e-300)))


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """Evidence beside the network, per line and fault."""

    sound_paths: Floats
    leaks: Floats
    contacts: Floats
    tie: Floats
    emf: EmfEvidence
    steady: Floats
    moving: dict[bytes, Floats]
    beside: Floats
    wanted: Mask

    @classmethod
    def of(cls, readings: CellReadings, ranker: Ranker) -> _Side:
        cells, meters = len(readings.pairs), ranker.population.meters
        nothing = np.full((cells, 3), np.nan)
        paths = readings.insulation or InsulationReadings(nothing, np.zeros((cells, 3), bool))
        insulation = ranker._insulation.evidence(paths)
        volts = np.full(cells, np.nan) if readings.emf is None else readings.emf
        scatter, steady = None, np.zeros(cells)
        moving: dict[bytes, Floats] = {}
        if readings.scatter is not None:
            scatter = ScatterEvidence(readings.scatter, readings.repeats, meters)
            steady = scatter.steady
        for line in ranker.lines:
            if line.scatter is not None and scatter is not None:
                key = line.scatter.tobytes()
                if key not in moving:
                    moving[key] = scatter.moving(line.scatter)
        side = cls(
            insulation.sound,
            insulation.leaks,
            insulation.contacts,
            insulation.tie,
            emf_evidence(volts, meters),
            steady,
            moving,
            np.full((cells, len(ranker.lines)), NEVER),
            np.zeros((cells, len(ranker.lines)), bool),
        )
        side._look_beside(ranker)
        return side

    def _look_beside(self, ranker: Ranker) -> None:
        """Find out for each line what speaks for it here: its most probable fault's evidence."""
        largest = np.full(len(self.steady), 1.0)
        for number, line in enumerate(ranker.lines):
            for place, share in ranker.shares[number]:
                log = self.log(line, ranker.faults[place], largest) + share
                np.maximum(self.beside[:, number], log, out=self.beside[:, number])
        best = self.beside.max(-1)
        for number, line in enumerate(ranker.lines):
            if line.leak_bin is not None:
                self.wanted[:, number] = True
            if line.scatter is not None and self.moving:
                self.wanted[:, number] = self.moving[line.scatter.tobytes()] > self.steady + 3.0
            if not line.from_papers:
                self.wanted[:, number] = self.beside[:, number] > best - 20.0

    @property
    def sound(self) -> Floats:
        """Of a fault that shows nowhere here."""
        return self.sound_paths + self.emf.usual + self.steady

    def log(self, line: Line, place: FaultAt, size: Floats) -> Floats:
        """Return the log evidence (cells,) of a fault on a line at these sizes."""
        return self._paths(line, place, size) + self._emf(place) + self._scatter(line)

    def _paths(self, line: Line, place: FaultAt, size: Floats) -> Floats:
        path = MOISTURE_PATH.get(place.fault)
        if path is not None:
            if line.leak_bin is not None:
                return self.leaks[:, path, line.leak_bin]
            return self._near(path, line, size)
        if place.fault is Fault.SHIELD_TO_HOUSING:
            return self.tie
        if place.fault is Fault.LEAD_SHORT and len(place.where) == 1:
            return self.contacts[:, 0 if place.where[0] is Lead.HOUSING else 1]
        return self.sound_paths

    def _near(self, path: int, line: Line, size: Floats) -> Floats:
        """A leak between two leads usually comes with a lesser one to housing or shield."""
        assert line.leak_ohms is not None
        total = np.log10(np.maximum(line.leak_ohms(size), 1.0)) + LEAK_BESIDE[0]
        middles = np.append(0.5 * (LEAK_BINS[:-1] + LEAK_BINS[1:]), LEAK_BINS[-1] + 0.7)
        middles = np.minimum(middles, LEAK_DECADES[1])
        weights = -0.5 * ((middles - total[:, None]) / LEAK_BESIDE[1]) ** 2
        weights -= logsumexp(weights, axis=-1, keepdims=True)
        with_paths = logsumexp(weights + self.leaks[:, path], axis=-1)
        with_paths = np.log(1.0 - LEAK_ALONE) + with_paths
        return np.asarray(np.logaddexp(with_paths, np.log(LEAK_ALONE) + self.sound_paths))

    def _emf(self, place: FaultAt) -> Floats:
        if place.fault in MOISTURE_PATH:
            return self.emf.galvanic
        return self.emf.thermal if place.fault is Fault.THERMAL_EMF else self.emf.usual

    def _scatter(self, line: Line) -> Floats:
        if line.scatter is None or not self.moving:
            return self.steady
        return self.moving[line.scatter.tobytes()]
