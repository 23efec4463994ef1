"""A known resistor across a named arm: bridge and chain answer as the network demands, no load."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acq.analysis import network
from acq.analysis.leads import (
    ARMS,
    FOUR_WIRE_PAIRS,
    INPUT,
    SENSE_LOOPS,
    SIX_WIRE_PAIRS,
    Lead,
    LeadPair,
)
from acq.readings.budget import expanded
from acq.readings.measured import is_number
from acq.readings.rules import Limit
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from sequences import exciting, steps
from sequences.acceptance_plan import AcceptancePlan, ShuntCheck
from sequences.diagnosis import Seen
from sequences.exciting import POWERED

NAME = "shunt check"
SETTLING_S = 2.0  # common practice, no source


def shunt_check(run: Run[AcceptancePlan], seen: Seen) -> None:
    """Read the ratio without and with the resistor; E_n against the network's own answer."""
    plan = run.plan.shunt
    if plan is None:
        return
    six = {p: m for p in FOUR_WIRE_PAIRS if (m := seen.pairs.get(p)) and is_number(m)}
    if len(six) < len(FOUR_WIRE_PAIRS) or seen.basis is None:
        run.withhold(seen.named(NAME), NAME, "V/V", "a lead pair is not known")
        return
    wires = exciting.sensed_wires(run, seen)
    with run.check(NAME, f"arm {plan.arm}", POWERED) as check:
        before: Any = steps.signal_and_excitation(run, check, wires)
        check.ask(_prompt(run, plan))
        check.wait(SETTLING_S, "the signal settles with the resistor on")
        with_it: Any = steps.signal_and_excitation(run, check, wires)
        check.wait(plan.seconds, "the resistor comes off again")
        measured = with_it.signal / with_it.excitation - before.signal / before.excitation
        resistor = plan.ohms + run.uncertainties.fresh(
            "shunt resistor", plan.ohms_uncertainty / 2.0
        )
        known = {pair: m for pair, m in seen.pairs.items() if is_number(m)}
        demanded = expected_change(known, ARMS[plan.arm], resistor, seen.basis.factor)
        source = f"{plan.ohms:g} ohm across arm {plan.arm} of the measured network ({plan.source})"
        name = seen.named(f"{NAME}, arm {plan.arm}")
        against_the_network(check, name, measured, demanded, source)


def against_the_network(check: Check, name: str, measured: Any, demanded: Any, source: str) -> None:
    """Compare a change of the ratio, V/V, with the one that the network demands, by E_n."""
    spread = float(expanded(demanded).U)
    limit = Limit(
        demanded.x - spread,
        demanded.x + spread,
        "V/V",
        source,
        reference=float(demanded.x),
        reference_uncertainty=spread,
    )
    check.finding(
        name, "zero balance", "V/V", measured, [limit], rule="normalised error", share=None
    )


def expected_change(
    pairs: Mapping[LeadPair, Any], across: tuple[Lead, Lead], ohms: Any, factor: Any
) -> Any:
    """Return the change of the zero in V/V that `ohms` between two leads make.

    Exact for every resistive network: as `network.joined`, but with uncertain numbers. `factor`
    takes a ratio at the plug to one where the excitation is read (1.0: at the plug itself). With
    all 15 pairs of a 6-wire cell that stays exact; with fewer the resistor's own current through
    the excitation conductor is left out: their share of the resistor, of the change.
    """
    after = shunted(pairs, across, ohms)
    at_rest, with_it = network.predicted_zero(pairs), network.predicted_zero(after)
    if isinstance(factor, float) and factor == 1.0:
        return with_it - at_rest
    if len(pairs) == len(SIX_WIRE_PAIRS):
        return with_it * after[INPUT] / _kelvin(after) - at_rest * pairs[INPUT] / _kelvin(pairs)
    conductors = pairs[INPUT] - pairs[INPUT] / factor
    return with_it * (after[INPUT] / (after[INPUT] - conductors)) - at_rest * factor


def _kelvin(pairs: Mapping[LeadPair, Any]) -> Any:
    """Return volts at the sense leads per ampere through the excitation leads (reciprocity)."""
    plus, minus = SENSE_LOOPS
    across = pairs[LeadPair.read("Ex+ Se-")] + pairs[LeadPair.read("Ex- Se+")]
    return (across - pairs[plus] - pairs[minus]) / 2.0


def shunted(
    pairs: Mapping[LeadPair, Any], across: tuple[Lead, Lead], ohms: Any
) -> dict[LeadPair, Any]:
    """Return the pair resistances after `ohms` were put between two leads."""
    one, other = across
    weight = 1.0 / (ohms + pairs[LeadPair.of(one, other)])

    def between(a: Lead, b: Lead) -> Any:
        return 0.0 if a is b else pairs[LeadPair.of(a, b)]

    def potential(lead: Lead) -> Any:
        return 0.5 * (between(lead, other) - between(lead, one))

    changed = {}
    for pair in pairs if len(pairs) == len(SIX_WIRE_PAIRS) else FOUR_WIRE_PAIRS:
        apart = potential(pair.one) - potential(pair.other)
        changed[pair] = pairs[pair] - weight * apart * apart
    return changed


def _prompt(run: Run[AcceptancePlan], plan: ShuntCheck) -> Prompt:
    one, other = ARMS[plan.arm]
    volts = min(run.plan.excitation.volts, run.cell.excitation)
    return Prompt(
        text=f"Shunt check: hold {plan.ohms:g} ohm between {one} and {other} (arm {plan.arm}) for"
        f" {plan.seconds:g} s, then take it off. On?",
        caution=f"The excitation is ON, {volts:g} V: touch no bare metal and bridge no two leads.",
        shunt={"between": [one.value, other.value], "ohms": plan.ohms, "seconds": plan.seconds},
    )
