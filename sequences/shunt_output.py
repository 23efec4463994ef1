"""The calibration resistor of a cell's papers: it moves the output by what they say, without load.

Inside the cell it ends on a lead of its own, which is linked for the time of a reading and is left
open in every other step; without such a lead a resistor of that value is held across the arm.
Common practice: bridge and chain are checked against the sheet's value.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acq.analysis.leads import ARMS, FOUR_WIRE_PAIRS, Lead, LeadPair
from acq.cells.data_sheet import Shunt
from acq.cells.limits import Limits
from acq.readings.measured import is_number
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from sequences import exciting, steps
from sequences.acceptance_plan import AcceptancePlan
from sequences.diagnosis import Seen
from sequences.exciting import POWERED
from sequences.judging import judge
from sequences.shunt_check import SETTLING_S, against_the_network, expected_change
from sequences.zero_basis import conductors

NAME = "shunt output"


def keep_apart(run: Run[AcceptancePlan]) -> None:
    """A lead to a calibration resistor takes part in no other step."""
    shunt = run.cell.data_sheet.shunt
    if shunt is None or not shunt.lead:
        return
    with run.check("shunt lead") as check:
        check.ask(Prompt(text=open_and_apart(shunt.lead)))


def open_and_apart(lead: str) -> str:
    """What a person is told before anything is measured."""
    return (
        f"The lead {lead} leads to the cell's calibration resistor: leave it open and apart from"
        " all other leads, the shield and the housing until it is asked for."
    )


def shunt_output(run: Run[AcceptancePlan], limits: Limits, seen: Seen) -> None:
    """Read the ratio without and with the resistor; judge the change by papers and network."""
    shunt = run.cell.data_sheet.shunt
    if shunt is None:
        return
    wires = exciting.sensed_wires(run, seen)
    with run.check(NAME, f"arm {shunt.arm}", POWERED) as check:
        before: Any = steps.signal_and_excitation(run, check, wires)
        check.ask(_prompt(run, shunt, on=True))
        check.wait(SETTLING_S, "the signal settles with the resistor on")
        with_it: Any = steps.signal_and_excitation(run, check, wires)
        check.ask(_prompt(run, shunt, on=False))
        change = with_it.signal / with_it.excitation - before.signal / before.excitation
        name = f"{NAME}, arm {shunt.arm}"
        found = limits.shunt_output
        judge(check, seen, run.plan.zero, name, "zero balance", "V/V", change, found)
        demanded = _demanded(run, seen, shunt)
        if demanded is not None:
            source = f"{_told(shunt)} across arm {shunt.arm} of the measured network"
            name = seen.named(f"{name}, against the lead pairs")
            against_the_network(check, name, change, demanded, source)


def _demanded(run: Run[AcceptancePlan], seen: Seen, shunt: Shunt) -> Any:
    """Return the change that the measured network demands; None where something is not known.

    Inside the cell the resistor ends at the pad of a signal lead: no current flows in that one, so
    its conductor is no part of the pairs with it. From the pad of an excitation lead the current
    of the resistor would flow in the signal lead: there the papers judge alone.
    """
    span = shunt.resistance
    pairs: dict[LeadPair, Any] = {p: m for p, m in seen.pairs.items() if is_number(m)}
    if span is None or span.best is None or seen.basis is None:
        return None
    if not all(p in pairs for p in FOUR_WIRE_PAIRS):
        return None
    if shunt.linked_to in (Lead.S_PLUS, Lead.S_MINUS):
        return None
    spread = _width(span.lower, span.upper)
    ohms: Any = span.best + run.uncertainties.fresh("calibration resistor", spread)
    across = ARMS[shunt.arm]
    if shunt.lead:
        inside = next(lead for lead in across if lead is not shunt.linked_to)
        conductor = conductors(run, seen)[0] / 2.0
        pairs = at_the_pad(pairs, inside, conductor)
        ohms = ohms + conductor  # that of its own lead
    return expected_change(pairs, across, ohms, seen.basis.factor)


def at_the_pad(pairs: Mapping[LeadPair, Any], inside: Lead, conductor: Any) -> dict[LeadPair, Any]:
    """Return the pairs as they would read at the pad of one lead: without its conductor."""
    return {pair: m - conductor if inside in pair else m for pair, m in pairs.items()}


def _width(lower: float | None, upper: float | None) -> float:
    """Return the standard uncertainty of a value somewhere between two limits (GUM 4.3.7)."""
    if lower is None or upper is None:
        return 0.0
    return float((upper - lower) / 2.0 / 3.0**0.5)


def _told(shunt: Shunt) -> str:
    value = shunt.resistance.best if shunt.resistance else None
    return "the resistor" if value is None else f"{value:g} ohm"


def _prompt(run: Run[AcceptancePlan], shunt: Shunt, *, on: bool) -> Prompt:
    one, other = ARMS[shunt.arm]
    volts = min(run.plan.excitation.volts, run.cell.excitation)
    if shunt.lead:
        between = (shunt.lead, str(shunt.linked_to))
        do, undo = f"link lead {shunt.lead} to {shunt.linked_to}", f"take {shunt.lead} off again"
    else:
        between = (one.value, other.value)
        do, undo = f"put {_told(shunt)} across {one} and {other}", "take the resistor off again"
    link: dict[str, Any] = {"between": list(between), "on": on}
    if not shunt.lead and shunt.resistance is not None:
        link["ohms"] = shunt.resistance.best
    whose = ""
    if run.position is not None:
        link["position"] = run.position
        whose = f" of {run.cell.serial} at position {run.position}"
    return Prompt(
        text=f"Calibration resistor{whose}, arm {shunt.arm}: {do if on else undo}.",
        caution=f"The excitation is ON, {volts:g} V: move only this lead, by its insulation; touch"
        " no bare metal and bridge no two other leads.",
        link=link,
    )
