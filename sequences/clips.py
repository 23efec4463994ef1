"""A pair that a person has clipped: a clip on the wrong lead is recognised by what it reads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from operator import is_not

from acq.analysis.leads import Lead, LeadPair
from acq.bench.connections import Connection, Join, Polarity, ohms
from acq.cells.cell import Cell
from acq.cells.limits import Limits
from acq.readings.measured import is_number
from acq.readings.rules import Limit
from acq.readings.units import format_value
from acq.runs.check import Check
from acq.runs.prompts import CLIP_CAUTION, Prompt
from acq.runs.run import Run
from sequences.acceptance_plan import AcceptancePlan
from sequences.diagnosis import Seen
from sequences.ohms import Taken, expected_ohms, read_pair

IT_IS_RIGHT = "right"
HALF_CLIP_SHARE = 0.04  # of the pair: how far papers and cell may differ; common practice


def read_where_asked(
    run: Run[AcceptancePlan], check: Check, limits: Limits, seen: Seen, pair: LeadPair
) -> Taken:
    """Read a pair; where a person clipped it and it reads like another one, ask and read again."""
    taken = read_pair(run, check, expected_ohms(run.cell, pair))
    if run.relays:
        return taken
    guess = wrong_clip(run, limits, seen, pair, taken)
    if guess is None or check.ask(clip_again(run, pair, taken, guess)) == IT_IS_RIGHT:
        return taken
    return read_pair(run, check, expected_ohms(run.cell, pair))


def one_clip_on(seen: Seen, pair: LeadPair) -> Connection:
    """Ohms on the next pair, the way round that moves the fewer clips from where they are."""
    ways = {Polarity.NORMAL: (pair.one, pair.other), Polarity.REVERSED: (pair.other, pair.one)}
    way, now = Polarity.NORMAL, seen.clips
    if now is not None:
        way = min(ways, key=lambda each: sum(map(is_not, ways[each], now)))
    seen.clips = ways[way]
    return ohms(pair, way)


@dataclass(frozen=True, slots=True)
class Guess:
    """Which terminals seem to be on which leads instead of the one that was asked for."""

    terminals: tuple[str, ...]
    seems: tuple[Lead, ...]
    asked: Lead


def wrong_clip(
    run: Run[AcceptancePlan], limits: Limits, seen: Seen, pair: LeadPair, taken: Taken
) -> Guess | None:
    """Return what one clip on a wrong lead alone explains; None where the reading fits."""
    if not is_number(taken.measured) or _fits(limits.resistance(pair), taken.measured.x):
        return None
    high, low = seen.clips or (pair.one, pair.other)
    value = taken.measured.x
    for name, asked, stays in (("HI", high, low), ("LO", low, high)):
        others = [lead for lead in run.cell.leads if lead not in (asked, stays)]
        both = [x for x in others if _fits(limits.resistance(LeadPair.of(stays, x)), value)]
        if both:
            return Guess((f"dmm {name}", f"dmm sense {name}"), tuple(both), asked)
    for name, asked, stays in (("HI", high, low), ("LO", low, high)):
        others = [lead for lead in run.cell.leads if lead not in (asked, stays)]
        half = [x for x in others if _half_fits(run.cell, asked, stays, x, value)]
        if half:
            return Guess((f"dmm sense {name}", f"dmm {name}"), tuple(half), asked)
    return None


def _fits(every: Sequence[Limit], ohms: float) -> bool:
    """Whether a value lies within some limit, where there is any."""
    return any(limit.margin(ohms) >= 0.0 for limit in every)


def _half_fits(cell: Cell, asked: Lead, stays: Lead, other: Lead, ohms: float) -> bool:
    """Whether one of the two wires of a clip on `other` explains the reading.

    Current and volts then share one lead only; what is read is the transfer resistance, by
    reciprocity half of the sum of the two pairs that share it less the third.
    """
    pairs = [LeadPair.of(asked, stays), LeadPair.of(stays, other), LeadPair.of(asked, other)]
    first, second, third = (expected_ohms(cell, each) for each in pairs)
    expected = (first + second - third) / 2.0
    return abs(ohms - expected) <= HALF_CLIP_SHARE * first and expected > 1.0


def clip_again(run: Run[AcceptancePlan], pair: LeadPair, taken: Taken, guess: Guess) -> Prompt:
    """The prompt that names the wrong clip and what to do."""
    reads = format_value(sum(taken.values) / len(taken.values), "ohm")
    expected = format_value(expected_ohms(run.cell, pair), "ohm")
    seems = " or ".join(guess.seems)
    return Prompt(
        text=f"{pair} reads {reads}, expected {expected}: you are on {seems} instead of"
        f" {guess.asked} ({guess.terminals[0]}). Put {' and '.join(guess.terminals)} on"
        f" {guess.asked}.",
        caution=CLIP_CAUTION,
        choices=("moved", IT_IS_RIGHT),
        clip_on=tuple(Join(terminal, guess.asked) for terminal in guess.terminals),
    )
