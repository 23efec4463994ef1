"""A pair that a person has clipped: a clip on the wrong lead is recognised by what it reads."""

from __future__ import annotations

from acq.analysis.leads import Lead, LeadPair
from acq.bench.connections import Join
from acq.cells.limits import Limits
from acq.readings.measured import is_number
from acq.readings.units import format_value
from acq.runs.check import Check
from acq.runs.prompts import CLIP_CAUTION, Prompt
from acq.runs.run import Run
from sequences.acceptance_plan import AcceptancePlan
from sequences.ohms import Taken, expected_ohms, read_pair

__all__ = ["Check", "read_where_asked", "wrong_clip"]

IT_IS_RIGHT = "right"


def read_where_asked(
    run: Run[AcceptancePlan], check: Check, limits: Limits, pair: LeadPair
) -> Taken:
    """Read a pair; where a person clipped it and it reads like another one, ask and read again."""
    taken = read_pair(run, check, expected_ohms(run.cell, pair))
    if run.relays:
        return taken
    guess = wrong_clip(run, limits, pair, taken)
    if guess is None or check.ask(clip_again(run, pair, taken, *guess)) == IT_IS_RIGHT:
        return taken
    return read_pair(run, check, expected_ohms(run.cell, pair))


def wrong_clip(
    run: Run[AcceptancePlan], limits: Limits, pair: LeadPair, taken: Taken
) -> tuple[Lead, Lead] | None:
    """Return (lead asked, lead it seems to be on) when one clip alone explains the reading."""
    if not is_number(taken.measured) or _fits(limits, pair, taken.measured.x):
        return None
    found = []
    for asked, stays in ((pair.one, pair.other), (pair.other, pair.one)):
        for lead in run.cell.leads:
            if lead in (asked, stays):
                continue
            if _fits(limits, LeadPair.of(stays, lead), taken.measured.x):
                found.append((asked, lead))
    return found[0] if found else None


def _fits(limits: Limits, pair: LeadPair, ohms: float) -> bool:
    """Whether a value lies within some limit of a pair, where it has any."""
    every = limits.resistance(pair)
    return any(limit.margin(ohms) >= 0.0 for limit in every)


def clip_again(
    run: Run[AcceptancePlan], pair: LeadPair, taken: Taken, asked: Lead, seems: Lead
) -> Prompt:
    """The prompt that names the wrong clip and what to do."""
    reads = format_value(sum(taken.values) / len(taken.values), "ohm")
    expected = format_value(expected_ohms(run.cell, pair), "ohm")
    high = "HI" if asked == pair.one else "LO"
    terminals = (f"dmm {high}", f"dmm sense {high}")
    return Prompt(
        text=f"{pair} reads {reads}, expected {expected}: you are on {seems} instead of {asked}."
        f" Move that clip to {asked}.",
        caution=CLIP_CAUTION,
        choices=("moved", IT_IS_RIGHT),
        clip_off=tuple(Join(terminal, seems) for terminal in terminals),
        clip_on=tuple(Join(terminal, asked) for terminal in terminals),
    )
