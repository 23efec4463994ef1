"""The pairs of leads: all of them, adjacent ones there and back, and the zero that they demand."""

from __future__ import annotations

from dataclasses import dataclass, field

from acq.analysis import network
from acq.analysis.leads import ADJACENT_PAIRS, FOUR_WIRE_PAIRS, INPUT, SENSE_LOOPS, LeadPair
from acq.bench.connections import Polarity, kelvin, ohms
from acq.cells.limits import Limits
from acq.readings.measured import Measured, is_number
from acq.runs.check import Check
from acq.runs.run import Run
from sequences import clips
from sequences.acceptance_plan import AcceptancePlan, When
from sequences.diagnosis import Seen
from sequences.judging import judge
from sequences.ohms import FAR_BEYOND, Taken, expected_ohms, mean_of, read_pair
from sequences.zero_basis import at_the_excitation

KELVIN = "input resistance at the sense leads"
PREDICTED = "zero balance predicted by the lead pairs"


@dataclass(slots=True)
class Walk:
    """What was read of each pair so far, and which pairs are read a second time."""

    back: tuple[LeadPair, ...]
    taken: dict[LeadPair, list[Taken]] = field(default_factory=dict)


def wanted(run: Run[AcceptancePlan], when: When) -> bool:
    """Whether the plan wants a step on this bench: with relays it costs no clip."""
    return when == "always" or (when == "with relays" and run.relays)


def pairs_of(run: Run[AcceptancePlan]) -> tuple[LeadPair, ...]:
    """The pairs in an order in which one clip moves per step."""
    every = run.cell.lead_pairs
    if run.cell.wires == 6 and run.plan.resistance.sense_pairs == "loops":
        loops = (*SENSE_LOOPS[1:], LeadPair.read("Ex+ Se-"), *SENSE_LOOPS[:1])
        return (*FOUR_WIRE_PAIRS, *loops)
    return every


def lead_pairs(run: Run[AcceptancePlan], limits: Limits, seen: Seen) -> None:
    """Measure every pair of leads, and predict from them the zero balance."""
    back = ADJACENT_PAIRS[::-1] if wanted(run, run.plan.resistance.backward) else ()
    walk = Walk(back)
    for pair in pairs_of(run):
        with run.skippable((seen.named(f"resistance {pair}"), "resistance", "ohm")):
            _forward(run, limits, seen, walk, pair)
    for pair in back:
        with run.skippable((seen.named(f"resistance {pair}"), "resistance", "ohm")):
            _back(run, limits, seen, walk, pair)
    with run.skippable():
        sense_leads(run, seen)
    predicted_zero(run, seen)


def _back(run: Run[AcceptancePlan], limits: Limits, seen: Seen, walk: Walk, pair: LeadPair) -> None:
    joins = clips.one_clip_on(seen, pair)
    with run.connected(joins), run.check("pair resistance", f"{pair}, back") as check:
        taken = clips.read_where_asked(run, check, limits, seen, pair)
        walk.taken.setdefault(pair, []).append(taken)
        _finding(run, limits, seen, walk, pair, check)


def _forward(
    run: Run[AcceptancePlan], limits: Limits, seen: Seen, walk: Walk, pair: LeadPair
) -> None:
    expected = expected_ohms(run.cell, pair)
    joins = clips.one_clip_on(seen, pair)
    with run.connected(joins), run.check("pair resistance", pair) as check:
        taken = clips.read_where_asked(run, check, limits, seen, pair)
        walk.taken[pair] = [taken]
        plain = taken.compensated or not is_number(taken.measured)
        reverse = wanted(run, run.plan.resistance.both_polarities) and not plain
        if pair == INPUT and run.relays:
            reverse = is_number(taken.measured)
        if not reverse and pair not in walk.back:
            _finding(run, limits, seen, walk, pair, check)
    if not reverse:
        return
    seen.clips = (seen.clips or (pair.one, pair.other))[::-1]
    joins = ohms(pair, Polarity.NORMAL if seen.clips[0] == pair.one else Polarity.REVERSED)
    with run.connected(joins), run.check("pair resistance", f"{pair}, reversed") as check:
        reversed_ = read_pair(run, check, expected)
        walk.taken[pair].append(reversed_)
        compare_polarities(seen, pair, taken, reversed_)
        if pair not in walk.back:
            _finding(run, limits, seen, walk, pair, check)


def compare_polarities(seen: Seen, pair: LeadPair, forward: Taken, reversed_: Taken) -> None:
    """Keep what a pair reads with the test current reversed: a resistor reads the same."""
    if reversed_.values and forward.values:
        seen.polarity[pair] = _middle(forward) - _middle(reversed_)
    elif reversed_.values or forward.values:
        seen.one_way.add(pair)


def _middle(taken: Taken) -> float:
    return sum(taken.values) / len(taken.values)


def _finding(
    run: Run[AcceptancePlan],
    limits: Limits,
    seen: Seen,
    walk: Walk,
    pair: LeadPair,
    check: Check,
) -> None:
    """Judge what all passes over a pair say together."""
    passes = walk.taken[pair]
    measured, marks = _with_emf(run, passes)
    seen.pairs[pair] = measured
    if is_number(measured) and measured.x < FAR_BEYOND * expected_ohms(run.cell, pair):
        seen.repeats[pair] = [value for taken in passes for value in taken.values]
    because = next((taken.disagree for taken in passes if taken.disagree), "")
    because = because or _passes_apart(run, passes)
    if because:
        seen.unsteady_pairs.add(pair)
    judge(
        check,
        seen,
        run.plan.resistance,
        f"resistance {pair}",
        "resistance",
        "ohm",
        measured,
        limits.resistance(pair),
        because=because,
        marks=marks,
    )


def _with_emf(run: Run[AcceptancePlan], passes: list[Taken]) -> tuple[Measured, tuple[str, ...]]:
    """Return the mean of the passes; an EMF that nothing took out is in its budget."""
    plan, measured = run.plan.resistance, mean_of([taken.measured for taken in passes])
    open_lead = not is_number(measured)
    if open_lead or passes[0].compensated or len(passes) == 2 or not plan.emf_ohms:
        return measured, ()
    emf = run.uncertainties.fresh("EMF in the ohms circuit", plan.emf_ohms / 3.0**0.5)
    mark = f"meter without offset compensation: ± {plan.emf_ohms:g} ohm ({plan.emf_source})"
    return measured + emf, (mark,)


def _passes_apart(run: Run[AcceptancePlan], passes: list[Taken]) -> str:
    """There and back must agree; the two polarities need not."""
    plan = run.plan.resistance
    if len(passes) < 2 or not passes[0].values or not passes[-1].values:
        return ""
    apart = abs(_middle(passes[0]) - _middle(passes[-1]))
    if not passes[0].compensated or apart <= plan.passes_within_ohms:
        return ""
    return (
        f"there and back are {apart:.3g} ohm apart, {plan.passes_within_ohms:g} ohm allowed"
        f" ({plan.agree_source})"
    )


def sense_leads(run: Run[AcceptancePlan], seen: Seen) -> None:
    """Whether the sense leads may be used, and the input resistance without its cable."""
    if run.cell.wires != 6:
        return
    seen.sense_objection = _sense_objection(run, seen)
    if seen.sense_objection or not wanted(run, "with relays"):
        return
    with run.connected(kelvin()), run.check("input resistance at the sense leads") as check:
        taken = read_pair(run, check, expected_ohms(run.cell, INPUT))
        if is_number(taken.measured) and not taken.disagree:
            seen.kelvin = taken.measured
        name = seen.named(KELVIN)
        check.finding(name, "resistance", "ohm", taken.measured)


def _sense_objection(run: Run[AcceptancePlan], seen: Seen) -> str:
    """A loop is two conductors: with more than a tenth of the bridge in it, it is no loop."""
    most = run.plan.resistance.short_below_share * expected_ohms(run.cell, INPUT)
    for loop in SENSE_LOOPS:
        measured = seen.pairs.get(loop)
        if measured is None:
            continue
        if not is_number(measured):
            return f"{loop} is open"
        if measured.x > most:
            return f"{loop} reads {measured.x:.4g} ohm: exchanged or broken"
    return ""


def predicted_zero(run: Run[AcceptancePlan], seen: Seen) -> None:
    """The zero that six pairs demand, per volt at the place where the excitation is read."""
    with run.check("predicted zero") as check:
        six = {p: m for p in FOUR_WIRE_PAIRS if (m := seen.pairs.get(p)) and is_number(m)}
        if len(six) < len(FOUR_WIRE_PAIRS):
            check.withhold("a lead pair is open or was not measured")
            return
        if unsteady := seen.unsteady_pairs & set(FOUR_WIRE_PAIRS):
            check.withhold(f"{', '.join(sorted(map(str, unsteady)))} did not read steadily")
            return
        basis = at_the_excitation(run, seen)
        seen.basis = basis
        seen.predicted = network.predicted_zero(six) * basis.factor
        check.finding(
            seen.named(PREDICTED),
            "zero balance",
            "V/V",
            seen.predicted,
            marks=(f"per volt at {basis.where}: {basis.source}",),
        )
