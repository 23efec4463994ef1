"""Off-centre error of a single-point cell: the same load in the middle and at the corners."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acq.cells.limits import Limits
from acq.errors import WrongInput
from acq.readings.measured import Uncertain
from acq.readings.rules import Limit
from acq.runs.check import Check
from acq.runs.run import Run
from acq.runs.sequence import sequence
from sequences import load_gates, route, steps
from sequences.creep import OPTIONAL, ROLES
from sequences.load_gates import POWERED
from sequences.load_plan import OffCentre, OffCentrePlan
from sequences.outputs import Taken, scatter_of_test
from sequences.rig import AtRig
from sequences.series import Measured, room
from sequences.spoilt import told_if_loaded

NAME = "off-centre error"


@sequence(
    roles=ROLES,
    optional=OPTIONAL,
    plan=OffCentrePlan,
    plans=Path(__file__).parent / "plans",
    default_plan="off-centre",
)
def off_centre(run: Run[OffCentrePlan]) -> None:
    """Put one load in the middle and at each corner of a platform: how unlike are the outputs?"""
    route.refuse_other_routes(run)
    sheet = run.cell.data_sheet
    if not sheet.platform and sheet.off_centre_error is None:
        raise WrongInput(
            f"cell {run.cell.serial}: its data sheet has neither platform nor off_centre_error;"
            " a cell that is no single-point cell must not be loaded off its axis"
        )
    part = run.plan.off_centre
    rig = AtRig(run, part)
    rig.span(0.0, part.load_percent)
    gate = load_gates.load_gate(run, part)
    if not gate.is_open:
        run.withhold(NAME, NAME, "1", gate.because)
        return
    with told_if_loaded(rig), run.excited(steps.excitation(run.cell, rig.excitation_volts)):
        places = measured_places(run, rig, part)
    judged_places(run, rig, part, places)


@dataclass(frozen=True, slots=True)
class Place:
    """One position: its net output as a share of the load's output there, in V/V."""

    name: str
    net: Uncertain


def measured_places(run: Run[Any], rig: AtRig, part: OffCentre) -> list[Place]:
    """Exercise, then load every position from its own zero; one check for all of them."""
    with run.check("preloads, off-centre", needs=POWERED) as check:
        rig.begin(check)
        rig.exercise(check, part.wait_s)
    taken: list[tuple[str, tuple[Taken, Taken, Taken]]] = []
    with run.check("positions") as check:
        rig.begin(check)
        room(run, check, Measured())
        order: list[int | None] = [None, *range(1, part.corners + 1)]
        if part.centre_again:
            order.append(None)
        for corner in order:
            taken.append(_one_place(rig, part, check, corner))
        places = _nets(rig, taken)
        table = [{"position": each.name, "net_output": float(each.net.x)} for each in places]
        check.keep("loads", "positions", table)
    return places


def _one_place(
    rig: AtRig, part: OffCentre, check: Check, corner: int | None
) -> tuple[str, tuple[Taken, Taken, Taken]]:
    name = "centre" if corner is None else f"corner {corner}"
    rest, load = rig.applied(0.0), rig.applied(part.load_percent)
    before = rig.point(check, rest, f"{name}, zero before")
    loaded = rig.point(check, load, f"{name}, load", corner)
    after = rig.point(check, rest, f"{name}, zero after")
    return name, (before, loaded, after)


def _nets(rig: AtRig, taken: Sequence[tuple[str, tuple[Taken, Taken, Taken]]]) -> list[Place]:
    """Return each position's net output, with the scatter that all readings show together."""
    every = [each for _, three in taken for each in three]
    scatter = scatter_of_test(every, rig.run.uncertainties, rig.part.reading.swing_hertz)
    places = []
    for name, three in taken:
        before, loaded, after = (
            each.with_scatter(rig.run.uncertainties, scatter) for each in three
        )
        places.append(Place(name, loaded - (before + after) / 2.0))
    return places


def judged_places(run: Run[Any], rig: AtRig, part: OffCentre, places: list[Place]) -> None:
    """Each corner against the middle, and the largest distance between any two, of the load."""
    del rig
    limits = Limits(run.cell, run.plan.limits).of_type("off_centre_error")
    judging: dict[str, Any] = {"rule": part.rule, "share": part.largest_uncertainty_share}
    with run.check("off-centre results") as check:
        middle: list[Any] = [each.net for each in places if each.name == "centre"]
        centre: Any = sum(middle[1:], start=middle[0]) / float(len(middle))
        corners = [each for each in places if each.name != "centre"]
        if len(middle) > 1:
            again: Any = (middle[-1] - middle[0]) / centre
            check.finding("centre again less centre", "repeatability", "1", again)
        found = {each.name: (each.net - centre) / centre for each in corners}
        for name, each in found.items():
            check.finding(f"{NAME}, {name}", NAME, "1", each, limits, **judging)
        low, high = (
            min(found, key=lambda n: float(found[n].x)),
            max(found, key=lambda n: float(found[n].x)),
        )
        apart: Any = found[high] - found[low]
        check.finding(
            f"{NAME}, largest between two positions",
            NAME,
            "1",
            apart,
            [_doubled(limit) for limit in limits],
            marks=[f"{high} less {low}"],
            **judging,
        )


def _doubled(limit: Limit) -> Limit:
    """A limit about the middle allows two positions to differ by twice as much."""
    upper = 2.0 * abs(limit.upper or 0.0)
    return Limit(None, upper, limit.unit, f"{limit.source}, between two positions", limit.decides)
