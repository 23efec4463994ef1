"""The one next test that separates two explanations: what each of them predicts for it.

A test is a number that both explanations predict with a spread, or an event that happens in a
stated share of the cases of each fault. The cheapest and most harmless test that tells them
apart in nine of ten cases is chosen, else the one that tells most.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from acq.analysis.candidates import Candidate
from acq.analysis.explanation import in_words
from acq.analysis.faults import Fault
from acq.analysis.further_evidence import span_of
from acq.analysis.leads import INPUT, Lead
from acq.analysis.network_evidence import covariance
from acq.analysis.next_test_events import EVENTS, LOAD_CAUTION, Event
from acq.analysis.observed import Observed
from acq.analysis.reading_errors import ReadingErrors
from acq.analysis.wording import millivolts, ohms

FINER = 3.0  # times a good meter's noise from which a better reading may help
ENOUGH = 0.9  # of the cases in which a test must tell the two apart
INSULATION_CAUTION = (
    "all leads joined, supply and meter disconnected, 50 V or what the papers allow if lower"
)
NO_LOAD = frozenset({Fault.FATIGUE_CRACK})
NO_INSULATION = frozenset({Fault.BUILT_IN_ELECTRONICS})

EXCITED = ("zero", "load", "series", "temperature")

COST = (
    "papers",
    "look",
    "ohms",
    "zero",
    "flex",
    "insulation",
    "wait",
    "load",
    "series",
    "temperature",
    "open",
)
"""Kinds of tests from cheap and harmless to costly; a destructive one comes last."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A test with the probability that it tells two explanations apart, and its sentence."""

    kind: str
    tells: float
    sentence: str


def best_test(one: Candidate, other: Candidate, seen: Observed) -> str:
    """Return the one next test that separates two explanations, with what each predicts."""
    trials = [t for t in _trials(one, other, seen) if _allowed(t, one, other)]
    enough = [t for t in trials if t.tells >= ENOUGH]
    if enough:
        return min(enough, key=lambda t: (COST.index(t.kind), -t.tells)).sentence
    if trials and max(t.tells for t in trials) > 0.6:
        return max(trials, key=lambda t: t.tells).sentence
    apart = f"No test at the leads separates {in_words(one.faults)} from {in_words(other.faults)}"
    if not (one.faults and other.faults):
        return f"{apart}: so small a fault shows in the cell's history or in a load series."
    return f"{apart}: open the cell, or accept both."


def _allowed(trial: Trial, one: Candidate, other: Candidate) -> bool:
    kinds = {place.fault for place in (*one.faults, *other.faults)}
    if trial.kind in ("load", "series", "temperature") and kinds & NO_LOAD:
        return False
    if trial.kind in EXCITED and not (_can_be_excited(one) and _can_be_excited(other)):
        return False
    return not (trial.kind == "insulation" and kinds & NO_INSULATION)


def _can_be_excited(candidate: Candidate) -> bool:
    """Whether a bridge is left that excitation shows: nothing open, no short across Ex."""
    if candidate.predicted is None:
        return False
    at = candidate.predicted[candidate.ranker.pairs.index(INPUT)]
    return bool(np.isfinite(candidate.predicted).all() and at > 20.0)


def _trials(one: Candidate, other: Candidate, seen: Observed) -> Iterator[Trial]:
    yield from _pairs(one, other, seen)
    yield from _insulation(one, other, seen)
    yield from _finer(one, other)
    if seen.zero is None:
        yield from _zero(one, other)
    if seen.loaded is None or seen.loaded.span_ratio is None:
        yield from _span(one, other)
    for event in EVENTS:
        a, b = _share(event, one), _share(event, other)
        likely, less = (one, other) if a >= b else (other, one)
        yield Trial(
            event.kind,
            0.5 * (1.0 + abs(a - b)),
            f"{event.ask}: if {event.seen}, {in_words(likely.faults)}; "
            f"if {event.unseen}, {in_words(less.faults)}.",
        )


def _share(event: Event, candidate: Candidate) -> float:
    hidden = 1.0 - event.by_chance
    for place in candidate.faults:
        hidden *= 1.0 - event.shares.get(place.fault, 0.0)
    return 1.0 - hidden


def _pairs(one: Candidate, other: Candidate, seen: Observed) -> Iterator[Trial]:
    """Pairs that were not measured yet."""
    if one.ranker is not other.ranker or one.predicted is None or other.predicted is None:
        return
    spreads = [_spread(x) for x in (one, other)]
    for place, pair in enumerate(one.ranker.pairs):
        if pair in seen.pairs:
            continue
        values = one.predicted[place], other.predicted[place]
        if np.isinf(values).all():
            continue
        tells = _apart(values, (spreads[0][place], spreads[1][place]))
        yield Trial(
            "ohms",
            tells,
            f"Measure {pair}: {ohms(values[0])} with {in_words(one.faults)}, "
            f"{ohms(values[1])} with {in_words(other.faults)}.",
        )


def _finer(one: Candidate, other: Candidate) -> Iterator[Trial]:
    """All pairs again, as well as a good meter reads them."""
    ranker = one.ranker
    if ranker is not other.ranker or one.predicted is None or other.predicted is None:
        return
    usual = ranker.population.meters.noise_ohms
    both = np.stack([one.predicted, other.predicted])[:, :-1]
    if not np.isfinite(both).all() or ranker.errors.own[:-1].min() < FINER * usual:
        return
    apart = both[0] - both[1]
    rows = np.arange(len(apart))
    finer = ReadingErrors(np.full(len(apart) + 1, usual), ranker.errors.common)
    total = covariance(ranker.lines[0], rows, finer, np.zeros(1), ranker.root)[0]
    distance = np.sqrt(apart @ np.linalg.solve(total, apart))
    most = int(np.abs(apart).argmax())
    yield Trial(
        "ohms",
        float(ndtr(0.5 * distance)),
        "Read all pairs again on four wires to a milliohm, forward and backward: "
        f"{ranker.pairs[most]} {one.predicted[most]:.3f} ohm with {in_words(one.faults)}, "
        f"{other.predicted[most]:.3f} ohm with {in_words(other.faults)}.",
    )


def _spread(candidate: Candidate) -> np.ndarray:
    line, size = candidate.lines[-1]
    rows = np.arange(len(line.base))
    ranker = candidate.ranker
    total = covariance(line, rows, ranker.errors, np.array([size]), ranker.root)[0]
    return np.asarray(np.sqrt(np.diag(total)))


def _apart(values: tuple[float, float], spreads: tuple[float, float]) -> float:
    """Return in which share of the cases a number tells two normal predictions apart."""
    if np.isinf(values).any():
        return 1.0
    distance = abs(values[0] - values[1]) / np.hypot(*spreads)
    return float(ndtr(0.5 * distance))


def _zero(one: Candidate, other: Candidate) -> Iterator[Trial]:
    known = [_ratio(x) for x in (one, other)]
    if known[0] is None or known[1] is None:
        return
    tells = _apart((known[0][0], known[1][0]), (known[0][1], known[1][1]))
    yield Trial(
        "zero",
        tells,
        f"Read the zero under excitation, first at 1 V: {millivolts(known[0][0])} with "
        f"{in_words(one.faults)}, {millivolts(known[1][0])} with {in_words(other.faults)}.",
    )


def _ratio(candidate: Candidate) -> tuple[float, float] | None:
    if candidate.predicted is None or not np.isfinite(candidate.predicted).all():
        return None
    double = 2.0 * float(candidate.predicted[candidate.ranker.pairs.index(INPUT)])
    if double < 20.0:
        return None  # too near a short to excite
    return float(candidate.predicted[-1]) / double, float(_spread(candidate)[-1]) / double


def _span(one: Candidate, other: Candidate) -> Iterator[Trial]:
    values, spreads = [], []
    for candidate in (one, other):
        if candidate.predicted is None or not np.isfinite(candidate.predicted).all():
            return
        values.append(_span_share(candidate))
        loose = {Fault.WRONG_PAPERS, Fault.BOND_FAILURE, Fault.FATIGUE_CRACK}
        kinds = {x.fault for x in candidate.faults}
        spreads.append(0.1 if kinds & loose else 0.003)
    two = (values[0], values[1])
    yield Trial(
        "load",
        _apart(two, (spreads[0], spreads[1])),
        f"Apply a small load of known sign ({LOAD_CAUTION}): {values[0]:+.1%} of the expected "
        f"output with {in_words(one.faults)}, {values[1]:+.1%} with {in_words(other.faults)}.",
    )


def _span_share(candidate: Candidate) -> float:
    place = candidate.ranker.pairs.index(INPUT)
    share = 1.0
    for line, size in candidate.lines:
        share *= span_of(line, place, size) / span_of(candidate.ranker.lines[0], place, 0.0)
    return share


SHIELD_PATH = 2
PATH_TESTS: tuple[tuple[int, str, Callable[[Candidate], bool]], ...] = (
    (
        0,
        "leads to housing with the shield left open",
        lambda x: any(Lead.HOUSING in f.where and len(f.where) == 1 for f in x.faults),
    ),
    (
        1,
        "leads to shield with the housing left open",
        lambda x: any(Lead.SHIELD in f.where and len(f.where) == 1 for f in x.faults),
    ),
    (
        2,
        "shield to housing",
        lambda x: any(f.fault is Fault.SHIELD_TO_HOUSING for f in x.faults),
    ),
)


def _insulation(one: Candidate, other: Candidate, seen: Observed) -> Iterator[Trial]:
    for path, what, low in PATH_TESTS:
        if path == SHIELD_PATH and one.ranker.cell.shield_connected:
            continue  # never a test voltage across what is tied by design
        is_low = low(one), low(other)
        if is_low[0] == is_low[1] or list(seen.insulation)[path] is not None:
            continue
        wet, dry = (one, other) if is_low[0] else (other, one)
        yield Trial(
            "insulation",
            0.95,
            f"Measure the insulation {what} ({INSULATION_CAUTION}): below 1 Gohm with "
            f"{in_words(wet.faults)}, above with {in_words(dry.faults)}.",
        )
