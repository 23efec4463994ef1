"""Which block of a weighing chain is at fault: probabilities, evidence, what to do next.

Bayes over `chain_hypotheses` with the evidences of `chain_fit` and a stated population. Works
on a partly measured chain: what was not read does not count, and shows up as several blocks
that remain. "None found" and "unknown" are answers like any other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import Enum

from acq.analysis.chain import LIVE_ZERO, SPAN, displayed
from acq.analysis.chain_evidence import Comparison, compare
from acq.analysis.chain_faults import hypotheses
from acq.analysis.chain_fit import NOTHING, Fit, evidence_of_anything, fit_all
from acq.analysis.chain_hypotheses import Hypothesis, Population
from acq.analysis.chain_model import LEAST_ALIVE
from acq.analysis.chain_papers import Block, Chain, ChainReadings, Kind, Row
from acq.analysis.chain_steps import Step, next_steps

CONFIDENT = 0.9  # a block is named from this probability on; ours, stated in every report

MOST_EVIDENCE = 6  # sentences against a block; the table has the rest


class Answer(Enum):
    """What the analysis says."""

    BLOCK = "block at fault"
    NONE_FOUND = "none-found"
    UNDECIDED = "undecided"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Suspect:
    """A block with its probability, and what in it explains the readings best.

    `cell` is the cell (from 0) that most of the probability points to, or None.
    """

    block: Block
    probability: float
    cell: int | None
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Isolation:
    """The whole answer. Probabilities of all suspects, none and unknown add up to 1."""

    answer: Answer
    because: str
    suspects: tuple[Suspect, ...]
    none: float
    unknown: float
    comparisons: tuple[Comparison, ...]
    evidence: tuple[str, ...]
    next_steps: tuple[Step, ...]
    population: Population
    unchecked: tuple[Block, ...]

    @property
    def named(self) -> Suspect | None:
        """The block at fault, when the answer is a block."""
        return self.suspects[0] if self.answer is Answer.BLOCK else None


def isolate(
    chain: Chain, readings: ChainReadings, population: Population | None = None
) -> Isolation:
    """Return which block is at fault, with evidence, probabilities and the next substitutions.

    Raises ValueError when there is no reading.
    """
    population = population or Population()
    readings = prepared(chain, readings)
    thought = (NOTHING, *hypotheses(chain))
    fits = fit_all(chain, readings, thought)
    logs = [
        _prior(item, population) + fit.evidence for item, fit in zip(thought, fits, strict=True)
    ]
    anything = evidence_of_anything(chain, readings)
    logs.append(_log(population.unknown / _total(population)) + anything)
    top = max(logs)
    weights = [math.exp(log - top) for log in logs]
    total = math.fsum(weights)
    probabilities = [weight / total for weight in weights]
    suspects = _suspects(chain, fits[1:], probabilities[1:-1])
    comparisons = compare(chain, readings)
    unchecked = _unchecked(comparisons)
    unknown = probabilities[-1]
    if place := _located(comparisons):
        suspects, unknown = _given_to(place, suspects, unknown), 0.0
    answer, because = _answer(suspects, probabilities[0], unknown, unchecked)
    return Isolation(
        answer=answer,
        because=because,
        suspects=suspects,
        none=probabilities[0],
        unknown=unknown,
        comparisons=comparisons,
        evidence=_evidence(answer, suspects, comparisons),
        next_steps=next_steps(
            chain, readings, {item.block: item.probability for item in suspects}, answer.value
        ),
        population=population,
        unchecked=unchecked,
    )


def prepared(chain: Chain, readings: ChainReadings) -> ChainReadings:
    """Return the readings as they can be compared with a model.

    A current at or beyond the transmitter's limits says "at the limit" and no more; the display
    of that moment may be a substitute value and is left out.
    """
    beyond = {
        row.state
        for row in readings.rows
        if row.kind in (Kind.SENT, Kind.RECEIVED)
        and row.value is not None
        and (_held(chain, row).limited or row.value < LEAST_ALIVE)
    }
    rows = [
        _held(chain, row)
        for row in readings.rows
        if not (row.kind is Kind.SHOWN and row.state in beyond)
    ]
    return replace(readings, rows=tuple(rows))


_CURRENTS = (Kind.SENT, Kind.RECEIVED, Kind.FED_TERMINALS_SENT, Kind.FED_BOX_SENT)
NEAR_LIMIT = 0.002  # of span: so close to a limit a value may be the limit
AT_LIMIT = 0.02  # of span: what a value at the limit still says


def _held(chain: Chain, row: Row) -> Row:
    """Mark a current or display that stands at the transmitter's limit."""
    bands = chain.transmitter.bands
    if row.value is None:
        return row
    if row.kind in _CURRENTS:
        low, high, span = bands.lowest, bands.highest, SPAN
        if row.value < LEAST_ALIVE:
            return row
    elif row.kind in (Kind.SHOWN, Kind.FED_TERMINALS_SHOWN, Kind.FED_BOX_SHOWN):
        ends = [displayed(end, chain.lower, chain.upper) for end in (bands.lowest, bands.highest)]
        (low, high), span = sorted(ends), abs(chain.span_shown)
        if (row.value - chain.lower) / chain.span_shown < (LEAST_ALIVE - LIVE_ZERO) / SPAN:
            return row
    else:
        return row
    near = NEAR_LIMIT * span
    if low + near < row.value < high - near:
        return row
    held = min(max(row.value, low), high)
    return replace(row, value=held, u=max(row.u, AT_LIMIT * span), limited=True)


def _total(population: Population) -> float:
    return math.fsum(population.weights.values()) + population.none + population.unknown


def _log(number: float) -> float:
    return math.log(number) if number > 0.0 else -math.inf


def _prior(item: Hypothesis, population: Population) -> float:
    if item.block is None:
        return _log(population.none / _total(population))
    weight = population.weights.get(item.block, 0.0)
    return _log(weight * item.share / _total(population))


def _suspects(
    chain: Chain, fits: tuple[Fit, ...], probabilities: list[float]
) -> tuple[Suspect, ...]:
    found = []
    for block in Block:
        own = [
            (probability, fit)
            for probability, fit in zip(probabilities, fits, strict=True)
            if fit.hypothesis.block is block
        ]
        sum_ = math.fsum(probability for probability, _ in own)
        _, best = max(own, key=lambda pair: (pair[0], pair[1].evidence))
        cell = best.hypothesis.cell
        what = best.hypothesis.told(best.size)
        if cell is not None and block is Block.CELL:
            what = f"{chain.cells[cell].name} (input {cell + 1}): {what}"
        found.append(Suspect(block, sum_, cell, what))
    return tuple(sorted(found, key=lambda suspect: -suspect.probability))


_MEASURED_THROUGH = (Block.TRANSMITTER, Block.LOOP, Block.CONTROL)
"""Blocks whose input and output are both read: what is wrong between them is theirs."""


def _located(comparisons: tuple[Comparison, ...]) -> Block | None:
    """Return the one block that what goes in comes out of wrong, twice at least; else None.

    Whatever is wrong with it then, it is in this block. A single such reading may be mistyped.
    """
    outside = [c for c in comparisons if c.outcome == "outside" and len(c.blocks) == 1]
    blocks = {c.blocks[0] for c in outside}
    if len(outside) < 2 or len(blocks) != 1 or not blocks <= set(_MEASURED_THROUGH):
        return None
    return blocks.pop()


def _given_to(block: Block, suspects: tuple[Suspect, ...], unknown: float) -> tuple[Suspect, ...]:
    """Return the suspects with what no known fault explains given to one block."""
    words = "what goes in comes out wrong, in a way that no single fault we know explains"
    found = [
        replace(
            each,
            probability=each.probability + unknown,
            what=words if unknown > each.probability else each.what,
        )
        if each.block is block
        else each
        for each in suspects
    ]
    return tuple(sorted(found, key=lambda suspect: -suspect.probability))


def _answer(
    suspects: tuple[Suspect, ...], none: float, unknown: float, unchecked: tuple[Block, ...]
) -> tuple[Answer, str]:
    first = suspects[0]
    if first.probability >= CONFIDENT and first.block in unchecked:
        return Answer.UNDECIDED, (
            f"{first.block.value} fits best (probability {first.probability:.2f}: {first.what}),"
            " but no reading was taken at it"
        )
    if first.probability >= CONFIDENT:
        return Answer.BLOCK, (
            f"{first.block.value} with probability {first.probability:.3f}: {first.what}"
        )
    if unknown >= 0.5:
        return Answer.UNKNOWN, (
            f"no single fault that we know explains the readings (probability {unknown:.2f}):"
            " check for two faults or a mistyped reading"
        )
    if none >= 0.5 and none > first.probability:
        return Answer.NONE_FOUND, (
            f"every block that was read is within its tolerance (probability {none:.2f})"
        )
    left = [s for s in suspects if s.probability >= 0.02]
    listed = ", ".join(f"{s.block.value} {s.probability:.2f}" for s in left)
    return Answer.UNDECIDED, f"the readings leave {listed}, none {none:.2f}"


def _evidence(
    answer: Answer, suspects: tuple[Suspect, ...], comparisons: tuple[Comparison, ...]
) -> tuple[str, ...]:
    """Sentences that speak against the first suspect, then those that clear the others."""
    outside = [c for c in comparisons if c.outcome == "outside"]
    if answer is not Answer.BLOCK:
        return tuple(c.sentence() for c in outside)
    first = suspects[0]
    own = [
        c
        for c in outside
        if first.block in c.blocks and (first.cell is None or c.cell in (None, first.cell))
    ]
    own.sort(key=lambda c: (len(c.blocks), -abs(c.off) / (c.allowed + c.expanded)))
    cleared = [c for c in comparisons if c.outcome == "inside" and first.block not in c.blocks]
    shortest: dict[Block, Comparison] = {}
    for c in cleared:
        if len(c.blocks) == 1:
            shortest.setdefault(c.blocks[0], c)
    sentences = [first.what] + [c.sentence() for c in (own or outside)[:MOST_EVIDENCE]]
    return tuple(sentences + [c.sentence() for c in shortest.values()])


def _unchecked(comparisons: tuple[Comparison, ...]) -> tuple[Block, ...]:
    seen = {block for c in comparisons for block in c.blocks}
    return tuple(block for block in Block if block not in seen)
