"""A visit by hand: readings written on the printed form and typed into the chain's file later."""

from __future__ import annotations

from acq.errors import WrongInput
from sequences.weighing_chain_interfaces import AS_FOUND, AS_LEFT
from sequences.weighing_chain_results import errors, isolation
from sequences.weighing_chain_work import Work

TYPED = "read by hand, written on a form and typed in later"


def typed_visit(work: Work) -> None:
    """Judge what the file holds, marked as typed in; nothing is connected.

    Raises WrongInput when the form's restore list is not ticked: such a visit is not closed.
    """
    file, readings = work.visit.file, work.visit.readings
    if missing := file.not_restored():
        raise WrongInput(
            f"{file.name}: restored.{missing[0]} is not ticked on the form; the visit is not closed"
            " before it is (write who and when)"
        )
    with work.run.check("typed readings") as check:
        if not readings.rows:
            raise WrongInput(f"{file.name}: no reading in the file yet")
        told = {"by": file.measured_by, "on": str(file.measured_on or ""), "how": TYPED}
        check.keep("typed", file.name, told | {"restored": dict(file.restored)})
        for note in work.visit.notes:
            check.keep("note", "papers", {"text": note})
    work.states |= readings.states
    left = [row for row in readings.rows if row.state == AS_LEFT]
    work.rows += [row for row in readings.rows if row.state != AS_LEFT]
    work.left += left
    errors(work, work.rows, AS_FOUND, [TYPED])
    isolation(work, [TYPED])
    if left:
        errors(work, work.left, AS_LEFT, [TYPED])
