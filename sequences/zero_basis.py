"""One basis for two zeros: the pairs are read at the plug, the excitation at the sense leads.

The pairs give the zero per volt at the plug. Where the excitation is read behind the cable, the
same signal belongs to fewer volts, by input resistance at the plug over that without the two
excitation conductors: exact, since both are volts for one current.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from acq.analysis.leads import INPUT, SENSE_LOOPS
from acq.readings.measured import is_number
from acq.runs.run import Run
from sequences.acceptance_plan import AcceptancePlan
from sequences.diagnosis import Seen

UNKNOWN_OHMS, UNKNOWN_SPREAD = 0.4, 0.3  # one conductor of a cable that no paper describes


@dataclass(frozen=True, slots=True)
class Basis:
    """`factor` takes a ratio per volt at the plug to one per volt where excitation is read."""

    factor: Any
    where: str
    source: str


def at_the_excitation(run: Run[AcceptancePlan], seen: Seen) -> Basis:
    """Return the basis of a measured zero, with the best knowledge of the cable there is."""
    if run.cell.wires != 6 or seen.sense_objection:
        return Basis(1.0, "the plug", "the excitation is read on the Ex leads")
    input_: Any = seen.pairs[INPUT]
    where = "the sense leads"
    if seen.kelvin is not None:
        return Basis(input_ / seen.kelvin, where, "input resistance read with the Se leads")
    both, source = conductors(run, seen)
    return Basis(input_ / (input_ - both), where, source)


def conductors(run: Run[AcceptancePlan], seen: Seen) -> tuple[Any, str]:
    """Return the resistance of both excitation conductors: from loops, else from papers."""
    plan, fresh = run.plan.resistance, run.uncertainties.fresh
    loops: list[Any] = [m for loop in SENSE_LOOPS if (m := seen.pairs.get(loop)) and is_number(m)]
    if len(loops) == 2:
        half = (loops[0] + loops[1]) / 2.0
        unlike = plan.conductors_unlike_share / 3.0**0.5
        return (
            half + half.x * fresh("sense and excitation conductors unlike", unlike),
            f"half of both sense loops, {half.x:.3g} ohm",
        )
    known = run.cell.lead_ohms
    if known is not None:
        unlike = plan.cable_unlike_share / 3.0**0.5
        return (
            2.0 * known * (1.0 + fresh("cable against its papers", unlike)),
            f"two conductors by the papers, {2 * known:.3g} ohm ({plan.cable_source})",
        )
    return (
        2.0 * (UNKNOWN_OHMS + fresh("cable not known", UNKNOWN_SPREAD)),
        "a cable that no paper describes",
    )
