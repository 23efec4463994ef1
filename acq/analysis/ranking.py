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

from acq.analysis.beside import Beside
from acq.analysis.expectation import COUNT, ExpectedCell, zero_as_ohms
from acq.analysis.fault_lines import Line, LineMaker
from acq.analysis.fault_models import all_lines
from acq.analysis.faults import NONE_FOUND, UNKNOWN, Fault, FaultAt
from acq.analysis.first_look import Mask, Places, by_column
from acq.analysis.insulation_evidence import InsulationReadings, InsulationTable
from acq.analysis.leads import INPUT, LeadPair
from acq.analysis.network import Floats
from acq.analysis.network_evidence import NEVER, NOTHING, Evidence, LineTable, groups
from acq.analysis.population import Population
from acq.analysis.reading_errors import ReadingErrors
from acq.analysis.side_evidence import ScatterEvidence, emf_evidence
from acq.analysis.sizes import log_sum

ANYWHERE = 0.7  # standard deviation of ln of a resistance under the unknown fault
OPEN_ANYWHERE = 0.1  # of the readings are open under the unknown fault
ALARM = 3.0
"""How much more probable than none-found a fault must be to stand first: a false alarm on a
sound cell costs more than one more look at it."""


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
    repeats: int | Floats = 3
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
        """The answer for each cell, as a place in `faults`: none-found, unless a fault is
        `ALARM` times as probable.
        """
        handicapped = self.probability.copy()
        handicapped[:, self.faults.index(NONE_FOUND)] *= ALARM
        return np.asarray(handicapped.argmax(-1))


@dataclass(slots=True)
class Ranker:
    """Everything that is the same for all cells of one type, prepared once.

    `noise` replaces the population's noise of a pair in ohm, `zero_noise` that of a zero in V/V;
    `common` (pairs, any) are influences in ohm that the readings share beside the population's;
    `emf_at` as in `LineMaker`, `root` as in `LineTable`. `shares` are per line its faults, each
    with ln of its share in the population. `insulation` may be shared between rankers.
    """

    cell: ExpectedCell
    population: Population
    pairs: Sequence[LeadPair]
    noise: Floats | None = None
    common: Floats | None = None
    emf_at: float | None = None
    root: Floats | None = None
    zero_noise: float | None = None
    insulation: InsulationTable | None = None
    lines: list[Line] = field(init=False)
    faults: tuple[FaultAt, ...] = field(init=False)
    shares: list[list[tuple[FaultAt, float]]] = field(init=False)
    errors: ReadingErrors = field(init=False)
    _tables: dict[bytes, tuple[LineTable, Places]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        maker = LineMaker(self.cell, self.population, self.pairs, self.emf_at)
        self.lines = all_lines(maker)
        if self.insulation is None:
            self.insulation = InsulationTable(self.population, self.cell.shield_connected)
        places = dict.fromkeys(place for line in self.lines for place, _ in line.shares)
        self.faults = tuple(places)
        self.shares = self._priors()
        self.errors = self._errors()

    def _errors(self) -> ReadingErrors:
        meters = self.population.meters
        pair = meters.noise_ohms if self.noise is None else self.noise
        ratio = meters.zero_ratio if self.zero_noise is None else self.zero_noise
        if self.emf_at is not None:
            ratio = float(np.hypot(ratio, meters.emf_volts / abs(self.emf_at)))
        zero = 2.0 * self.cell.input_ohms * ratio
        own = np.append(np.broadcast_to(pair, len(self.pairs)), zero)
        if self.common is None:
            return ReadingErrors.alone(own)
        # the zero is a ratio of voltages: no ohms are in it
        return ReadingErrors(own, np.vstack([self.common, np.zeros(self.common.shape[1])]))

    def _priors(self) -> list[list[tuple[FaultAt, float]]]:
        total: dict[Fault, float] = {}
        for line in self.lines:
            for place, weight in line.shares:
                total[place.fault] = total.get(place.fault, 0.0) + weight
        total[Fault.UNKNOWN] = 1.0  # the other half of it fits no line

        def log_share(place: FaultAt, weight: float) -> float:
            share = self.population.share(place.fault, total) * weight / total[place.fault]
            return float(np.log(share)) if share > 0 else NEVER

        return [[(p, log_share(p, w)) for p, w in line.shares] for line in self.lines]

    def rank(self, readings: CellReadings) -> Ranking:
        """Return the probability of every fault for every cell."""
        cells, number_of = len(readings.pairs), {x: n for n, x in enumerate(self.faults)}
        beside = self.beside(readings)
        guess = beside.at_most(self.lines, self.shares)
        network = self.network(readings, beside, guess)
        anything = self.unknown(readings) + beside.sound
        counts = network.log + guess[0]
        counts = counts > np.maximum(counts.max(-1), anything)[:, None] - NOTHING
        shape = (cells, len(self.faults))
        logs, best = by_column(shape, NEVER), by_column(shape, NEVER)
        line_of = np.zeros(shape, int, order="F")
        for number, line in enumerate(self.lines):
            some = np.flatnonzero(counts[:, number])
            for fault, share in self.shares[number] if len(some) else ():
                place = number_of[fault]
                log = beside.log(line, fault, network.size[some, number], some)
                log = log + network.log[some, number] + share
                logs[some, place] = np.logaddexp(logs[some, place], log)
                better = some[log > best[some, place]]
                best[some, place] = np.maximum(best[some, place], log)
                line_of[better, place] = number
        unknown = number_of[UNKNOWN]
        logs[:, unknown] = np.logaddexp(logs[:, unknown], anything)
        rows = np.arange(cells)[:, None]
        return Ranking(
            self.faults,
            np.exp(logs - log_sum(logs)[:, None]),
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

    def beside(self, readings: CellReadings, *, two: bool = False) -> Beside:
        """Return what speaks for the faults beside the network; `two` also for two paths."""
        cells, meters = len(readings.pairs), self.population.meters
        nothing = InsulationReadings(np.full((cells, 3), np.nan), np.zeros((cells, 3), bool))
        volts = np.full(cells, np.nan) if readings.emf is None else readings.emf
        assert self.insulation is not None
        scatter = None
        if readings.scatter is not None:
            scatter = ScatterEvidence(readings.scatter, readings.repeats, meters)
        return Beside.of(
            self.lines,
            self.insulation.evidence(readings.insulation or nothing, two=two),
            emf_evidence(volts, meters),
            scatter,
        )

    def network(
        self, readings: CellReadings, beside: Beside, guess: tuple[Floats, Mask] | None = None
    ) -> Evidence:
        """Return the evidence of all lines; what cannot be open or shut like this has none.

        `guess` is what `Beside.at_most` returns, where it is known already.
        """
        most, wanted = guess or beside.at_most(self.lines, self.shares)
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
            rows, at = np.flatnonzero(present), (lines[:, None], some)
            own, must = most.T[at].T, wanted.T[at].T
            found = table.evidence(ohms[np.ix_(some, rows)], mean[some], own, must)
            out.log.T[at], out.size.T[at] = found.log.T, found.size.T
            out.sigma.T[at], out.chi_square.T[at] = found.sigma.T, found.chi_square.T
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
        return LineTable(lines, np.flatnonzero(present), self.errors, self.root)

    def unknown(self, readings: CellReadings) -> Floats:
        """Return the log evidence (cells,) of a fault that moves every reading anyhow, with
        its share in the population.
        """
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
