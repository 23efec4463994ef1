"""Paths that should not be there: conductors that touch, moisture, a shield on the housing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import combinations

import numpy as np

from acq.analysis import fault_changes as changes
from acq.analysis.fault_lines import Line, LineMaker, Measure
from acq.analysis.faults import Fault, FaultAt
from acq.analysis.leads import FOUR_WIRE_PAIRS, Lead, LeadPair
from acq.analysis.network import Floats
from acq.analysis.sizes import log_uniform

LEAK_DECADES = (3.3, 9.2)
"""log10 of a leak that moisture makes, in ohm; all decades are as likely."""
LEAK_STEP = 0.5
LEAK_BINS = LEAK_DECADES[0] + LEAK_STEP * np.arange(9)
"""Ends of the bins of leaks that are seen in the resistances, too; one more bin lies above."""
BETWEEN_TWO = 0.35
"""Part of the cases of moisture in which the path lies between two leads alone."""

MOISTURE = (
    FaultAt(Fault.MOISTURE_IN_CELL, (Lead.HOUSING,)),
    FaultAt(Fault.MOISTURE_IN_CABLE, (Lead.SHIELD,)),
)


def shorts(maker: LineMaker) -> Iterator[Line]:
    """Two conductors touch with 1 mohm to 30 ohm, somewhere along the cable."""
    for one, other in combinations(maker.leads, 2):
        across = abs(maker.sound[0][maker.pairs.index(LeadPair.of(one, other))])
        line = maker.line(
            (FaultAt(Fault.LEAD_SHORT, (one, other)), 1.0),
            extreme=changes.leads_touch(one, other, 0.0, 0.5),
            change=_touching(one, other, across),
            prior=log_uniform(1e-3, 30.0, _bridged(across), signs=(1,), bins=8),
            measure=_path(across),
        )
        ends = [maker.both(changes.leads_touch(one, other, 0.0, x))[0] for x in (0.01, 0.99)]
        along = (ends[1] - ends[0]) / 0.98 / np.sqrt(12.0)
        bend = np.abs(0.5 * (ends[0] + ends[1]) - (line.base + line.step))
        jitter = np.hypot(line.jitter, 0.5 * bend)
        yield replace(line, columns_per_size=along[:, None], jitter=jitter)


def leaks(maker: LineMaker) -> Iterator[Line]:
    """Moisture: from all leads to housing or shield in unequal shares, or between two leads."""
    between = [_between_two(maker, pair) for pair in FOUR_WIRE_PAIRS]
    steps = np.stack([line.step for line in between], -1)
    # beside a leak between two leads the lesser one to housing or shield joins all of them
    yield from (replace(line, columns_per_size=0.02 * steps) for line in between)
    spread_out = (1.0 - BETWEEN_TWO) / (LEAK_DECADES[1] - LEAK_DECADES[0])
    across = np.array([_across(maker, pair) for pair in FOUR_WIRE_PAIRS])
    for place, middle in enumerate(0.5 * (LEAK_BINS[:-1] + LEAK_BINS[1:])):
        # leads share the leak as four random parts of one: a pair has 1/20 of it on average,
        # with a standard deviation of 0.95 times that (Dirichlet distribution, all ones)
        each = steps * across / (across + 20.0 * 10.0**middle)
        # what one path takes from the others is of second order
        bend = np.append(each[:-1].sum(-1) ** 2 / maker.sound[0][:-1], each[-1].sum())
        yield replace(
            maker.line(*((fault, spread_out * LEAK_STEP) for fault in MOISTURE)),
            base=maker.sound[0] + each.sum(-1),
            columns=np.concatenate([0.95 * each, np.diag(bend)], -1),
            leak_bin=place,
        )
    unseen = spread_out * (LEAK_DECADES[1] - LEAK_BINS[-1])
    line = maker.line(*((fault, unseen) for fault in MOISTURE))
    yield replace(line, leak_bin=len(LEAK_BINS) - 1)


def _between_two(maker: LineMaker, pair: LeadPair) -> Line:
    across = _across(maker, pair)
    line = maker.line(
        *((fault, BETWEEN_TWO / len(FOUR_WIRE_PAIRS)) for fault in MOISTURE),
        extreme=changes.leads_touch(pair.one, pair.other, 0.0, 1.0),
        prior=log_uniform(1e3, 1e7, _bridged(across), signs=(1,)),
        measure=_path(across, f"ohm between {pair.one} and {pair.other}"),
    )
    return replace(line, leak_ohms=_path_ohms(across))


def paths_beside(maker: LineMaker) -> Iterator[Line]:
    """What leaves the resistances alone: the insulation readings tell."""
    touching = FaultAt(Fault.SHIELD_TO_HOUSING, (Lead.SHIELD, Lead.HOUSING))
    if not maker.cell.shield_connected:  # what is tied by design is no fault
        yield maker.line((touching, 1.0))
    ends = (Lead.SHIELD, Lead.HOUSING)
    yield maker.line(*((FaultAt(Fault.LEAD_SHORT, (end,)), 0.5) for end in ends))


def _across(maker: LineMaker, pair: LeadPair) -> float:
    return float(maker.sound[0][maker.pairs.index(pair)])


def _touching(one: Lead, other: Lead, across: float) -> Callable[[float], changes.Change]:
    ohms = _path_ohms(across)
    return lambda s: changes.leads_touch(one, other, float(ohms(np.asarray(s))), 0.5)


def _bridged(across: float) -> Callable[[Floats], Floats]:
    """Return what takes a path's ohms to s, between leads that read `across` without it."""
    return lambda ohms: across / (across + ohms)


def _path_ohms(across: float) -> Callable[[Floats], Floats]:
    return lambda s: across * (1.0 / np.clip(s, 1e-12, 1.0) - 1.0)


def _path(across: float, unit: str = "ohm") -> Measure:
    return Measure(of=_path_ohms(across), unit=unit, signed=False, smaller_is_worse=True)
