"""A weighing chain in its plant: measure and feed every interface, find the block, put all back.

The order is from looking to lifting: papers, permit, area; as found with hands off; what
arrives at each interface; known values fed; loads. What was read by then isolates the block. Only
then may anybody adjust; as left is read again, and a restore list blocks the end.
"""

from __future__ import annotations

from pathlib import Path

from acq.cells.chain_subject import ChainPapers
from acq.cells.chain_visit import visit_of
from acq.errors import Stopped, WrongInput
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from acq.runs.sequence import sequence
from sequences.weighing_chain_current import milliamperes
from sequences.weighing_chain_feeding import millivolts, places
from sequences.weighing_chain_interfaces import (
    AS_FOUND,
    AS_LEFT,
    each_cell,
    excitation,
    interfaces,
    loads,
    loads_as_left,
    state,
)
from sequences.weighing_chain_ohms import cold_ohms
from sequences.weighing_chain_plan import WeighingChainPlan
from sequences.weighing_chain_results import errors, isolation
from sequences.weighing_chain_site import (
    area_allows,
    content,
    log,
    mechanics,
    papers,
    restore,
)
from sequences.weighing_chain_typed import typed_visit
from sequences.weighing_chain_work import Work


@sequence(
    roles=("dmm",),
    optional=("source", "second-dmm"),
    plan=WeighingChainPlan,
    plans=Path(__file__).parent / "plans",
    default_plan="weighing-chain",
    default_scenario="chain-healthy",
    subject=ChainPapers,
)
def weighing_chain(run: Run[WeighingChainPlan]) -> None:
    """Measure and feed every interface of a weighing chain, and name the block at fault."""
    subject = run.subject
    if not isinstance(subject, ChainPapers):
        raise WrongInput("weighing-chain: needs a chain, not a cell")
    work = Work(run, visit_of(subject))
    if work.visit.file.typed_in_later:
        typed_visit(work)
        return
    try:
        on_site(work)
    except Stopped as stop:
        if not (work.lifted or work.fitted):
            raise
        left = ", ".join([*work.lifted, *work.fitted])
        raise Stopped(f"{stop}; NOT RESTORED, look at: {left}; resume for the list") from stop


def on_site(work: Work) -> None:
    """The whole visit with instruments."""
    papers(work)
    connected = area_allows(work)
    if connected:
        log(work, "as-found", work.plan.log_minutes)
        as_found(work)
        errors(work, work.rows, AS_FOUND)
    isolation(work)
    if connected:
        as_left(work)
    restore(work, connected=connected)


def as_found(work: Work) -> None:
    """c5 to c13."""
    mechanics(work)
    live = content(work, AS_FOUND)
    excitation(work)
    interfaces(work, state(AS_FOUND, live))
    each_cell(work, AS_FOUND)
    feed, (transmitter, box) = work.plan.feed, places(work)
    millivolts(work, transmitter, [*feed.points, *reversed(feed.points[:-1])], AS_FOUND)
    millivolts(work, transmitter, feed.limits, "limits")
    millivolts(work, box, feed.at_box, AS_FOUND)
    milliamperes(work)
    cold_ohms(work)
    loads(work, live)


def as_left(work: Work) -> None:
    """c14 and c15: what was changed, in words, and the same readings in fewer points."""
    with work.run.check("adjustment") as check:
        text = (
            "As found is complete. What is adjusted or repaired now: old and new parameters, or"
            " 'nothing'. Legal-for-trade seals are broken by the authorised body only"
        )
        check.ask(Prompt(text=text, choices=(), by_itself="nothing"))
    work.as_left = True
    log(work, "as-left", work.plan.log_minutes_as_left)
    live = content(work, AS_LEFT)
    interfaces(work, state(AS_LEFT, live))
    transmitter, _ = places(work)
    millivolts(work, transmitter, work.plan.feed.as_left, AS_LEFT)
    loads_as_left(work, live)
    errors(work, work.left, AS_LEFT)
