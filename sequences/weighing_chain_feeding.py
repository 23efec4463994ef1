"""c10: known mV/V in place of the cells, as a ratio of the measured excitation."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from acq.analysis.chain import SPAN
from acq.analysis.chain_papers import Kind
from acq.bench.connections import Connection
from acq.readings.measured import Measured, Uncertain, is_number
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from sequences.weighing_chain_meters import (
    clipped,
    current,
    excitation_at,
    in_loop,
    over,
    two_meters,
    volts,
    with_volts,
)
from sequences.weighing_chain_source import feed_volts, fit_for_it, off
from sequences.weighing_chain_stand_in import (
    Place,
    cells_again,
    in_service,
    load_ohms,
    places,
    stand_in,
    take_off,
)
from sequences.weighing_chain_work import Work, refuse, row, whole_again

__all__ = ["common_mode", "millivolts", "places"]

SKIPPED = "the person went on without it"


@dataclass(frozen=True, slots=True)
class Point:
    """One fed point: part of the span, volts fed, what the loop carried, excitation meanwhile."""

    part: float
    falling: bool
    fed: Uncertain
    amperes: Measured
    level: Measured | None


def millivolts(work: Work, place: Place, parts: Sequence[float], round_: str) -> None:
    """Feed parts of the span up and down, and read the current at each; nothing for none."""
    if not parts:
        return
    wires = [*place.wires, "loop wire +"]
    with work.run.check(f"mV/V fed, {round_}", place.name) as check:
        reason = work.pulsed or _papers_allow(work)
        if reason:
            refuse(check, reason)
            return
        if whole_again(work, check, wires):
            take_off(check, place)
        told = fit_for_it(work, work.level.get(place.at))
        if check.ask(Prompt(text=told, choices=("go on", "skip"))) != "go on":
            refuse(check, SKIPPED)
            return
        stand_in(work, check, place)
        reason = _fed_round(work, check, place, parts, round_)
        if reason:
            refuse(check, reason)
        cells_again(check, place)


def _papers_allow(work: Work) -> str:
    papers = work.visit.file.transmitter
    if work.plan.stand_in.common_mode == "floating" and papers.common_mode_rejection is None:
        return (
            "a floating source needs transmitter.common_mode_rejection in the chain's file: else"
            " nobody knows what its common mode does"
        )
    return ""


def _fed_round(work: Work, check: Check, place: Place, parts: Sequence[float], round_: str) -> str:
    """Feed all points of one place; return why not, where that must not be."""
    ends = tuple(f"{excitation_at(work, place.at)}{sign}" for sign in "+-")
    level = volts(work, check, ends[0], ends[1], work.chain.terminal_volts)
    least = work.plan.stand_in.alive_share * work.chain.terminal_volts
    if not is_number(level) or level.x < least:
        return "no excitation where the source shall stand in for the cells"
    source = clipped("source +", "source -", f"{place.at} S+", f"{place.at} S-")
    reason, off_middle = _middle(work, check, place, level, source)
    if reason:
        return reason
    with in_loop(
        work, check, "loop wire +", "transmitter I+", "loop terminal", beside=source
    ) as loop:
        falling = [part < before for before, part in itertools.pairwise([parts[0], *parts])]
        points = [
            _point(work, check, way, level, source | loop, ends)
            for way in zip(parts, falling, strict=True)
        ]
        off(work, check)
    after: Measured = level
    if not two_meters(work):  # else it was read at each point
        after = volts(work, check, ends[0], ends[1], work.chain.terminal_volts)
    _tell(work, check, place, off_middle)
    worth, common = in_service(work, place), common_mode(work, off_middle)
    for point in points:
        before, last = (point.level or level), (point.level or after)
        fed = over(work, point.fed, before, last)
        if is_number(fed):
            _result(work, check, place.kind, point, fed * worth + common, round_)
    return ""


def _middle(
    work: Work, check: Check, place: Place, level: Uncertain, source: Connection
) -> tuple[str, float]:
    """Feed nothing and look where the source stands; return why not, and how far off the middle.

    A source that does not float shorts an arm of an earthed chain: S- leaves the middle.
    """
    plan = work.plan.stand_in
    if plan.common_mode == "floating":
        return "", 0.5  # a meter would hold it: anywhere between the ends
    feed_volts(work, check, 0.0, level.x, source)
    ends = f"{place.at} S-", f"{place.at} Ex-"
    found = volts(work, check, *ends, work.chain.terminal_volts / 2.0, beside=source)
    whole = volts(work, check, f"{place.at} Ex+", ends[1], work.chain.terminal_volts, beside=source)
    off(work, check)
    check.finding(f"{ends[0]} above {ends[1]}, source on", "dc-voltage", "V", found)
    if not (is_number(found) and is_number(whole)) or not abs(whole.x) > 0.0:
        return "the source's place in the excitation gave no number", 0.5
    off_middle = abs(found.x / whole.x - 0.5)
    if off_middle <= plan.off_middle:
        return "", off_middle
    return (
        f"stop: S- stands {found.x:.2f} V above Ex- of {whole.x:.2f} V, {off_middle:.0%} of the"
        f" excitation off its middle ({plan.off_middle:.0%} allowed, {plan.source}): the source"
        " does not float, or a lead is not where it should be"
    ), off_middle


def _point(
    work: Work, check: Check, way: tuple[float, bool], level: Uncertain, at: Connection,
    ends: tuple[str, ...],
) -> Point:  # fmt: skip
    chain, part = work.chain, way[0]
    wanted = chain.transmitter.ratio_at_4 + part * chain.span_ratio
    fed = feed_volts(work, check, wanted * level.x, level.x, at)
    check.wait(work.plan.settle_s, f"{wanted * 1e3:.5f} mV/V fed, the transmitter settles")
    if not two_meters(work):
        return Point(*way, fed, current(work, check, at), None)
    amperes, meanwhile = with_volts(work, check, at, (ends[0], ends[1]), chain.terminal_volts)
    return Point(*way, fed, amperes, meanwhile)


def _result(
    work: Work, check: Check, kind: Kind, point: Point, fed: Uncertain, round_: str
) -> None:
    amperes = point.amperes
    if point.part in work.plan.feed.limits:  # beyond the range: told with its band, tests no line
        name = f"{round_}: current at {point.part:.0%} of span, {_band(work, amperes)}"
        check.finding(name, "dc-current", "A", amperes)
        return
    if is_number(amperes):
        # what the source is off counts as the transmitter's input does
        amperes = amperes - (fed - fed.x) * (SPAN / work.chain.span_ratio)
    work.keep(row(kind, amperes, fed=fed.x, falling=point.falling))


def common_mode(work: Work, off_middle: float) -> Uncertain:
    """What the transmitter may take for signal, V/V, of a source off the middle (rectangular).

    One influence for a round: it is the same at each point.
    """
    rejection = work.visit.file.transmitter.common_mode_rejection or 0.0
    name = "common mode of the source, off the middle of the excitation"
    return work.run.uncertainties.fresh(name, rejection * off_middle / 3.0**0.5)


def _tell(work: Work, check: Check, place: Place, off_middle: float) -> None:
    """Keep what stood in for the cells, and what it made of the fed value."""
    plan, papers = work.plan.stand_in, work.visit.file.transmitter
    ohms = load_ohms(work) if plan.load == "resistors" else None
    told = {
        "load": plan.load,
        "load_ohms": ohms,
        "common_mode": plan.common_mode,
        "off_middle_of_excitation": off_middle,
        "fed_value_in_service": in_service(work, place),
        "source_ohms": plan.source_ohms,
        "transmitter_input_ohms": papers.input_resistance,
        "transmitter_common_mode": papers.common_mode_rejection,
        "sources": [plan.source, papers.input_source or "transmitter's input not stated"],
    }
    check.keep("stand-in", place.name, told)


def _band(work: Work, amperes: Measured) -> str:
    """What the current says by the bands of NE 43."""
    if not is_number(amperes):
        return "no number"
    return work.chain.transmitter.bands.state(amperes.x).value
