"""Every way to explain one cell: no fault, one fault, or two at once, with its log weight."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from scipy.special import logsumexp

from acq.analysis.beside import MOISTURE_PATH, Beside
from acq.analysis.expectation import COUNT
from acq.analysis.fault_lines import Line
from acq.analysis.faults import NONE_FOUND, UNKNOWN, Fault, FaultAt
from acq.analysis.further_evidence import log_further, span_of
from acq.analysis.leads import INPUT, Lead
from acq.analysis.leak_models import LEAK_BINS, LEAK_DECADES, LEAK_STEP, MOISTURE
from acq.analysis.network import Floats
from acq.analysis.network_evidence import NEVER, Evidence, LineTable
from acq.analysis.observed import Observed
from acq.analysis.ranking import CellReadings, Ranker
from acq.analysis.two_faults import fit_two, likely_pairs

TIE = FaultAt(Fault.SHIELD_TO_HOUSING, (Lead.SHIELD, Lead.HOUSING))
EMF = FaultAt(Fault.THERMAL_EMF)
ELECTRONICS = FaultAt(Fault.BUILT_IN_ELECTRONICS)
CONTACTS = tuple(FaultAt(Fault.LEAD_SHORT, (end,)) for end in (Lead.HOUSING, Lead.SHIELD))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Candidate:
    """Faults that together explain a cell; empty: none. `lines` are their lines and sizes.

    `sigma` is the standard deviation of the size of a single line; `predicted` (D,) are the
    readings they give; `freedom` belongs to `chi_square`; `mean` are the deviates that the
    cell's papers give.
    """

    faults: tuple[FaultAt, ...]
    log: float
    lines: tuple[tuple[Line, float], ...] = ()
    chi_square: float = np.inf
    freedom: int = 0
    sigma: float = 0.0
    predicted: Floats | None = None
    mean: Floats
    ranker: Ranker


@dataclass(slots=True)
class Explainer:
    """Makes all candidates of one cell under one expectation."""

    ranker: Ranker
    seen: Observed
    mean: Floats = field(default_factory=lambda: np.zeros(COUNT))
    readings: CellReadings = field(init=False)
    beside: Beside = field(init=False)
    network: Evidence = field(init=False)
    _count: int = field(init=False)

    def __post_init__(self) -> None:
        ranker = self.ranker
        self.readings = self.seen.as_readings(ranker.cell.wires, self.mean[None])
        self.beside = ranker.beside(self.readings, two=True)
        self.network = ranker.network(self.readings, self.beside)
        self._count = int(np.isfinite(ranker.in_ohms(self.readings)[0]).sum())

    def candidates(self) -> list[Candidate]:
        """Return all candidates whose weight is not nothing, but `two_in_network`."""
        found = [*self._one(), *self._unknown()]
        if self.ranker.population.several > 0:
            found += [*self._with_path(), *self._two_paths(), *self._with_open()]
        return [x for x in found if x.log > NEVER / 2]

    def _one(self) -> Iterator[Candidate]:
        for number, line in enumerate(self.ranker.lines):
            for place, share in self.ranker.shares[number]:
                size = float(self.network.size[0, number])
                log = float(self.network.log[0, number]) + share
                log += float(self.beside.log(line, place, self.network.size[:, number])[0])
                yield self._candidate((place,), log, number, size)

    def _candidate(
        self, faults: tuple[FaultAt, ...], log: float, number: int, size: float
    ) -> Candidate:
        line = self.ranker.lines[number]
        known = self.mean if line.from_papers else np.zeros(COUNT)
        predicted = line.base + size * line.step
        slopes = line.base_slopes + size * line.step_slopes
        predicted = predicted + slopes @ known
        if not line.from_papers:
            predicted = predicted + slopes @ self._fitted(predicted, slopes)
        predicted = np.where(line.open, np.inf, predicted)
        return Candidate(
            faults=tuple(x for x in faults if x != NONE_FOUND),
            log=log + self._further(faults, ((line, size),)),
            lines=((line, size),),
            chi_square=float(self.network.chi_square[0, number]),
            freedom=self._count - (0 if line.point else 1),
            sigma=0.0 if line.point else float(self.network.sigma[0, number]),
            predicted=predicted,
            mean=self.mean,
            ranker=self.ranker,
        )

    def _fitted(self, predicted: Floats, slopes: Floats) -> Floats:
        """Return the deviates that the readings themselves suggest."""
        ohms = self.ranker.in_ohms(self.readings)[0][0]
        rows = np.isfinite(ohms)
        total = slopes[rows] @ slopes[rows].T + self.ranker.errors.covariance(np.flatnonzero(rows))
        rest = np.linalg.solve(total, (ohms - predicted)[rows])
        return np.asarray(slopes[rows].T @ rest)

    def _further(self, faults: Sequence[FaultAt], lines: Sequence[tuple[Line, float]]) -> float:
        place = self.ranker.pairs.index(INPUT)
        span = 1.0
        for line, size in lines:
            span *= span_of(line, place, size) / span_of(self.ranker.lines[0], place, 0.0)
        return log_further(self.seen, faults, span or 1e-6)

    def _unknown(self) -> Iterator[Candidate]:
        anything = float(self.ranker.unknown(self.readings)[0] + self.beside.sound[0])
        yield Candidate(
            faults=(UNKNOWN,),
            log=anything + self._further((UNKNOWN,), ()),
            mean=self.mean,
            ranker=self.ranker,
        )
        population = self.ranker.population
        share = population.share(Fault.BUILT_IN_ELECTRONICS)
        if share > 0:
            odds = np.log(share) - np.log(0.5 * population.share(Fault.UNKNOWN))
            yield Candidate(
                faults=(ELECTRONICS,),
                log=float(anything + odds) + self._further((ELECTRONICS,), ()),
                mean=self.mean,
                ranker=self.ranker,
            )

    def _two_shares(self, one: float, other: float) -> float:
        """Return ln of the share of cells that have both faults, from ln of each one's share."""
        population = self.ranker.population
        faulty = 1.0 - population.sound - population.several - population.unknown
        return float(np.log(2.0 * population.several) + one + other - 2.0 * np.log(faulty))

    def _share(self, fault: FaultAt) -> float:
        total = [s for each in self.ranker.shares for place, s in each if place == fault]
        return float(logsumexp(total)) if total else NEVER

    def _paths(self) -> dict[FaultAt, float]:
        """Return what insulation and EMF say of each fault that shows only there."""
        paths = self.beside.paths
        bins = np.full(len(LEAK_BINS), LEAK_STEP)
        bins[-1] = LEAK_DECADES[1] - LEAK_BINS[-1]
        weights = np.log(bins / bins.sum())
        usual = float(self.beside.emf.usual[0])
        out = {
            MOISTURE[path]: float(logsumexp(paths.leaks[0, path] + weights))
            + float(self.beside.emf.galvanic[0])
            for path in MOISTURE_PATH.values()
        }
        out |= {TIE: float(paths.tie[0]) + usual}
        out |= {x: float(paths.contacts[0, n]) + usual for n, x in enumerate(CONTACTS)}
        if self.ranker.emf_at is None:
            out[EMF] = float(paths.sound[0] + self.beside.emf.thermal[0])
        return out

    def _with_path(self) -> Iterator[Candidate]:
        """A fault of the network together with one that shows only beside it."""
        paths = self._paths()
        shares = {place: self._share(place) for place in paths}
        for number, line in enumerate(self.ranker.lines):
            log = float(self.network.log[0, number] + self.beside.joint(line)[0])
            for place, share in self.ranker.shares[number] if log > NEVER / 2 else ():
                if place in (*paths, NONE_FOUND, UNKNOWN):
                    continue
                for other, path in paths.items():
                    both = log + path + self._two_shares(share, shares[other])
                    size = float(self.network.size[0, number])
                    yield self._candidate((place, other), both, number, size)

    def _two_paths(self) -> Iterator[Candidate]:
        """Two of: leak to the housing, leak to the shield, shield on the housing."""
        log = float(self.network.log[0, 0] + self.beside.emf.usual[0] + self.beside.steady[0])
        pairs = ((MOISTURE[0], MOISTURE[1]), (MOISTURE[0], TIE), (MOISTURE[1], TIE))
        for number, (one, other) in enumerate(pairs):
            both = self._two_shares(self._share(one), self._share(other))
            path = float(self.beside.paths.pairs[0, number])
            yield self._candidate((one, other), log + path + both, 0, 0.0)

    def _with_open(self) -> Iterator[Candidate]:
        """An open lead with another one, or with a fault that the other readings show."""
        ohms, opened = self.ranker.in_ohms(self.readings)
        if not opened.any():
            return
        lines = self.ranker.lines
        measured = (np.isfinite(ohms) | opened)[0]
        measured[-1] = False
        opens = [n for n, line in enumerate(lines) if line.open[:-1].any()]
        beside = float(self.beside.sound[0])
        for one, other in combinations(opens, 2):
            together = lines[one].open | lines[other].open
            if (together == opened[0])[measured].all():
                yield from self._open_pair(one, other, beside)
        fits = [n for n in opens if (lines[n].open == opened[0])[measured].all()]
        if fits:
            yield from self._open_and(fits, beside)

    def _open_pair(self, one: int, other: int, beside: float) -> Iterator[Candidate]:
        lines = self.ranker.lines
        rest = self._rest([lines[0]])
        for first, a in self.ranker.shares[one]:
            for second, b in self.ranker.shares[other]:
                yield Candidate(
                    faults=(first, second),
                    log=float(rest.log[0, 0]) + beside + self._two_shares(a, b),
                    lines=((lines[one], 0.0), (lines[other], 0.0)),
                    chi_square=float(rest.chi_square[0, 0]),
                    freedom=self._count,
                    predicted=np.where(lines[one].open | lines[other].open, np.inf, lines[0].base),
                    mean=self.mean,
                    ranker=self.ranker,
                )

    def _open_and(self, opens: Sequence[int], beside: float) -> Iterator[Candidate]:
        lines = self.ranker.lines
        whole = [n for n, x in enumerate(lines) if not x.open.any() and x.leak_bin is None]
        rest = self._rest([lines[n] for n in whole])
        alone = {NONE_FOUND, UNKNOWN, *self._paths()}
        cuts = [(n, cut, share) for n in opens for cut, share in self.ranker.shares[n]]
        for place, number in enumerate(whole):
            line, size = lines[number], float(rest.size[0, place])
            for fault, share in self.ranker.shares[number]:
                for open_, cut, a in cuts if fault not in alone else ():
                    at = line.base + size * line.step
                    yield Candidate(
                        faults=(cut, fault),
                        log=float(rest.log[0, place]) + beside + self._two_shares(a, share),
                        lines=((lines[open_], 0.0), (line, size)),
                        chi_square=float(rest.chi_square[0, place]),
                        freedom=self._count - (0 if line.point else 1),
                        predicted=np.where(lines[open_].open, np.inf, at),
                        mean=self.mean,
                        ranker=self.ranker,
                    )

    def _rest(self, lines: Sequence[Line]) -> Evidence:
        """Return the evidence of lines over the readings that are not open."""
        ohms, _ = self.ranker.in_ohms(self.readings)
        rows = np.flatnonzero(np.isfinite(ohms[0]))
        table = LineTable(list(lines), rows, self.ranker.errors, self.ranker.root)
        every = np.ones((1, len(lines)), bool)
        return table.evidence(ohms[:, rows], self.mean[None], np.zeros((1, len(lines))), every)

    def two_in_network(self) -> Iterator[Candidate]:
        """Yield candidates of two faults in the network itself: slow, the last resort."""
        ohms, opened = self.ranker.in_ohms(self.readings)
        if opened.any():
            return
        rows = np.flatnonzero(np.isfinite(ohms[0]))
        for pair in likely_pairs(self.ranker, self.network, ohms[0], rows, self.mean):
            fit = fit_two(self.ranker, ohms[0], rows, self.mean, pair)
            if fit is None:
                continue
            lines = tuple(
                (self.ranker.lines[n], size) for n, size in zip(pair, fit.sizes, strict=True)
            )
            joint = max(float(self.beside.joint(line)[0]) for line, _ in lines)
            side = float(self.beside.paths.sound[0] + self.beside.emf.usual[0]) + joint
            for first, a in self.ranker.shares[pair[0]]:
                for second, b in self.ranker.shares[pair[1]]:
                    faults = (first, second)
                    yield Candidate(
                        faults=faults,
                        log=fit.log + side + self._two_shares(a, b) + self._further(faults, lines),
                        lines=lines,
                        chi_square=fit.chi_square,
                        freedom=len(rows) - 2,
                        predicted=fit.predicted,
                        mean=self.mean,
                        ranker=self.ranker,
                    )
