"""The faults that a network can show, one line each, with how large they may be.

The sizes are assumptions of this program about what a workshop meets, stated beside each fault.
Leaks and shorts have a file of their own: `leak_models`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from itertools import combinations

import numpy as np

from acq.analysis import fault_changes as changes
from acq.analysis.expectation import PLACE
from acq.analysis.fault_lines import Line, LineMaker, Measure, with_unknown_papers
from acq.analysis.faults import NONE_FOUND, UNKNOWN, Fault, FaultAt
from acq.analysis.leads import ARMS, INPUT, Lead, LeadPair
from acq.analysis.leak_models import leaks, paths_beside, shorts
from acq.analysis.network import LEAD_PLACE, Floats
from acq.analysis.side_evidence import THERMAL
from acq.analysis.sizes import SizePrior, exactly, log_uniform, mixture

UPWARDS = 0.75  # of changed arms: a damaged gauge rather loses cross-section
JOINT_JITTER = 0.3  # of a loose joint's own ohms, from one reading to the next
NOMINALS = (120.0, 350.0, 700.0, 1000.0, 2000.0)
BRIDGE = (Lead.EX_PLUS, Lead.EX_MINUS, Lead.S_PLUS, Lead.S_MINUS)

Family = Callable[[LineMaker], Iterator[Line]]


def all_lines(maker: LineMaker) -> list[Line]:
    """Return the lines of all faults; the first is the sound cell."""
    families: tuple[Family, ...] = (
        arms,
        joints,
        opens,
        shorts,
        legs,
        body,
        surroundings,
        exchanged,
        papers,
        leaks,
        paths_beside,
        wrong_reading,
    )
    return [maker.line((NONE_FOUND, 1.0)), *(line for family in families for line in family(maker))]


def arm_position(factor: Floats) -> Floats:
    """Return s of an arm with `factor` times its resistance, of four that were about equal."""
    position: Floats = (factor - 1.0) / (factor + 3.0)
    return position


def arm_factor(s: Floats) -> Floats:
    """Return the factor back from s; inf at the open end."""
    with np.errstate(divide="ignore"):
        return np.asarray((1.0 + 3.0 * s) / np.maximum(1.0 - s, 0.0))


def arms(maker: LineMaker) -> Iterator[Line]:
    """Open (85 % clean), shorted (below 1 %), changed by 0.2 % to 20 times, zero resistor."""
    nominal = maker.cell.arm_ohms
    in_percent = Measure(
        of=lambda s: 100.0 * (arm_factor(s) - 1.0), unit="% of the arm", open_above=1e5
    )
    in_ohms = Measure(of=lambda s: nominal * (arm_factor(s) - 1.0), unit="ohm")
    shorted = Measure(
        of=lambda s: nominal * arm_factor(-s / 3.0),
        unit="ohm left",
        signed=False,
        smaller_is_worse=True,
    )
    partly_open = log_uniform(40.0, 1e5, arm_position, signs=(1,), bins=8)
    changed = mixture(
        (UPWARDS, log_uniform(0.002, 20.0, lambda x: arm_position(1.0 + x), signs=(1,))),
        (1.0 - UPWARDS, log_uniform(0.002, 0.95, lambda x: arm_position(1.0 - x), signs=(1,))),
    )
    left = log_uniform(1e-6, 0.01, lambda x: -3.0 * arm_position(x), signs=(1,), bins=8)
    zero_resistor = log_uniform(1.5e-4, 1.7e-3, lambda x: arm_position(1.0 + x))
    for arm, where in ARMS.items():
        to_open = maker.line(
            extreme=changes.arm_scaled(arm, np.inf), change=partial(_arm_at, arm, 1.0)
        )
        to_short = maker.line(
            extreme=changes.arm_scaled(arm, 0.0), change=partial(_arm_at, arm, -1.0 / 3.0)
        )
        clean = mixture((0.85, exactly()), (0.15, partly_open))
        yield _as(to_open, Fault.OPEN_ARM, where, clean, in_percent)
        yield _as(to_short, Fault.SHORTED_ARM, where, left, shorted)
        yield _as(to_open, Fault.ARM_CHANGED, where, changed, in_percent)
        yield _as(to_open, Fault.ZERO_COMPENSATION_FAILED, where, zero_resistor, in_ohms)


def _arm_at(arm: str, share: float, s: float) -> changes.Change:
    """Return the change at s of a line that is `share` of the line to an open arm."""
    return changes.arm_scaled(arm, float(arm_factor(np.asarray(share * s))))


def _as(
    line: Line, fault: Fault, where: tuple[Lead, ...], prior: SizePrior, measure: Measure
) -> Line:
    return replace(line, shares=((FaultAt(fault, where), 1.0),), prior=prior, measure=measure)


def joints(maker: LineMaker) -> Iterator[Line]:
    """A joint of 0.05 to 30 ohm in a conductor or arm; it moves by 30 % between readings."""
    ohms = log_uniform(0.05, 30.0, lambda x: x, signs=(1,))
    for lead in maker.leads:
        line = maker.line(
            (FaultAt(Fault.LOOSE_JOINT, (lead,)), 0.7),
            (FaultAt(Fault.DAMAGED_CABLE, (lead,)), 1.0),
            extreme=changes.ohms_in_lead(lead, 1.0),
            change=partial(changes.ohms_in_lead, lead),
            prior=ohms,
            measure=Measure(of=lambda s: s, unit="ohm"),
        )
        yield _jittering(line, np.array([float(lead in pair) for pair in maker.pairs]))
    nominal = maker.cell.arm_ohms
    in_arm = log_uniform(0.05, 30.0, lambda x: arm_position(1.0 + x / nominal), signs=(1,))
    for arm, where in ARMS.items():
        line = maker.line(
            (FaultAt(Fault.LOOSE_JOINT, where), 0.3),
            extreme=changes.arm_scaled(arm, np.inf),
            change=partial(_arm_at, arm, 1.0),
            prior=in_arm,
            measure=Measure(of=lambda s: nominal * (arm_factor(s) - 1.0), unit="ohm"),
        )
        # an arm's ohms show in the pair across it by 9/16, in the others by 1/16
        own = LeadPair.of(*where)
        pattern = [1.0 if pair == own else 1.0 / 9.0 for pair in maker.pairs]
        yield _jittering(line, np.array(pattern))


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


def legs(maker: LineMaker) -> Iterator[Line]:
    """A compensation leg shorted (half of the cases), open (`opens`) or changed by 3 to 90 %."""
    changed = log_uniform(0.03, 0.9, lambda x: -x)
    measure = Measure(of=lambda s: -100.0 * s, unit="% of the leg")
    for side, lead in enumerate((Lead.EX_PLUS, Lead.EX_MINUS)):
        if not maker.cell.legs_ohms[side]:
            continue
        fault = FaultAt(Fault.COMPENSATION_FAILED, (lead,))
        line = maker.line(
            extreme=changes.leg_scaled(side, 0.0),
            measure=measure,
            change=partial(_leg_at, side),
        )
        for weight, prior in ((0.5, exactly()), (0.2, changed)):
            yield replace(line, shares=((fault, weight),), prior=prior)


def _leg_at(side: int, s: float) -> changes.Change:
    return changes.leg_scaled(side, 1.0 - s)


def body(maker: LineMaker) -> Iterator[Line]:
    """Zero shifts of the spring body, by their part of the rated output."""
    line = maker.line(
        extreme=changes.output_shifted(maker.cell.rated_output),
        change=lambda s: changes.output_shifted(s * maker.cell.rated_output),
        measure=Measure(of=lambda s: 100.0 * s, unit="% of rated output"),
    )
    for fault, low, high in (
        (Fault.PLASTIC_SET, 0.005, 1.5),
        (Fault.SIDE_LOAD_SET, 0.005, 0.3),
        (Fault.FATIGUE_CRACK, 0.002, 0.5),
        (Fault.BOND_FAILURE, 0.001, 0.1),
    ):
        prior = log_uniform(low, high, lambda x: x)
        yield replace(line, shares=((FaultAt(fault), 1.0),), prior=prior)


def surroundings(maker: LineMaker) -> Iterator[Line]:
    """Temperature off by 0.5 to 20 K; cable shorter by 5 to 95 %, or longer by up to 4 ohm;
    an EMF of 1.5 to 300 uV where the zero still holds it.
    """
    spread, kelvin = maker.population.spread, 10.0

    def warm(s: float) -> changes.Change:
        legs = 1.0 + spread.leg_per_kelvin * kelvin * s
        return changes.legs_and_cable_scaled(legs, 1.0 + spread.copper_per_kelvin * kelvin * s)

    yield maker.line(
        (FaultAt(Fault.NOT_SOAKED), 1.0),
        extreme=warm(1.0),
        change=warm,
        prior=log_uniform(0.05, 2.0, lambda x: x),
        measure=Measure(of=lambda s: kelvin * s, unit="K against the room"),
    )
    longest = max(1.0, 4.0 / maker.cell.conductor_ohms)
    cable = maker.line(
        (FaultAt(Fault.WRONG_CABLE_LENGTH), 1.0),
        extreme=changes.cable_scaled(2.0),
        change=lambda s: changes.cable_scaled(1.0 + s),
        prior=mixture(
            (0.7, log_uniform(0.05, longest, lambda x: x, signs=(1,))),
            (0.3, log_uniform(0.05, 0.95, lambda x: -x, signs=(1,))),
        ),
        measure=Measure(of=lambda s: 100.0 * s, unit="% of the stated cable"),
    )
    yield _with_contacts_as_they_are(cable, maker)
    thermal = maker.line((FaultAt(Fault.THERMAL_EMF), 1.0))
    if maker.emf_at is not None:
        step = np.zeros_like(thermal.step)
        step[-1] = 2.0 * maker.sound[0][maker.pairs.index(INPUT)] / maker.emf_at
        microvolts = Measure(of=lambda s: 1e6 * s, unit="uV")
        thermal = replace(thermal, step=step, prior=THERMAL, measure=microvolts)
    yield thermal


def _with_contacts_as_they_are(cable: Line, maker: LineMaker) -> Line:
    """What tells one conductor from the next grows with the cable, but for its clips.

    Wanted for a conductor is hypot(own (1 + s), clip): affine in s from the usual cable to none,
    and what that lacks of a long one is scatter in proportion to s.
    """
    spread = maker.population.spread
    own, clip = spread.conductor_each * maker.cell.conductor_ohms, spread.contact_ohms
    both = float(np.hypot(own, clip))
    grows = both - clip
    rest = float(np.sqrt(max(own**2 - grows**2, 0.0)))
    first = PLACE["conductor Ex+"]
    each = slice(first, first + len(LEAD_PLACE))
    step_slopes = cable.step_slopes.copy()
    step_slopes[:, each] *= grows / both
    columns = cable.base_slopes[:, each] * (rest / both)
    return replace(cable, step_slopes=step_slopes, columns_per_size=columns)


def exchanged(maker: LineMaker) -> Iterator[Line]:
    """Two leads exchanged, or the excitation pair with the signal pair."""
    for one, other in combinations(maker.leads, 2):
        place = FaultAt(Fault.SWAPPED_LEADS, (one, other))
        base = changes.leads_exchanged(_order({one: other, other: one}))
        yield maker.line((place, 1.0), base=base)
    pairs = dict(zip(BRIDGE, (*BRIDGE[2:], *BRIDGE[:2]), strict=True))
    base = changes.leads_exchanged(_order(pairs))
    yield maker.line((FaultAt(Fault.SWAPPED_LEADS, BRIDGE), 2.0), base=base)


def _order(exchange: dict[Lead, Lead]) -> list[Lead]:
    return [exchange.get(lead, lead) for lead in LEAD_PLACE]


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
        measure=Measure(of=lambda s: 100.0 * s, unit="% against the arms on the papers"),
    )
    yield with_unknown_papers(line, maker.cell, maker.population)


def _between(low: float, high: float) -> SizePrior:
    ends = np.linspace(low, high, 10)
    return SizePrior(ends[:-1], ends[1:], np.full(9, 1.0 / 9.0))


def wrong_reading(maker: LineMaker) -> Iterator[Line]:
    """One reading that does not belong to the others, by 0.03 to 100 ohm: repeat it."""
    for place, pair in enumerate(maker.pairs):
        step = np.zeros(len(maker.sound[0]))
        step[place] = 1.0
        yield replace(
            maker.line((UNKNOWN, 0.5 / len(maker.pairs))),
            step=step,
            prior=log_uniform(0.03, 100.0, lambda x: x),
            measure=Measure(of=lambda s: s, unit=f"ohm in {pair} against the other readings"),
        )
