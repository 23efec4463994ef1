"""Before a cell is read for longer: no short, no open lead, one volt that arrives as it should."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from acq.analysis.leads import INPUT, OUTPUT, LeadPair
from acq.bench.connections import ohms
from acq.readings.measured import Measured
from acq.runs.run import Run
from sequences import route, steps
from sequences.exciting import first_excitation
from sequences.reading_plan import ReadingPlan
from sequences.steps import Gate


def admitted(run: Run[ReadingPlan]) -> Gate:
    """A passive bridge, out of its zone: all that a reading without excitation needs.

    Raises WrongInput for any other.
    """
    route.refuse_other_routes(run)
    route.ask_for_the_zone(run)
    return steps.OPEN


def entrance(run: Run[ReadingPlan]) -> Gate:
    """Input and output resistance, then the first volt: whether full excitation may go on.

    Raises WrongInput for a cell that is no plain passive bridge, or in an explosive atmosphere.
    """
    admitted(run)
    pairs: dict[LeadPair, Measured] = {}
    for pair in (INPUT, OUTPUT):
        with run.connected(ohms(pair)), run.check("pair resistance", pair) as check:
            pairs[pair] = steps.measure_pair(run, check, pair)
    gate = steps.excitation_gate(run, pairs)
    return first_excitation(run) if gate.is_open else gate


@contextmanager
def excited(run: Run[ReadingPlan]) -> Iterator[None]:
    """Full excitation while the block runs: that of the plan, at most what the papers name."""
    volts = min(run.plan.excitation.volts, run.cell.excitation)
    with run.excited(steps.excitation(run.cell, volts)):
        yield
