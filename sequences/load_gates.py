"""Before anything is loaded: is the cell whole, dry and near the zero that it left the maker with?

Soak by the plan's criterion, ohms of input and output, insulation, the first volt, full
excitation, the zero. A closed gate withholds every load result by name.
"""

from __future__ import annotations

from typing import Any

from acq.analysis.leads import INPUT, OUTPUT
from acq.bench.connections import Polarity, ohms
from acq.cells.limits import Limits
from acq.readings.measured import Bound, Measured, is_number
from acq.readings.units import format_value
from acq.runs.effects import Needs
from acq.runs.run import Run
from sequences import route, steps
from sequences.diagnosis import Seen
from sequences.exciting import first_excitation, gate_of_test_voltage, gate_of_the_leads
from sequences.insulation_paths import insulation_paths
from sequences.leads import compare_polarities
from sequences.load_plan import Exercise
from sequences.ohms import expected_ohms, read_pair
from sequences.rig_prompts import inspection_prompt, unloaded_prompt
from sequences.soak import soak
from sequences.steps import OPEN, Gate, closed

POWERED = Needs(powered=True)


def load_gate(run: Run[Any], part: Exercise) -> Gate:
    """Go the whole way up: look, ohms, insulation, first volt, warm-up, zero; then decide."""
    route.ask_for_the_zone(run)
    gate, seen = electrical_gate(run)
    if not gate.is_open:
        return gate
    volts = min(run.plan.excitation.volts, run.cell.excitation)
    with run.excited(steps.excitation(run.cell, volts)):
        gate = steps.warm_up(run)
        if gate.is_open:
            gate = zero_gate(run, part)
    wet = insulation_gate(run, seen, part)
    return gate if wet.is_open or not gate.is_open else wet


def electrical_gate(run: Run[Any]) -> tuple[Gate, Seen]:
    """Look, soak, ohms, insulation, first volt: the way up to full excitation."""
    seen, limits = Seen(), Limits(run.cell, run.plan.limits)
    with run.check("inspection") as check:
        damaged = check.ask(inspection_prompt()) == "damaged"
        if damaged:
            check.withhold("the cell is damaged to the eye")
    if damaged:
        return closed("no load: the cell is damaged to the eye (crack, dent, bent)"), seen
    with run.skippable(("soak", "temperature", "K")):
        soak(run, seen)
    two_pairs(run, limits, seen)
    insulation_paths(run, limits, seen, gate_of_test_voltage(run, seen))
    gate = gate_of_the_leads(run, seen)
    if gate.is_open and seen.unsteady:
        gate = closed(f"no load: {seen.unsteady}")
    if gate.is_open:
        gate = first_excitation(run, seen)
    return gate, seen


def two_pairs(run: Run[Any], limits: Limits, seen: Seen) -> None:
    """Input and output resistance; the input with the current reversed too: is it a resistor?"""
    for pair in (INPUT, OUTPUT):
        expected = expected_ohms(run.cell, pair)
        with run.connected(ohms(pair)), run.check("pair resistance", pair) as check:
            taken = read_pair(run, check, expected)
            seen.pairs[pair] = taken.measured
            check.finding(
                f"resistance {pair}",
                "resistance",
                "ohm",
                taken.measured,
                limits.resistance(pair),
                rule=run.plan.resistance.rule,
                share=run.plan.resistance.largest_uncertainty_share,
            )
        if pair != INPUT:
            continue
        turned = run.connected(ohms(pair, Polarity.REVERSED))
        with turned, run.check("pair resistance", f"{pair}, reversed") as check:
            compare_polarities(seen, pair, taken, read_pair(run, check, expected))


def insulation_gate(run: Run[Any], seen: Seen, part: Exercise) -> Gate:
    """No load on a wet cell: what it reads then is not its own. Its zero is still measured."""
    for finding in run.findings:
        if finding.quantity == "insulation resistance" and finding.conformity.rejected:
            return closed(f"no load: {finding.name} fails ({part.gate_source})")
    for path, measured in seen.insulation.items():
        if path == "shield to housing":
            continue
        ohms_ = measured.value if isinstance(measured, Bound) else measured.x
        if ohms_ < part.low_insulation_ohms and not _above(measured):
            shown = format_value(ohms_, "ohm")
            return closed(f"no load: insulation {path} only {shown} ({part.gate_source})")
    return OPEN


def _above(measured: Measured) -> bool:
    return isinstance(measured, Bound) and measured.kind == "above"


def zero_gate(run: Run[Any], part: Exercise) -> Gate:
    """Read the zero under excitation, unloaded; a large shift means a set or a crack: no load."""
    with run.check("zero before load", needs=POWERED) as check:
        check.ask(unloaded_prompt(run.loading.rig.kind))  # a run that was cut off left a load on
        check.wait(run.plan.zero.settle_s, "the zero settles")
        excited = steps.signal_and_excitation(run, check)
        ratio = excited.signal / excited.excitation
        limits = Limits(run.cell, run.plan.limits).zero_balance
        check.finding(
            "zero before load",
            "zero balance",
            "V/V",
            ratio,
            limits,
            rule=part.rule,
            share=part.largest_uncertainty_share,
        )
        return shift_gate(run, part, ratio)


def shift_gate(run: Run[Any], part: Exercise, zero: Any) -> Gate:
    """Compare a zero with the one that the papers promise."""
    rated = run.cell.rated_output
    if not is_number(zero) or not rated:
        return OPEN
    sheet = run.cell.sheet
    before = sheet.zero_balance if sheet is not None and sheet.zero_balance is not None else 0.0
    shift = abs(zero.x - before) / abs(rated) * 100.0
    if shift > part.zero_shift_percent:
        return closed(
            f"no load: the zero has shifted by {shift:.0f} % of rated output, more than"
            f" {part.zero_shift_percent:g} % ({part.gate_source}): plastic set or a crack"
        )
    return OPEN
