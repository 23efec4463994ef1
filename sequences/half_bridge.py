"""A half bridge: three leads, three pairs, and a signal against the middle of the excitation."""

from __future__ import annotations

from typing import Any

from acq.analysis import network
from acq.analysis.leads import INPUT, Lead, LeadPair
from acq.bench.connections import Polarity, ohms
from acq.cells.cell import HALF_BRIDGE_PAIRS
from acq.cells.limits import Limits
from acq.readings.budget import expanded
from acq.readings.measured import is_number
from acq.readings.rules import Limit
from acq.runs.run import Run
from sequences import exciting, steps
from sequences.acceptance_plan import AcceptancePlan
from sequences.diagnosis import Seen
from sequences.exciting import POWERED
from sequences.insulation_paths import insulation_paths
from sequences.judging import judge
from sequences.ohms import read_pair
from sequences.wiggle import wiggle
from sequences.zero import withhold_zero

UPPER, LOWER = LeadPair.of("Ex+", "S+"), LeadPair.of("Ex-", "S+")
SIGNAL = (Lead.S_PLUS, Lead.EX_MINUS)
WIRES = 4  # nothing is sensed: three leads


def half_bridge(run: Run[AcceptancePlan], limits: Limits, seen: Seen) -> None:
    """The three pairs, insulation, excitation, and the ratio against one half."""
    for pair in HALF_BRIDGE_PAIRS:
        _pair(run, limits, seen, pair)
    wiggle(run, seen)
    gate = _gate(run, seen)
    insulation_paths(run, limits, seen)
    if gate.is_open:
        gate = exciting.first_excitation(run, seen)
    if gate.is_open:
        _zero(run, limits, seen)
    else:
        withhold_zero(run, seen, gate.because)


def _pair(run: Run[AcceptancePlan], limits: Limits, seen: Seen, pair: LeadPair) -> None:
    found = limits.resistance(pair) if pair == INPUT else arm_limits(run, limits)
    lower = found[0].lower if found else None
    expected = lower or run.cell.lowest_input_resistance or 350.0
    with run.connected(ohms(pair)), run.check("pair resistance", pair) as check:
        taken = read_pair(run, check, expected)
        seen.pairs[pair], seen.repeats[pair] = taken.measured, taken.values
        judge(
            check,
            seen,
            run.plan.resistance,
            f"resistance {pair}",
            "resistance",
            "ohm",
            taken.measured,
            found,
            because=taken.disagree,
        )


def arm_limits(run: Run[AcceptancePlan], limits: Limits) -> tuple[Limit, ...]:
    """Either arm of a half bridge is half of its input resistance."""
    plan = run.plan.limits
    return tuple(
        Limit(
            limit.lower / 2.0 - plan.derived_pair_ohms,
            limit.upper / 2.0 + plan.derived_pair_ohms,
            "ohm",
            f"{limit.source}: half of it, {plan.derived_pair_ohms:g} ohm allowed"
            f" ({plan.derived_pair_source})",
            limit.decides,
        )
        for limit in limits.resistance(INPUT)
        if limit.lower is not None and limit.upper is not None
    )


def _gate(run: Run[AcceptancePlan], seen: Seen) -> steps.Gate:
    plan = run.plan.resistance
    for pair, measured in seen.pairs.items():
        if not is_number(measured) or measured.x > plan.open_above_ohms:
            return steps.closed(f"no excitation: {pair} is open ({plan.gate_source})")
        part = (run.cell.lowest_input_resistance or 0.0) * (1.0 if pair == INPUT else 0.5)
        if measured.x < plan.short_below_share * part:
            return steps.closed(f"no excitation: {pair} is shorted ({plan.gate_source})")
    return steps.OPEN


def _zero(run: Run[AcceptancePlan], limits: Limits, seen: Seen) -> None:
    volts = min(run.plan.excitation.volts, run.cell.excitation)
    excited: dict[Polarity, Any] = {}
    for side in exciting.sides(run)[0]:
        with run.excited(steps.excitation(run.cell, volts), side, WIRES):
            if side is Polarity.NORMAL:
                exciting.warm_up_plainly(run)
                exciting.input_by_supply(run, limits, seen)
            with run.check("signal", side.value, POWERED) as check:
                check.wait(run.plan.zero.settle_s, f"settling after {side.value} excitation")
                excited[side] = steps.signal_and_excitation(
                    run, check, WIRES, SIGNAL, expected_signal=volts / 2.0
                )
    with run.check("zero balance") as check:
        normal = excited[Polarity.NORMAL]
        if len(excited) == 2:
            ratio = network.bridge_part(normal, excited[Polarity.REVERSED]).ratio - 0.5
        else:
            ratio = normal.signal / normal.excitation - 0.5
        marks = ("V(S+, Ex-) / U less one half",)
        plan = run.plan.zero
        name = "zero balance"
        judge(check, seen, plan, name, name, "V/V", ratio, limits.zero_balance, marks=marks)
        _agreement(check, seen, ratio, plan.agreement_rule)


def predicted(pairs: dict[LeadPair, Any]) -> Any:
    """Return V(S+, Ex-) / U less one half that three pairs demand: exact, by reciprocity."""
    return (pairs[LOWER] + pairs[INPUT] - pairs[UPPER]) / (2.0 * pairs[INPUT]) - 0.5


def _agreement(check: Any, seen: Seen, ratio: Any, rule: str) -> None:
    difference = ratio - predicted(dict(seen.pairs))
    spread = expanded(difference).U
    source = "zero within ±U of the difference: the exact relation of three pair resistances"
    limit = Limit(-spread, spread, "V/V", source)
    name = seen.named("zero balance against the lead pairs")
    check.finding(name, "zero balance", "V/V", difference, [limit], rule=rule, share=None)
