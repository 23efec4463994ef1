"""A visit by hand: readings written on the printed form and typed into the chain's file later."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from acq.analysis.chain import SPAN
from acq.analysis.chain_papers import LoadState, Row
from acq.cells.chain_file import ChainFile
from acq.errors import WrongInput
from acq.readings.measured import Uncertain
from sequences.weighing_chain_feeding import common_mode
from sequences.weighing_chain_interfaces import AS_FOUND, AS_LEFT, state
from sequences.weighing_chain_results import errors, isolation
from sequences.weighing_chain_stand_in import in_service, places
from sequences.weighing_chain_work import Work

TYPED = "read by hand, written on a form and typed in later"


def typed_visit(work: Work) -> None:
    """Judge what the file holds, marked as typed in; nothing is connected.

    Raises WrongInput when the form's restore list is not ticked: such a visit is not closed.
    """
    file, found, left = work.visit.file, work.visit.readings, work.visit.left
    if missing := file.not_restored():
        raise WrongInput(
            f"{file.name}: restored.{missing[0]} is not ticked on the form; the visit is not closed"
            " before it is (write who and when)"
        )
    with work.run.check("typed readings") as check:
        if not found.rows:
            raise WrongInput(f"{file.name}: no reading in the file yet")
        told = {"by": file.measured_by, "on": str(file.measured_on or ""), "how": TYPED}
        check.keep("typed", file.name, told | {"restored": dict(file.restored)})
        check.keep("typed times", file.name, dict(_times(file)))
        for note in work.visit.notes:
            check.keep("note", "papers", {"text": note})
    for each in (*found.states.values(), *left.states.values()):
        work.states[each.name] = _as_typed(work, each)
    work.rows += _with_stand_in(work, [_with_influences(work, row) for row in found.rows])
    work.left += _with_stand_in(work, [_with_influences(work, row) for row in left.rows])
    errors(work, work.rows, AS_FOUND, [TYPED])
    isolation(work, [TYPED])
    if work.left:
        errors(work, work.left, AS_LEFT, [TYPED])


def _times(file: ChainFile) -> Iterable[tuple[str, str]]:
    """When each group was read, as it stands on the form; blank where nobody wrote it down."""
    for entry in file.states:
        yield entry.name, "" if entry.time is None else entry.time.isoformat()
    for fed in file.fed:
        name = f"{fed.round}: {fed.value} fed at the {fed.at}"
        yield name, "" if fed.time is None else fed.time.isoformat()


def _as_typed(work: Work, each: LoadState) -> LoadState:
    load: Uncertain = work.run.uncertainties.fresh(f"load: {each.name}", each.u_live) + each.live
    return state(each.name, load, each.corner)


def _with_stand_in(work: Work, rows: Iterable[Row]) -> Iterable[Row]:
    """What the plan says that stood in for the cells counts in the fed values, and in their U."""
    off_middle = 0.5 if work.plan.stand_in.common_mode == "floating" else 0.0
    common = common_mode(work, off_middle) * (SPAN / work.chain.span_ratio)
    kinds = {place.kind: in_service(work, place) for place in places(work)}
    for row in rows:
        worth = kinds.get(row.kind)
        if worth is None or row.fed is None or row.measured is None:
            yield row
        else:
            yield replace(row, fed=row.fed * worth, measured=row.measured - common)


def _with_influences(work: Work, row: Row) -> Row:
    """A line of the budget for each part; what readings by one instrument share is not known."""
    if row.value is None:
        return row
    value: Uncertain = work.run.uncertainties.fresh("", 0.0) + row.value
    for name, u in row.parts:
        value = value + work.run.uncertainties.fresh(name, u)
    return replace(row, measured=value)
