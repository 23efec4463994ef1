"""A pair that a person has clipped: a clip on the wrong lead is recognised by what it reads."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from operator import is_not

from acq.analysis.leads import SENSE_LOOPS, Lead, LeadPair
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
TRIES = 3  # of the clips of one pair; common practice, no source
CONTACT_OHMS = 0.05  # what a clip that was moved may differ; common practice, no source
HALF_CLIP_SHARE = 0.04  # of the pair: how far papers and cell may differ; common practice


def read_where_asked(
    run: Run[AcceptancePlan], check: Check, limits: Limits, seen: Seen, pair: LeadPair
) -> Taken:
    """Read a pair; where a person clipped it and it reads like another one, ask and read again."""
    taken = read_pair(run, check, expected_ohms(run.cell, pair))
    tried: set[tuple[str, ...]] = set()  # what was moved without another reading
    for _ in range(0 if run.relays else TRIES):
        guesses = wrong_clips(run, limits, seen, pair, taken)
        guess = next((each for each in guesses if each.terminals not in tried), None)
        if guess is not None:
            prompt = clip_again(run, pair, taken, guess)
        elif not tried and _hardly_a_cell(run, limits, seen, pair, taken):
            wanted = f"expected {format_value(expected_ohms(run.cell, pair), 'ohm')}"
            prompt = clip_anew(run.joined(), f"{pair} reads {_told(taken)}, {wanted}")
        else:
            return taken
        if check.ask(prompt) == IT_IS_RIGHT:
            return taken
        before, taken = taken, read_pair(run, check, expected_ohms(run.cell, pair))
        if not _alike(before, taken):
            tried.clear()
        elif guess is None:
            return taken
        else:
            tried.add(guess.terminals)
    return taken


def _alike(one: Taken, other: Taken) -> bool:
    """Whether a reading came back after its clips were moved: then it is the cell's."""
    if not (one.values and other.values):
        return not one.values and not other.values
    first, second = (sum(each.values) / len(each.values) for each in (one, other))
    return abs(first - second) <= CONTACT_OHMS + HALF_CLIP_SHARE * max(abs(first), abs(second))


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


def wrong_clips(
    run: Run[AcceptancePlan], limits: Limits, seen: Seen, pair: LeadPair, taken: Taken
) -> Iterator[Guess]:
    """Yield what one clip on a wrong lead alone explains; nothing where the reading fits."""
    if not is_number(taken.measured) or _fits(limits.resistance(pair), taken.measured.x):
        return
    high, low = seen.clips or (pair.one, pair.other)
    value = taken.measured.x
    for name, asked, stays in (("HI", high, low), ("LO", low, high)):
        others = [lead for lead in run.cell.leads if lead not in (asked, stays)]
        both = [x for x in others if _fits(limits.resistance(LeadPair.of(stays, x)), value)]
        if both:
            yield Guess((f"dmm {name}", f"dmm sense {name}"), tuple(both), asked)
    for name, asked, stays in (("HI", high, low), ("LO", low, high)):
        others = [lead for lead in run.cell.leads if lead not in (asked, stays)]
        half = [x for x in others if _half_fits(run.cell, asked, stays, x, value)]
        if half:
            yield Guess((f"dmm sense {name}", f"dmm {name}"), tuple(half), asked)


def _hardly_a_cell(
    run: Run[AcceptancePlan], limits: Limits, seen: Seen, pair: LeadPair, taken: Taken
) -> bool:
    """Whether a pair reads like a slip that no wrong lead alone explains, rather than a cell."""
    return _hardly_a_bridge(run, seen, pair, taken) or _no_loop(limits, pair, taken)


def _hardly_a_bridge(run: Run[AcceptancePlan], seen: Seen, pair: LeadPair, taken: Taken) -> bool:
    """Whether a pair reads like a slip rather than a cell: nothing, less than nothing, or open.

    An open lead is open to all others: once one of the two has been, it is not asked again.
    """
    if is_number(taken.measured):
        return taken.measured.x < run.plan.resistance.short_below_share * expected_ohms(
            run.cell, pair
        )
    return not any(_always_open(seen, lead) for lead in (pair.one, pair.other))


def _no_loop(limits: Limits, pair: LeadPair, taken: Taken) -> bool:
    """Whether a sense loop is another than the papers say: one wire of a clip on any other lead of
    the bridge leaves half of it.
    """
    if pair not in SENSE_LOOPS or not is_number(taken.measured):
        return False
    return not _fits(limits.resistance(pair), taken.measured.x)


def _always_open(seen: Seen, lead: Lead) -> bool:
    """Whether every pair of this lead that was read so far was open, and there was one."""
    found = [is_number(ohms) for pair, ohms in seen.pairs.items() if lead in (pair.one, pair.other)]
    return bool(found) and not any(found)


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


def clip_anew(connection: Connection, reads: str, caution: str = CLIP_CAUTION) -> Prompt:
    """The prompt for what no single wrong clip explains, and hardly a cell."""
    joins = tuple(sorted(connection.joins, key=lambda join: (join.terminal, join.lead)))
    where = "; ".join(f"{join.terminal} on {join.lead}" for join in joins)
    return Prompt(
        text=f"{reads}: look at every clip, take them off and clip them anew ({where}).",
        caution=caution,
        choices=("clipped", IT_IS_RIGHT),
        clear=tuple(dict.fromkeys(join.terminal for join in joins)),
        clip_on=joins,
    )


def _told(taken: Taken) -> str:
    if not taken.values:
        return "open"
    return format_value(sum(taken.values) / len(taken.values), "ohm")


def clip_again(run: Run[AcceptancePlan], pair: LeadPair, taken: Taken, guess: Guess) -> Prompt:
    """The prompt that names the wrong clip and what to do."""
    reads = _told(taken)
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
