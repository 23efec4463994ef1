"""The electrical acceptance test of a load cell, from harmless to stressful.

Leads, then insulation, then a first volt, then full excitation and the zero. A step that fails
closes the gate before the more stressful ones; what is not measured then is withheld by name.
"""

from __future__ import annotations

from pathlib import Path

from acq.analysis import network
from acq.analysis.leads import FOUR_WIRE_PAIRS, Lead, LeadPair
from acq.bench.connections import Polarity, bridge_leads, insulation, ohms
from acq.cells.limits import Limits
from acq.errors import WrongInput
from acq.readings.measured import Measured, Uncertain
from acq.readings.rules import Limit
from acq.runs.effects import Needs
from acq.runs.run import Run
from acq.runs.sequence import sequence
from sequences import steps
from sequences.acceptance_plan import AcceptancePlan
from sequences.diagnosis import Seen, diagnosis
from sequences.steps import Gate

Pairs = dict[LeadPair, Measured]

ZERO_FINDINGS = (
    ("zero balance", "V/V"),
    ("thermal EMF", "V"),
    ("zero balance against the lead pairs", "V/V"),
)
POWERED = Needs(powered=True)


@sequence(
    roles=("scanner", "dmm", "supply", "insulation"),
    plan=AcceptancePlan,
    plans=Path(__file__).parent / "plans",
    default_plan="returned-cell",
)
def acceptance(run: Run[AcceptancePlan]) -> None:
    """Test a cell electrically: leads, insulation, first excitation, zero at both polarities."""
    refuse_other_routes(run)
    limits, seen = Limits(run.cell, run.plan.limits), Seen()
    seen.pairs = lead_pairs(run, limits)
    gate = steps.excitation_gate(run, seen.pairs)
    insulation_paths(run, limits, seen)
    if gate.is_open:
        gate = first_excitation(run)
    if gate.is_open:
        zero(run, limits, seen)
    else:
        for name, unit in ZERO_FINDINGS:
            run.withhold(name, name, unit, gate.because)
    diagnosis(run, seen)


def refuse_other_routes(run: Run[AcceptancePlan]) -> None:
    """Raises WrongInput for a cell that must not be tested as a plain passive bridge."""
    if objection := run.cell.bridge_objection:
        raise WrongInput(f"cell {run.cell.serial}: {objection}; this test is for passive bridges")
    sheet = run.cell.data_sheet
    if sheet.bridge != "full" or sheet.bridges != 1:
        raise WrongInput(
            f"cell {run.cell.serial}: {sheet.bridges} {sheet.bridge} bridge(s) in one body;"
            " this test knows one full bridge"
        )


def lead_pairs(run: Run[AcceptancePlan], limits: Limits) -> Pairs:
    """Measure every pair of Ex and S leads, and predict from them the zero balance."""
    plan = run.plan.resistance
    pairs: Pairs = {}
    for pair in FOUR_WIRE_PAIRS:
        with run.connected(ohms(pair)), run.check("pair resistance", pair) as check:
            pairs[pair] = steps.measure_pair(run, check, pair)
            check.finding(
                f"resistance {pair}",
                "resistance",
                "ohm",
                pairs[pair],
                limits.resistance(pair),
                rule=plan.rule,
                share=plan.largest_uncertainty_share,
            )
    with run.check("predicted zero") as check:
        known = steps.numbers(pairs)
        if known is None:
            check.withhold("a lead pair is open")
        else:
            zero = network.predicted_zero(known)
            check.finding("zero balance predicted by the lead pairs", "zero balance", "V/V", zero)
    return pairs


def insulation_paths(run: Run[AcceptancePlan], limits: Limits, seen: Seen) -> None:
    """All bridge leads joined, against housing and shield; shield against housing; third open.

    No lead is put on guard: where the shield touches the housing, by design or by a fault, a
    guard would lead the leakage past the meter.
    """
    plan = run.plan.insulation
    joined = bridge_leads(run.cell.wires)
    for path, leads, against in (
        ("leads to housing", joined, Lead.HOUSING),
        ("leads to shield", joined, Lead.SHIELD),
        ("shield to housing", (Lead.SHIELD,), Lead.HOUSING),
    ):
        name = f"insulation {path}"
        if steps.covered_by_another_path(run, path):
            continue
        if objection := run.cell.insulation_objection:
            reason = f"no insulation test: {objection}"
            run.withhold(name, "insulation resistance", "ohm", reason)
            continue
        volts = min(plan.volts, run.cell.insulation_voltage)
        with (
            run.connected(insulation(leads, [against])),
            run.test_voltage(volts, steps.test_voltage_prompt(volts, path)),
            run.check("insulation", path) as check,
        ):
            check.wait(plan.dwell_s, f"insulation is read {plan.dwell_s:g} s after {volts:g} V")
            resistance, applied = steps.insulation_reading(run, check)
            seen.insulation[path] = resistance
            check.finding(
                name,
                "insulation resistance",
                "ohm",
                resistance,
                limits.insulation(path),
                rule=plan.rule,
                share=plan.largest_uncertainty_share,
                marks=(f"at {applied:.1f} V after {plan.dwell_s:g} s",),
            )


def first_excitation(run: Run[AcceptancePlan]) -> Gate:
    """At most one volt first: polarity and volts at the cell, sense loops, I = U / Rin."""
    plan = run.plan.excitation
    with (
        run.excited(steps.excitation(run.cell, plan.first_volts)),
        run.check("first excitation") as check,
    ):
        check.wait(1.0, "the supply settles")
        volts, amperes = steps.volts_at_the_cell(run, check), steps.supply_current(run, check)
        check.finding("excitation at the cell, first", "dc-voltage", "V", volts)
        check.finding("supply current, first", "current", "A", amperes)
        gate = steps.first_excitation_gate(run, volts, amperes)
        if not gate.is_open:
            check.withhold(gate.because)
    return gate


def zero(run: Run[AcceptancePlan], limits: Limits, seen: Seen) -> None:
    """Zero balance at both polarities, the EMF apart, against the value the pairs predict."""
    plan = run.plan.zero
    volts = min(run.plan.excitation.volts, run.cell.excitation)
    sides = list(Polarity) if run.cell.reversal_objection is None else [Polarity.NORMAL]
    excited: dict[Polarity, network.Excited[Uncertain]] = {}
    for side in sides:
        with run.excited(steps.excitation(run.cell, volts), side):
            if side is Polarity.NORMAL:
                settled = steps.warm_up(run)
                if not settled.is_open:
                    for name, unit in ZERO_FINDINGS:
                        run.withhold(name, name, unit, settled.because)
                    return
            with run.check("signal", side.value, POWERED) as check:
                check.wait(plan.settle_s, f"settling after {side.value} excitation")
                excited[side] = steps.signal_and_excitation(run, check)
                check.finding(
                    f"excitation at the cell, {side.value}",
                    "dc-voltage",
                    "V",
                    excited[side].excitation,
                )
    zero_findings(run, limits, seen, excited)


def zero_findings(
    run: Run[AcceptancePlan],
    limits: Limits,
    seen: Seen,
    excited: dict[Polarity, network.Excited[Uncertain]],
) -> None:
    """What both polarities together say; without reversal the offset stays in the result."""
    plan = run.plan.zero
    with run.check("zero balance") as check:
        normal = excited[Polarity.NORMAL]
        if len(excited) == 1:
            measured = normal.signal / normal.excitation
            marks = [f"excitation not reversed: {run.cell.reversal_objection}"]
        else:
            part = network.bridge_part(normal, excited[Polarity.REVERSED])
            measured, marks, seen.emf = part.ratio, [], part.emf
            source = f"plan {run.plan.name}: {plan.emf_source}"
            allowed = Limit(-plan.emf_volts, plan.emf_volts, "V", source)
            check.finding(
                "thermal EMF",
                "dc-voltage",
                "V",
                part.emf,
                [allowed],
                rule=plan.rule,
                share=plan.largest_uncertainty_share,
            )
        check.finding(
            "zero balance",
            "zero balance",
            "V/V",
            measured,
            limits.zero_balance,
            rule=plan.rule,
            share=plan.largest_uncertainty_share,
            marks=marks,
        )
        seen.zero = measured
        steps.agreement(check, measured, seen.pairs)
