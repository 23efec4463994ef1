"""The faults that a network can show, one line each, with how large they may be.

The sizes are assumptions of this program about what a workshop meets, stated beside each fault.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import combinations

import numpy as np

from acq.analysis import fault_changes as changes
from acq.analysis.fault_lines import Line, LineMaker, with_unknown_papers
from acq.analysis.faults import ARMS, NONE_FOUND, UNKNOWN, Fault, FaultAt
from acq.analysis.leads import FOUR_WIRE_PAIRS, INPUT, LEAD_ORDER, Lead, LeadPair
from acq.analysis.network import LEAD_PLACE, Floats
from acq.analysis.side_evidence import THERMAL
from acq.analysis.sizes import SizePrior, exactly, log_uniform, mixture

LEAK_DECADES = (3.3, 9.2)
"""log10 of a leak that moisture makes, in ohm; all decades are as likely."""
LEAK_BINS_STEP = 0.5
LEAK_BINS = LEAK_DECADES[0] + LEAK_BINS_STEP * np.arange(9)
"""Ends of the bins of leaks that are seen in the resistances, too; one more bin lies above."""
BETWEEN_TWO = 0.3
"""Part of the cases of moisture in which the path lies between two leads alone."""

HOUSING = (Lead.HOUSING,)
SHIELD = (Lead.SHIELD,)
MOISTURE = (
    FaultAt(Fault.MOISTURE_IN_CELL, HOUSING),
    FaultAt(Fault.MOISTURE_IN_CABLE, SHIELD),
)
JOINT_JITTER = 0.3  # of a loose joint's own ohms, from one reading to the next
NOMINALS = (120.0, 350.0, 700.0, 1000.0, 2000.0)


def all_lines(maker: LineMaker) -> list[Line]:
    """Return the lines of all faults; the first is the sound cell."""
    families: tuple[Callable[[LineMaker], Iterator[Line]], ...] = (
        arms,
        joints,
        opens,
        shorts,
        legs,
        body,
        exchanged,
        papers,
        leaks,
        elsewhere,
        wrong_reading,
    )
    return [maker.line((NONE_FOUND, 1.0)), *(line for family in families for line in family(maker))]


def arm_position(factor: Floats) -> Floats:
    """Return s of an arm with `factor` times its resistance, of four that were about equal."""
    position: Floats = (factor - 1.0) / (factor + 3.0)
    return position


def arm_factor(s: float) -> float:
    """Return the factor back from s; inf at the open end."""
    return (1.0 + 3.0 * s) / (1.0 - s) if s < 1.0 - 1e-9 else float("inf")


def arms(maker: LineMaker) -> Iterator[Line]:
    """Open (85 % clean), shorted (below 1 %), changed by 0.2 % to 20 times, zero resistor."""
    nominal = maker.cell.arm_ohms
    partly_open = log_uniform(40.0, 1e5, arm_position, signs=(1,), bins=8)
    changed = mixture(
        (0.5, log_uniform(0.002, 20.0, lambda x: arm_position(1.0 + x), signs=(1,))),
        (0.5, log_uniform(0.002, 0.95, lambda x: arm_position(1.0 - x), signs=(1,))),
    )
    zero_resistor = log_uniform(1.5e-4, 1.7e-3, lambda x: arm_position(1.0 + x))
    for arm, where in ARMS.items():
        opened, shorted = changes.arm_scaled(arm, np.inf), changes.arm_scaled(arm, 0.0)
        yield maker.line(
            (FaultAt(Fault.OPEN_ARM, where), 1.0),
            extreme=opened,
            prior=mixture((0.85, exactly()), (0.15, partly_open)),
        )
        yield maker.line(
            (FaultAt(Fault.SHORTED_ARM, where), 1.0),
            extreme=shorted,
            prior=log_uniform(1e-6, 0.01, lambda x: -3.0 * arm_position(x), signs=(1,), bins=8),
        )
        line = maker.line(
            (FaultAt(Fault.ARM_CHANGED, where), 1.0),
            extreme=opened,
            prior=changed,
            size=lambda s: f"{100.0 * (arm_factor(s) - 1.0):+.3g} %",
        )
        yield line
        yield replace(
            line,
            shares=((FaultAt(Fault.ZERO_COMPENSATION_FAILED, where), 1.0),),
            prior=zero_resistor,
            size=lambda s: f"{nominal * (arm_factor(s) - 1.0):+.3g} ohm",
        )


def joints(maker: LineMaker) -> Iterator[Line]:
    """A joint of 0.05 to 30 ohm in a conductor or arm; it moves by 30 % between readings."""
    ohms = log_uniform(0.05, 30.0, lambda x: x, signs=(1,))
    for lead in maker.leads:
        line = maker.line(
            (FaultAt(Fault.LOOSE_JOINT, (lead,)), 0.7),
            (FaultAt(Fault.DAMAGED_CABLE, (lead,)), 1.0),
            extreme=changes.ohms_in_lead(lead, 1.0),
            prior=ohms,
            size=lambda s: f"{s:+.3g} ohm",
        )
        yield _jittering(line, np.array([float(lead in pair) for pair in maker.pairs]))
    nominal = maker.cell.arm_ohms
    in_arm = log_uniform(0.05, 30.0, lambda x: arm_position(1.0 + x / nominal), signs=(1,))
    for arm, where in ARMS.items():
        line = maker.line(
            (FaultAt(Fault.LOOSE_JOINT, where), 0.3),
            extreme=changes.arm_scaled(arm, np.inf),
            prior=in_arm,
            size=lambda s: f"{nominal * (arm_factor(s) - 1.0):+.3g} ohm",
        )
        own = LeadPair.of(*where)
        pattern = np.array([1.0 if pair == own else 0.11 for pair in maker.pairs])
        yield _jittering(line, pattern)


def _jittering(line: Line, weights: Floats) -> Line:
    """A joint has another value at each reading; three of them are averaged."""
    affected = np.abs(line.step) * np.append(weights > 0, True)
    ratio = JOINT_JITTER / np.sqrt(3.0)
    return replace(line, jitter=np.hypot(line.jitter, ratio * affected), scatter=weights)


def opens(maker: LineMaker) -> Iterator[Line]:
    """An interrupted conductor, or a compensation leg: on six wires the two differ."""
    for lead in maker.leads:
        fault = Fault.OPEN_SENSE_LEAD if lead.startswith("Se") else Fault.OPEN_LEAD
        cut = [pair for pair in maker.pairs if lead in pair]
        yield maker.open_line(FaultAt(fault, (lead,)), 1.0, cut)
    for side, both in enumerate(((Lead.EX_PLUS, Lead.SE_PLUS), (Lead.EX_MINUS, Lead.SE_MINUS))):
        if maker.cell.legs_ohms[side]:
            cut = [p for p in maker.pairs if (p.one in both) is not (p.other in both)]
            yield maker.open_line(FaultAt(Fault.COMPENSATION_FAILED, (both[0],)), 0.3, cut)


def shorts(maker: LineMaker) -> Iterator[Line]:
    """Two conductors touch with 1 mohm to 30 ohm, somewhere along the cable."""
    for one, other in combinations(maker.leads, 2):
        between = maker.sound[0]
        across = abs(between[maker.pairs.index(LeadPair.of(one, other))])
        prior = log_uniform(1e-3, 30.0, _bridged(across), signs=(1,), bins=8)
        line = maker.line(
            (FaultAt(Fault.LEAD_SHORT, (one, other)), 1.0),
            extreme=changes.leads_touch(one, other, 0.0, 0.5),
            prior=prior,
            size=_path_text(across),
        )
        ends = [maker.both(changes.leads_touch(one, other, 0.0, x))[0] for x in (0.01, 0.99)]
        along = (ends[1] - ends[0]) / 0.98 / np.sqrt(12.0)
        bend = np.abs(0.5 * (ends[0] + ends[1]) - (line.base + line.step))
        jitter = np.hypot(line.jitter, 0.5 * bend)
        yield replace(line, columns_per_size=along[:, None], jitter=jitter)


def legs(maker: LineMaker) -> Iterator[Line]:
    """A compensation leg shorted (half of the cases), open (`opens`) or changed by 3 to 90 %."""
    changed = log_uniform(0.03, 0.9, lambda x: -x)
    for side, lead in enumerate((Lead.EX_PLUS, Lead.EX_MINUS)):
        if not maker.cell.legs_ohms[side]:
            continue
        fault = FaultAt(Fault.COMPENSATION_FAILED, (lead,))
        for weight, prior in ((0.5, exactly()), (0.2, changed)):
            yield maker.line(
                (fault, weight),
                extreme=changes.leg_scaled(side, 0.0),
                prior=prior,
                size=lambda s: f"{-100.0 * s:+.3g} %",
            )


def body(maker: LineMaker) -> Iterator[Line]:
    """Zero shifts of the spring body, temperature, EMF: by how much of their unit."""
    rated = maker.cell.rated_output
    for fault, low, high in (
        (Fault.PLASTIC_SET, 0.005, 1.5),
        (Fault.SIDE_LOAD_SET, 0.005, 0.3),
        (Fault.FATIGUE_CRACK, 0.002, 0.5),
        (Fault.BOND_FAILURE, 0.001, 0.1),
    ):
        yield maker.line(
            (FaultAt(fault), 1.0),
            extreme=changes.output_shifted(rated),
            prior=log_uniform(low, high, lambda x: x),
            size=lambda s: f"{100.0 * s:+.3g} % of rated output",
        )
    spread = maker.population.spread
    kelvin = 10.0
    legs_factor = 1.0 + spread.leg_per_kelvin * kelvin
    yield maker.line(
        (FaultAt(Fault.NOT_SOAKED), 1.0),
        extreme=changes.legs_scaled(legs_factor, 1.0 + spread.copper_per_kelvin * kelvin),
        prior=log_uniform(0.05, 2.0, lambda x: x),
        size=lambda s: f"{10.0 * s:+.2g} K against the room",
    )
    conductor = maker.cell.conductor_ohms
    yield maker.line(
        (FaultAt(Fault.WRONG_CABLE_LENGTH), 1.0),
        extreme=changes.cable_scaled(2.0),
        prior=mixture(
            (0.7, log_uniform(0.05, max(1.0, 4.0 / conductor), lambda x: x, signs=(1,))),
            (0.3, log_uniform(0.05, 0.9, lambda x: -x, signs=(1,))),
        ),
        size=lambda s: f"{100.0 * s:+.3g} % of the stated cable",
    )


def exchanged(maker: LineMaker) -> Iterator[Line]:
    """Two leads exchanged, or the excitation pair with the signal pair."""
    order = list(LEAD_PLACE)
    for one, other in combinations(maker.leads, 2):
        swapped = [other if x == one else one if x == other else x for x in order]
        place = FaultAt(Fault.SWAPPED_LEADS, (one, other))
        yield maker.line((place, 1.0), base=changes.leads_exchanged(swapped))
    pairs = dict(
        zip(
            (Lead.EX_PLUS, Lead.EX_MINUS, Lead.S_PLUS, Lead.S_MINUS),
            (Lead.S_PLUS, Lead.S_MINUS, Lead.EX_PLUS, Lead.EX_MINUS),
            strict=True,
        )
    )
    swapped = [pairs.get(x, x) for x in order]
    place = FaultAt(Fault.SWAPPED_LEADS, tuple(sorted(pairs, key=LEAD_ORDER.__getitem__)))
    yield maker.line((place, 2.0), base=changes.leads_exchanged(swapped))


def papers(maker: LineMaker) -> Iterator[Line]:
    """A sound cell of another type: often of the same nominal resistance, else of another one."""
    if maker.cell.inferred:
        return
    nominal = maker.cell.arm_ohms
    others = [x / nominal for x in NOMINALS if abs(x / nominal - 1.0) > 0.1]
    near = [_between(x - 1.0 - 0.015 * x, x - 1.0 + 0.015 * x) for x in others]
    line = maker.line(
        (FaultAt(Fault.WRONG_PAPERS), 1.0),
        extreme=changes.arms_and_legs_scaled(2.0),
        prior=mixture((0.5, _between(-0.006, 0.006)), *((0.5 / len(near), x) for x in near)),
        size=lambda s: f"arms of {nominal * (1.0 + s):.4g} ohm",
    )
    yield with_unknown_papers(line, maker.cell, maker.population)


def _bridged(across: float) -> Callable[[Floats], Floats]:
    """Return what takes a path's ohms to s, between leads that read `across` without it."""
    return lambda ohms: across / (across + ohms)


def _path_ohms(across: float) -> Callable[[Floats], Floats]:
    return lambda s: across * (1.0 / np.clip(s, 1e-12, 1.0) - 1.0)


def _path_text(across: float) -> Callable[[float], str]:
    return lambda s: f"{float(_path_ohms(across)(np.asarray(s))):.3g} ohm"


def _between(low: float, high: float) -> SizePrior:
    ends = np.linspace(low, high, 10)
    return SizePrior(ends[:-1], ends[1:], np.full(9, 1.0 / 9.0))


def leaks(maker: LineMaker) -> Iterator[Line]:
    """Moisture: from all leads to housing or shield in unequal shares, or between two leads."""
    spread_out = (1.0 - BETWEEN_TWO) / (LEAK_DECADES[1] - LEAK_DECADES[0])
    found, between = {}, []
    for pair in FOUR_WIRE_PAIRS:
        line = maker.line(
            *((fault, BETWEEN_TWO / 6.0) for fault in MOISTURE),
            extreme=changes.leads_touch(pair.one, pair.other, 0.0, 1.0),
        )
        across = abs(line.base[maker.pairs.index(pair)])
        found[pair] = (line, across)
        touching = replace(
            line,
            prior=log_uniform(1e3, 1e7, _bridged(across), signs=(1,)),
            leak_ohms=_path_ohms(across),
            size=_path_text(across),
        )
        between.append(touching)
    steps = np.stack([line.step for line, _ in found.values()], -1)
    # beside a leak between two leads the lesser one to housing or shield joins all of them
    yield from (replace(x, columns_per_size=0.02 * steps) for x in between)
    for place, middle in enumerate(0.5 * (LEAK_BINS[:-1] + LEAK_BINS[1:])):
        # leads share the leak as four random parts of one: a pair has 1/20 of it on average,
        # with a standard deviation of 0.95 times that (Dirichlet distribution, all ones)
        ohms = 20.0 * 10.0**middle
        each = np.stack([line.step * r / (r + ohms) for line, r in found.values()], -1)
        # what one path takes from the others is of second order
        bend = np.append(each[:-1].sum(-1) ** 2 / maker.sound[0][:-1], each[-1].sum())
        yield replace(
            maker.line(*((fault, spread_out * LEAK_BINS_STEP) for fault in MOISTURE)),
            base=maker.sound[0] + each.sum(-1),
            columns=np.concatenate([0.95 * each, np.diag(bend)], -1),
            leak_bin=place,
        )
    unseen = spread_out * (LEAK_DECADES[1] - LEAK_BINS[-1])
    line = maker.line(*((fault, unseen) for fault in MOISTURE))
    yield replace(line, leak_bin=len(LEAK_BINS) - 1)


def _off_text(pair: LeadPair) -> Callable[[float], str]:
    return lambda s: f"{pair} {s:+.3g} ohm off the others"


def elsewhere(maker: LineMaker) -> Iterator[Line]:
    """What leaves the resistances alone: other readings tell."""
    touching = FaultAt(Fault.SHIELD_TO_HOUSING, (Lead.SHIELD, Lead.HOUSING))
    yield maker.line((touching, 1.0))
    yield maker.line(*((FaultAt(Fault.LEAD_SHORT, (x,)), 0.5) for x in (Lead.SHIELD, Lead.HOUSING)))
    thermal = maker.line((FaultAt(Fault.THERMAL_EMF), 1.0))
    if maker.emf_at is not None:
        step = np.zeros_like(thermal.step)
        step[-1] = 2.0 * maker.sound[0][maker.pairs.index(INPUT)] / maker.emf_at
        thermal = replace(thermal, step=step, prior=THERMAL, size=lambda s: f"{1e6 * s:+.3g} uV")
    yield thermal


def wrong_reading(maker: LineMaker) -> Iterator[Line]:
    """One reading that does not belong to the others, by 0.03 to 100 ohm: repeat it."""
    for place, pair in enumerate(maker.pairs):
        step = np.zeros(len(maker.sound[0]))
        step[place] = 1.0
        yield replace(
            maker.line((UNKNOWN, 0.5 / len(maker.pairs))),
            step=step,
            prior=log_uniform(0.03, 100.0, lambda x: x),
            size=_off_text(pair),
        )
