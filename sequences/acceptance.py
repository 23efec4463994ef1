"""The electrical acceptance test of a load cell, from harmless to stressful.

Soak, leads, wiggle, insulation, then a first volt, then full excitation and the zero, with what
the plan wants beside it. A step that fails closes the gate before the more stressful ones; what
is not measured then is withheld by name.
"""

from __future__ import annotations

from pathlib import Path

from acq.cells.limits import Limits
from acq.runs.run import Run
from acq.runs.sequence import sequence
from sequences import route, shunt_output
from sequences.acceptance_plan import AcceptancePlan
from sequences.active_cell import active_cell
from sequences.as_found import as_found_series
from sequences.diagnosis import Seen, diagnosis
from sequences.earlier import earlier_limits, fitting_serials
from sequences.exciting import first_excitation, gate_of_electronics, gate_of_the_leads
from sequences.half_bridge import half_bridge
from sequences.insulation_paths import insulation_paths
from sequences.leads import lead_pairs
from sequences.room import room_temperature
from sequences.several_bridges import between_bridges
from sequences.soak import soak
from sequences.steps import closed
from sequences.wiggle import wiggle
from sequences.zero import named_findings, withhold_zero, zero


@sequence(
    roles=("scanner", "dmm", "supply", "insulation"),
    optional=("thermometer", "reference-indicator"),  # the latter of a jack, in a load series
    plan=AcceptancePlan,
    plans=Path(__file__).parent / "plans",
    default_plan="returned-cell",
)
def acceptance(run: Run[AcceptancePlan]) -> None:
    """Test a cell electrically: leads, insulation, first excitation, zero at both polarities."""
    way = route.route_of(run)
    route.ask_for_the_zone(run)
    if way == "active":
        active_cell(run, Seen())
        return
    celsius = room_temperature(run)
    limits = Limits(run.cell, run.plan.limits, temperature=celsius, others=earlier_limits(run))
    shunt_output.keep_apart(run)
    one_bridge = half_bridge if way == "half bridge" else full_bridge
    for name in route.bridges(run):
        one_bridge(run, limits, Seen(bridge=name, celsius=celsius))
    between_bridges(run, limits)


def full_bridge(run: Run[AcceptancePlan], limits: Limits, seen: Seen) -> None:
    """One full bridge of a body: its findings carry its name where there are several."""
    with run.skippable((seen.named("soak"), "temperature", "K")):
        soak(run, seen)
    lead_pairs(run, limits, seen)
    fitting_serials(run, seen)
    with run.skippable((seen.named("wiggle test"), "resistance", "ohm")):
        wiggle(run, seen)
    gate = gate_of_the_leads(run, seen)
    insulation_paths(run, limits, seen, gate_of_electronics(run, seen))
    excited = closed("the first excitation was skipped") if gate.is_open else gate
    if gate.is_open:
        with run.skippable():
            excited = first_excitation(run, seen)
    if excited.is_open:
        with run.skippable(*named_findings(seen)):
            zero(run, limits, seen)
    else:
        withhold_zero(run, seen, excited.because)
    as_found_series(run, seen, gate)
    diagnosis(run, seen)
