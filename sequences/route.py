"""Which way a cell goes: full bridges, half bridge, built-in electronics; or not at all."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal

from acq.errors import WrongInput
from acq.runs.prompts import CLIP_CAUTION, Prompt
from acq.runs.run import Run
from sequences.acceptance_plan import AcceptancePlan

Route = Literal["full bridge", "half bridge", "active"]
OUT_OF_THE_ZONE = "out of the zone"


def route_of(run: Run[AcceptancePlan]) -> Route:
    """Return the route of the papers; raises WrongInput that names what cannot be tested."""
    cell, sheet = run.cell, run.cell.data_sheet
    if sheet.electronics in ("amplifier", "digital"):
        if run.plan.active is None:
            raise WrongInput(
                f"cell {cell.serial}: {cell.bridge_objection}; plan {run.plan.name!r} has no table"
                " [active]"
            )
        return "active"
    if objection := cell.bridge_objection:
        raise WrongInput(f"cell {cell.serial}: {objection}; this test is for passive bridges")
    if sheet.bridge == "half":
        if sheet.shunt is not None:
            raise WrongInput(
                f"cell {cell.serial}: a shunt resistor on a half bridge is not tested here: its"
                " other half, in the instrument, decides what it does"
            )
        return "half bridge"
    return "full bridge"


def refuse_other_routes(run: Run[Any]) -> None:
    """Raises WrongInput for a cell that must not be tested as one plain passive bridge."""
    if objection := run.cell.bridge_objection:
        raise WrongInput(f"cell {run.cell.serial}: {objection}; this test is for passive bridges")
    sheet = run.cell.data_sheet
    if sheet.bridge != "full" or sheet.bridges != 1:
        raise WrongInput(
            f"cell {run.cell.serial}: {sheet.bridges} {sheet.bridge} bridge(s) in one body;"
            " this test knows one full bridge"
        )


def ask_for_the_zone(run: Run[Any]) -> None:
    """A marking for explosive atmospheres: only out of the zone. Raises WrongInput in it."""
    area = run.cell.data_sheet.hazardous_area
    if area is None:
        return
    with run.check("hazardous area") as check:
        answer = check.ask(
            Prompt(
                text=f"Marked {area.marking}. Where is the cell now?",
                caution="Ordinary instruments are not allowed in an explosive atmosphere. Local"
                " explosion-protection rules and a licensed person decide; repair of a marked cell"
                " is left to qualified persons.",
                choices=(OUT_OF_THE_ZONE, "in the zone"),
            )
        )
    if answer != OUT_OF_THE_ZONE:
        raise WrongInput(
            f"cell {run.cell.serial}: marked {area.marking} and in the zone: nothing is measured"
            " there with this bench"
        )


def bridges(run: Run[AcceptancePlan]) -> Iterator[str]:
    """Yield the name of each bridge of the body, clipped; "" where there is one only."""
    count = run.cell.data_sheet.bridges
    if count == 1:
        yield ""
        return
    for number in range(1, count + 1):
        with run.check("bridge", number) as check:
            check.ask(
                Prompt(
                    text=f"Put the leads of bridge {number} of {count} on the bench's lead"
                    " terminals; leave those of the others open and apart.",
                    caution=CLIP_CAUTION,
                    bridge={"on": number},
                )
            )
        yield f"bridge {number}"
