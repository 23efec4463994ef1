"""What stands in for the cells while mV/V are fed: what is lifted and fitted, and what it changes.

A real bridge stands at the middle of its excitation and loads it. Whatever takes its place shall
do both; where it does not, the difference counts in the fed value or in its uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from acq.analysis.chain import excitation_share, fed_share, group_ohms
from acq.analysis.chain_papers import Kind
from acq.analysis.chain_steps import FLOATING, INHIBIT
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from sequences.weighing_chain_work import Work, lift, put_back

LINK_OHMS = 0.005  # a wire that the simulated bench's technician puts in


@dataclass(frozen=True, slots=True)
class Place:
    """Where mV/V are fed and what kind of row comes of it; how the cells are taken off there."""

    name: str
    at: str
    kind: Kind
    wires: tuple[str, ...]
    fits: Mapping[str, tuple[str, str, float]]
    what: str


def places(work: Work) -> tuple[Place, Place]:
    """The transmitter's terminals, and the box end of the home run."""
    load = work.plan.stand_in.load == "resistors"
    floats = load or work.plan.stand_in.common_mode == "floating"
    signal = ("S+", "S-") if floats else ("S+",)
    excitation = ("Ex+", "Ex-") if load else ()
    sense = ("Se+", "Se-") if load and work.chain.sensed else ()
    at_end = tuple(f"home run {lead}" for lead in (*signal, *excitation, *sense))
    in_box = tuple(
        f"cell {k} terminal {lead}"
        for k, cell in enumerate(work.chain.cells, 1)
        for lead in (*signal, *excitation, *(("Se+", "Se-") if load and cell.wires == 6 else ()))
    )
    said = _said(work, load=load)
    transmitter = Place(
        "transmitter", "transmitter", Kind.FED_TERMINALS_SENT, at_end,
        _fits(work, "transmitter", bool(sense)),
        f"the home run's {_leads(signal, excitation, sense)} at the transmitter; {said}",
    )  # fmt: skip
    box = Place(
        "box end of the home run", "box", Kind.FED_BOX_SENT, in_box, _fits(work, "box", False),
        f"of all cells in the box {_leads(signal, excitation, ())}; {said}",
    )  # fmt: skip
    return transmitter, box


def _leads(*groups: tuple[str, ...]) -> str:
    return ", ".join(lead for group in groups for lead in group)


def _said(work: Work, *, load: bool) -> str:
    stand_in = work.plan.stand_in
    if load:
        ohms = load_ohms(work)
        held = ", the source's minus to their middle" if stand_in.common_mode == "middle" else ""
        return (
            f"then fit two equal resistors of {ohms / 2.0:.4g} ohm in series on the excitation"
            f" in place of the cells{held}"
        )
    if stand_in.common_mode == "cells":
        return (
            "excitation, sense and S- stay: the cells remain the load, and hold the source at the"
            " middle of the excitation"
        )
    return "excitation and sense stay, the cells remain the load"


def load_ohms(work: Work) -> float:
    """The two equal resistors together: as written, or the group's input resistance."""
    cells = work.chain.cells
    own = group_ohms([cell.input_ohms + cell.excitation_trim_ohms for cell in cells])
    return work.plan.stand_in.load_ohms or own


def _fits(work: Work, at: str, sensed: bool) -> dict[str, tuple[str, str, float]]:
    stand_in = work.plan.stand_in
    if stand_in.load != "resistors":
        return {}
    half = load_ohms(work) / 2.0
    fits = {
        "load resistor +": (f"{at} Ex+", "load middle", half),
        "load resistor -": ("load middle", f"{at} Ex-", half),
    }
    if stand_in.common_mode == "middle":
        fits["tie of the source to the middle"] = ("load middle", f"{at} S-", LINK_OHMS)
    if sensed:
        for sign in "+-":
            fits[f"link from sense to excitation {sign}"] = (f"{at} Se{sign}", f"{at} Ex{sign}",
                                                             LINK_OHMS)  # fmt: skip
    return fits


def stand_in(work: Work, check: Check, place: Place) -> None:
    """Take the cells off, fit what stands in for them; both are on the restore list from then."""
    lift(work, check, place.wires, place.what, f"{INHIBIT} {FLOATING}")
    if place.fits:
        work.fitted |= dict.fromkeys(place.fits)
        text = "Fit: " + "; ".join(
            f"{name}{f', {ohms:.4g} ohm,' if ohms > LINK_OHMS else ''} from {one} to {other}"
            for name, (one, other, ohms) in place.fits.items()
        )
        check.ask(Prompt(text=f"{text}.", caution=INHIBIT, fit=place.fits))


def cells_again(check: Check, place: Place) -> None:
    """Take off what was fitted, then put the cells back."""
    take_off(check, place)
    what = ", ".join(place.wires)
    put_back(check, place.wires, what)


def take_off(check: Check, place: Place) -> None:
    """Take off what was fitted, nothing where nothing was."""
    if place.fits:
        text = f"Take off: {', '.join(place.fits)}."
        check.ask(Prompt(text=text, caution=INHIBIT, take_off=tuple(place.fits)))


def in_service(work: Work, place: Place) -> float:
    """Return what a fed value of 1 is worth in service, where the cells and not this are there.

    The source's resistance (and, from the box, two conductors) is divided by the transmitter's
    input; and from the box, without sense, another load lets another part of the excitation
    arrive than the cells do.
    """
    chain, plan = work.chain, work.plan.stand_in
    from_box = place.at == "box"
    worth = 1.0
    if (input_ohms := work.visit.file.transmitter.input_resistance) is not None:
        line = 2.0 * chain.conductor_ohms if from_box else 0.0
        worth *= fed_share(plan.source_ohms + line, input_ohms)
    if from_box and not chain.sensed and plan.load == "resistors":
        worth *= excitation_share([load_ohms(work)], chain.conductor_ohms) / chain.cable_share
    return worth
