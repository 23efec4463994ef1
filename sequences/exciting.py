"""Excitation: a first volt, then full, then warm; what the supply gives judges the bridge again."""

from __future__ import annotations

from collections.abc import Sequence

from acq.analysis.leads import INPUT, OUTPUT
from acq.bench.connections import Polarity, excitation, volts
from acq.cells.limits import Limits
from acq.readings.budget import expanded
from acq.readings.measured import Measured, is_number
from acq.readings.rules import Limit
from acq.readings.units import format_value
from acq.runs.effects import Needs
from acq.runs.run import Run
from sequences import steps
from sequences.acceptance_plan import AcceptancePlan
from sequences.clips import clip_anew
from sequences.diagnosis import Seen
from sequences.judging import judge
from sequences.ohms import FAR_BEYOND, expected_ohms
from sequences.steps import Gate

POWERED = Needs(powered=True)
POLARITY_SHARE = 0.02  # of a resistance: far beyond any EMF, and what an amplifier shows


def gate_of_the_leads(run: Run[AcceptancePlan], seen: Seen) -> Gate:
    """No excitation onto a short, an open lead or something that is no resistor."""
    for pair in (INPUT, OUTPUT):
        if pair not in seen.pairs:
            return steps.closed(f"no excitation: {pair} was not measured")
    gate = steps.excitation_gate(run, seen.pairs)
    if not gate.is_open:
        return gate
    no_resistor = not_a_resistor(run, seen)
    return steps.closed(f"no excitation: {no_resistor}") if no_resistor else gate


def gate_of_test_voltage(run: Run[AcceptancePlan], seen: Seen) -> Gate:
    """No test voltage onto a short, electronics or something that is no resistor.

    An open lead closes nothing: all leads are joined, and a broken cable is often a wet one.
    """
    for pair in (INPUT, OUTPUT):
        if pair in run.cell.lead_pairs and pair not in seen.pairs:
            return steps.closed(f"no test voltage: {pair} was not measured")
    if short := steps.shorted(run, seen.pairs):
        return steps.closed(f"no test voltage: {short}")
    return gate_of_electronics(run, seen)


def gate_of_electronics(run: Run[AcceptancePlan], seen: Seen) -> Gate:
    """No test voltage onto electronics; a shorted bridge may leak all the same, and is tested."""
    no_resistor = not_a_resistor(run, seen)
    return steps.closed(f"no test voltage: {no_resistor}") if no_resistor else steps.OPEN


def not_a_resistor(run: Run[AcceptancePlan], seen: Seen) -> str:
    """Say why the leads do not look like those of a bridge of resistors; empty where they do."""
    for pair in seen.one_way:
        return f"{pair} conducts in one direction only: built-in electronics?"
    for pair, difference in seen.polarity.items():
        measured = seen.pairs[pair]
        if is_number(measured) and abs(difference) > POLARITY_SHARE * abs(measured.x):
            return (
                f"{pair} changes by {difference:.3g} ohm when the test current is reversed:"
                " built-in electronics?"
            )
    if INPUT in seen.polarity:
        return ""  # a supply's input that reads the same both ways is no electronics
    for pair in (INPUT, OUTPUT):
        found = seen.pairs.get(pair)
        if found is None or not is_number(found) or found.x > run.plan.resistance.open_above_ohms:
            continue
        if found.x > FAR_BEYOND * expected_ohms(run.cell, pair):
            shown = format_value(found.x, "ohm")
            return f"{pair} reads {shown}, far beyond its papers: built-in electronics?"
    return ""


def sensed_wires(run: Run[AcceptancePlan], seen: Seen) -> int:
    """4 where the sense leads of a 6-wire cell must not be used, or where there are none."""
    half = run.cell.data_sheet.bridge == "half"
    return 4 if half or seen.sense_objection else run.cell.wires


def first_excitation(run: Run[AcceptancePlan], seen: Seen | None = None) -> Gate:
    """At most one volt first: polarity and volts at the cell, sense loops, I = U / Rin.

    What a person has clipped is clipped anew once before the cell is said to be at fault.
    """
    seen = seen or Seen()
    gate = _first_volt(run, seen, last=run.relays)
    if gate.is_open or run.relays:
        return gate
    wires = sensed_wires(run, seen)
    with run.check("clips of the supply") as check:
        joins = excitation(wires) | volts(*steps.sense_leads(run.cell, wires))
        check.ask(clip_anew(joins, gate.because))
    return _first_volt(run, seen, last=True)


def _first_volt(run: Run[AcceptancePlan], seen: Seen, *, last: bool) -> Gate:
    plan = run.plan.excitation
    wires = sensed_wires(run, seen)
    with (
        run.excited(steps.excitation(run.cell, plan.first_volts), wires=wires),
        run.check("first excitation") as check,
    ):
        check.wait(1.0, "the supply settles")
        at_the_cell = steps.volts_at_the_cell(run, check, wires)
        amperes = steps.supply_current(run, check)
        marks = [f"sense leads not used: {seen.sense_objection}"] if seen.sense_objection else []
        gate = steps.first_excitation_gate(run, at_the_cell, amperes)
        if gate.is_open or last:
            name = seen.named("excitation at the cell, first")
            check.finding(name, "dc-voltage", "V", at_the_cell, marks=marks)
            check.finding(seen.named("supply current, first"), "current", "A", amperes)
        if not gate.is_open and last:
            check.withhold(gate.because)
    return gate


def input_by_supply(run: Run[AcceptancePlan], limits: Limits, seen: Seen) -> None:
    """The third look at the input resistance: supply current at full excitation."""
    volts = min(run.plan.excitation.volts, run.cell.excitation)
    with run.check("supply current", needs=POWERED) as check:
        amperes = steps.supply_current(run, check)
        measured = seen.pairs.get(INPUT)
        marks = []
        if measured is not None and is_number(measured) and is_number(amperes) and amperes.x:
            marks.append(f"I = U/Rin: {volts / amperes.x:.4g} ohm, the meter {measured.x:.6g} ohm")
        expected = limits.supply_current(volts)
        if too_coarse := _too_coarse(run, amperes, expected):
            marks.append(too_coarse)
            check.finding(seen.named("supply current"), "current", "A", amperes, marks=marks)
            return
        judge(
            check,
            seen,
            run.plan.supply_current,
            "supply current",
            "current",
            "A",
            amperes,
            expected,
            marks=marks,
        )


def _too_coarse(run: Run[AcceptancePlan], amperes: Measured, limits: Sequence[Limit]) -> str:
    """Why the supply's ammeter cannot judge; empty where it can. The meter's ohms have decided."""
    deciding = next((limit for limit in limits if limit.decides), None)
    if deciding is None or not is_number(amperes):
        return ""
    spread, most = expanded(amperes).U, run.plan.supply_current.largest_uncertainty_share
    if spread <= most * deciding.tolerance:
        return ""
    return f"told, not judged: the supply's ammeter is too coarse for {deciding}"


def sides(run: Run[AcceptancePlan]) -> tuple[list[Polarity], str]:
    """The polarities that are used, and why only one where it is one."""
    if run.cell.reversal_objection is not None:
        return [Polarity.NORMAL], run.cell.reversal_objection
    if run.plan.zero.reverse == "on-off-on":
        return [Polarity.NORMAL], "the plan has no change-over"
    return list(Polarity), ""


def warm_up_plainly(run: Run[AcceptancePlan]) -> None:
    """Warm up by time, where the signal does not stand for the warmth."""
    with run.check("warm-up", needs=POWERED) as check:
        check.wait(run.plan.excitation.warm_up_s, "cell and supply warm up under excitation")
