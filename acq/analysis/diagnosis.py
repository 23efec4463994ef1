"""What is wrong with one cell: ranked suspects with evidence, and the one next test.

    diagnosis = diagnose(seen, [(expected, 1.0)])
    diagnosis.suspects[0].fault, diagnosis.suspects[0].probability, diagnosis.next_test

Every candidate (no fault, one, or two at once) is a model that predicts the readings; its
probability is likelihood times its share in the stated population. `none-found` and `unknown`
are candidates like the others. A measuring instrument of the workshop, not an authority: what a
diagnosis leads to is decided by a qualified person, and local rules stand above it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import logsumexp

from acq.analysis.candidates import Candidate, Explainer
from acq.analysis.disagreements import disagreements
from acq.analysis.expectation import COUNT, ExpectedCell
from acq.analysis.explanation import evidence, size_of
from acq.analysis.faults import NONE_FOUND, UNKNOWN, Fault, FaultAt
from acq.analysis.insulation_evidence import InsulationTable
from acq.analysis.leads import LeadPair, lead_pairs
from acq.analysis.network import Floats
from acq.analysis.next_test import best_test
from acq.analysis.nominal import likely_cells
from acq.analysis.observed import Observed, common_columns
from acq.analysis.papers import EarlierReadings, condition
from acq.analysis.population import Population
from acq.analysis.ranking import ALARM, Ranker

Tables = dict[bool | None, InsulationTable]
"""Insulation states by whether the shield is connected: the same for all expected cells."""

NAMED = 0.02  # probability from which a suspect is named
AS_WELL = 0.1  # of the first explanation: from there it matters that a further fault may be there
MOST = 8  # suspects
CONTACT_APART = 1.0  # ohm by which one lead must be nearer to the screen than all others
POOR_FIT = 12.0  # chi-square above its expectation at which two faults of the network are tried


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """One possible answer. `probability` is that of this fault at this place, alone or not.

    `size` is how large it would be, in words; `fit` the chi-square of its best explanation with
    its degrees of freedom; `predicted` the readings in ohm that explanation gives (inf: open).
    """

    fault: FaultAt
    probability: float
    size: str
    evidence: tuple[str, ...]
    next_test: str
    fit: tuple[float, int] | None
    predicted: dict[LeadPair, float]
    predicted_zero: float | None  # V/V


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """Suspects, the answer first: none-found stands unless a fault is three times as probable.

    `together` are the faults of the most probable explanation, `next_test` what separates the
    two most probable ones. `expected` is the sound cell behind the first answer.
    """

    suspects: tuple[Suspect, ...]
    together: tuple[FaultAt, ...]
    next_test: str
    disagreements: tuple[str, ...]
    expected: ExpectedCell
    population: str

    @property
    def answer(self) -> Suspect:
        """The first suspect."""
        return self.suspects[0]


@dataclass(frozen=True, slots=True)
class Earlier:
    """Earlier readings of this very cell: what kind, and their values (pairs, then zero in ohm)."""

    kind: EarlierReadings
    values: tuple[float, ...]


def diagnose(
    seen: Observed,
    expected: Sequence[tuple[ExpectedCell, float]] | None = None,
    *,
    population: Population | None = None,
    earlier: Sequence[Earlier] = (),
) -> Diagnosis:
    """Return what may be wrong with one cell.

    `expected` are the sound cells it should be one of, each with its probability beforehand;
    None: what the readings look like. Raises ValueError when no bridge reading is usable.
    """
    population = population or Population()
    cells = tuple(expected) if expected else likely_cells(seen)
    tables: Tables = {}
    work = [
        (_explainer(seen, cell, population, earlier, tables), float(np.log(weight)))
        for cell, weight in cells
        if weight > 0
    ]
    every = [_weighted(x, weight) for one, weight in work for x in one.candidates()]
    if population.several > 0 and _poor(every):
        best = max(every, key=lambda x: x.log)
        (one, weight) = next(x for x in work if x[0].ranker is best.ranker)
        every += [_weighted(x, weight) for x in one.two_in_network()]
    if expected and max(every, key=lambda x: x.log).faults == (UNKNOWN,):
        every += _with_other_papers(seen, population)
    total = logsumexp([x.log for x in every])
    return _diagnosis(seen, [(float(np.exp(x.log - total)), x) for x in every], population)


def _poor(every: Sequence[Candidate]) -> bool:
    """Whether even the best candidate explains the readings badly."""
    best = max(every, key=lambda x: x.log)
    return not best.lines or best.chi_square > best.freedom + POOR_FIT


def _weighted(candidate: Candidate, weight: float) -> Candidate:
    return replace(candidate, log=candidate.log + weight)


def _with_other_papers(seen: Observed, population: Population) -> list[Candidate]:
    """Return candidates of a cell that has a fault and the wrong papers."""
    share = population.several * population.share(Fault.WRONG_PAPERS)
    if share <= 0:
        return []
    wrong, alone = FaultAt(Fault.WRONG_PAPERS), replace(population, several=0.0)
    tables: Tables = {}
    return [
        replace(_weighted(x, float(np.log(weight * share))), faults=(wrong, *x.faults))
        for cell, weight in likely_cells(seen)
        for x in _explainer(seen, cell, alone, (), tables).candidates()
        if x.faults != (UNKNOWN,)
    ]


def _explainer(
    seen: Observed,
    cell: ExpectedCell,
    population: Population,
    earlier: Sequence[Earlier],
    tables: Tables,
) -> Explainer:
    mean, root = np.zeros(COUNT), None
    if earlier:
        known = condition(cell, population, [x.kind for x in earlier])
        mean = known.mean(np.concatenate([x.values for x in earlier])[None])[0]
        root = known.root
    tied = cell.shield_connected
    insulation = tables.setdefault(tied, InsulationTable(population, tied))
    return Explainer(_ranker(seen, cell, population, root, insulation), seen, mean)


def _ranker(
    seen: Observed,
    cell: ExpectedCell,
    population: Population,
    root: Floats | None,
    insulation: InsulationTable,
) -> Ranker:
    pairs = lead_pairs(cell.wires)
    usual = population.meters.noise_ohms
    own = [seen.pairs[p].uncertainty if p in seen.pairs else None for p in pairs]
    common = None
    if seen.common is not None:
        common = common_columns(seen.common, pairs)
        # its errors are stated, so that the population need not guess them
        without = replace(population.meters, gain=0.0, offset_ohms=0.0)
        population = replace(population, meters=without)
    zero = seen.zero
    emf_at = zero.excitation_volts if zero and zero.emf_volts is None else None
    return Ranker(
        cell,
        population,
        pairs,
        noise=np.array([usual if x is None else x for x in own]),
        emf_at=emf_at,
        root=root,
        zero_noise=zero.uncertainty if zero else None,
        common=common,
        insulation=insulation,
    )


def _diagnosis(
    seen: Observed, chances: list[tuple[float, Candidate]], population: Population
) -> Diagnosis:
    of_fault = _marginal(chances)
    order = _order(of_fault)
    best = {fault: _best(chances, fault) for fault in order}
    first, second = _top_two(chances)
    suspects = []
    for fault in order:
        mine = best[fault]
        rival = next((x for x in (first, second) if x.faults != mine.faults), second)
        suspect = _suspect(fault, of_fault[fault], mine, rival, seen)
        suspects.append(replace(suspect, fault=touching_lead(fault, seen)))
    return Diagnosis(
        suspects=tuple(suspects),
        together=first.faults,
        next_test=best_test(first, second, seen),
        disagreements=disagreements(best[order[0]], seen),
        expected=best[order[0]].ranker.cell,
        population=population.stated(),
    )


def touching_lead(fault: FaultAt, seen: Observed) -> FaultAt:
    """Return a short to shield or housing with the lead that reads least to it, if one does."""
    if fault.fault is not Fault.LEAD_SHORT or len(fault.where) != 1:
        return fault
    near = [(ohms, pair) for pair, ohms in seen.contacts.items() if fault.where[0] in pair]
    near.sort(key=lambda x: x[0])
    if not near or (len(near) > 1 and near[1][0] - near[0][0] < CONTACT_APART):
        return fault
    return FaultAt(fault.fault, (near[0][1].one, near[0][1].other))


def _marginal(chances: list[tuple[float, Candidate]]) -> dict[FaultAt, float]:
    of_fault: dict[FaultAt, float] = {NONE_FOUND: 0.0, UNKNOWN: 0.0}
    for chance, candidate in chances:
        for fault in candidate.faults or (NONE_FOUND,):
            of_fault[fault] = min(1.0, of_fault.get(fault, 0.0) + chance)
    return of_fault


def _order(of_fault: dict[FaultAt, float]) -> list[FaultAt]:
    """Return the faults to name, the answer first."""

    def weight(fault: FaultAt) -> float:
        return of_fault[fault] * (ALARM if fault == NONE_FOUND else 1.0)

    order = sorted(of_fault, key=weight, reverse=True)
    named = [x for x in order if of_fault[x] >= NAMED][:MOST]
    return named or order[:1]


def _best(chances: list[tuple[float, Candidate]], fault: FaultAt) -> Candidate:
    has = [
        (chance, x)
        for chance, x in chances
        if fault in x.faults or (fault == NONE_FOUND and not x.faults)
    ]
    return max(has, key=lambda pair: pair[0])[1]


def _top_two(chances: list[tuple[float, Candidate]]) -> tuple[Candidate, Candidate]:
    """Return the two most probable explanations that name different faults."""
    by_faults: dict[frozenset[FaultAt], tuple[float, float, Candidate]] = {}
    for chance, candidate in chances:
        key = frozenset(candidate.faults)
        total, most, best = by_faults.get(key, (0.0, -1.0, candidate))
        if chance > most:
            most, best = chance, candidate
        by_faults[key] = (total + chance, most, best)
    order = sorted(by_faults.values(), key=lambda x: x[0], reverse=True)
    (most, _, first), rest = order[0], order[1:]
    for chance, _, other in rest:
        if chance > AS_WELL * most or not set(first.faults) <= set(other.faults):
            return first, other
    return first, rest[0][2]


def _suspect(
    fault: FaultAt, probability: float, mine: Candidate, rival: Candidate, seen: Observed
) -> Suspect:
    predicted, zero = {}, None
    if mine.predicted is not None:
        pairs = mine.ranker.pairs
        predicted = dict(zip(pairs, mine.predicted[:-1].tolist(), strict=True))
        if np.isfinite(mine.predicted).all():
            zero = float(mine.predicted[-1] / (2.0 * mine.predicted[0]))
    return Suspect(
        fault=fault,
        probability=probability,
        size=size_of(mine, fault),
        evidence=evidence(mine, fault, seen),
        next_test=best_test(mine, rival, seen),
        fit=(mine.chi_square, mine.freedom) if np.isfinite(mine.chi_square) else None,
        predicted=predicted,
        predicted_zero=zero,
    )
