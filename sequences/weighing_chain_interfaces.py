"""What arrives at each interface: excitation, mV/V, mA and the displayed weight (c6 to c9, c13)."""

from __future__ import annotations

from acq.analysis.chain_papers import Kind, LoadState, Row
from acq.analysis.chain_steps import HANGING, INHIBIT
from acq.readings.measured import Measured, is_number
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from sequences.weighing_chain_work import (
    Work,
    current,
    display,
    excitation_at,
    in_loop,
    lift,
    put_back,
    ratio,
    refuse,
    row,
    volts,
    whole_again,
)

JOINTS = 5e-5  # of the excitation: some milliohms in a group of 100 ohm; common practice
AS_FOUND, AS_LEFT, KNOWN = "as found", "as left", "known load"


def excitation(work: Work) -> None:
    """c6: DC and AC at the transmitter, the box, the sense terminals and each cell."""
    chain, found = work.chain, {}
    places = ["transmitter Ex", "box Ex", *(["transmitter Se"] if chain.sensed else [])]
    places += [f"cell {k} Ex" for k in range(1, len(chain.cells) + 1)]
    for place in places:
        with work.run.check("excitation", place) as check:
            level = chain.terminal_volts
            found[place] = volts(work, check, f"{place}+", f"{place}-", level)
            ac = volts(work, check, f"{place}+", f"{place}-", level, "ac-voltage")
            check.finding(f"excitation, {place}, DC", "dc-voltage", "V", found[place])
            check.finding(f"excitation, {place}, AC", "ac-voltage", "V", ac)
            if place == "transmitter Ex":
                work.pulsed = _pulsed(work, found[place], ac)
            if work.pulsed:
                refuse(check, work.pulsed)
    if not work.pulsed:
        work.keep(row(Kind.EXCITATION, found["transmitter Ex"]))
        _quotient(work, Kind.BOX_SHARE, found["box Ex"], found["transmitter Ex"])
        if chain.sensed:
            _quotient(work, Kind.SENSE, found["transmitter Se"], found["box Ex"])
        for index in range(len(chain.cells)):
            own = found[f"cell {index + 1} Ex"]
            _quotient(work, Kind.CELL_SHARE, own, found["box Ex"], index)


def _pulsed(work: Work, dc: Measured, ac: Measured) -> str:
    """Say why the excitation is no plain DC; empty where it is."""
    if not (is_number(dc) and is_number(ac)):
        return "the excitation gave no number"
    if ac.x <= work.plan.pulsed_share * abs(dc.x):
        return ""
    return (
        f"excitation pulsed or alternating: {ac.x:.3g} V AC on {dc.x:.3g} V DC; no plain source in"
        " place of the cells and no mV/V by a DC meter: use a passive dummy bridge and the"
        f" transmitter's own display ({work.plan.pulsed_source})"
    )


def _quotient(
    work: Work, kind: Kind, own: Measured, other: Measured, cell: int | None = None
) -> None:
    if not is_number(other) or abs(other.x) < 0.05 * work.chain.terminal_volts:
        return
    if is_number(own):
        joints = work.run.uncertainties.fresh("joints and clips in the excitation", JOINTS)
        work.keep(row(kind, own / other + joints, cell=cell))


def each_cell(work: Work, state: str) -> None:
    """c7: one cell's signal pair lifted at a time, the excitation on."""
    for number, cell in enumerate(work.chain.cells, 1):
        wires = [f"cell {number} terminal {lead}" for lead in ("S+", "S-")]
        with work.run.check("cell signal", f"{number} {cell.name}") as check:
            if work.pulsed:
                refuse(check, work.pulsed)
                continue
            whole_again(work, check, wires)
            what = f"the signal pair of {cell.name} (input {number}) in the box"
            lift(work, check, wires, what, INHIBIT)
            found = ratio(work, check, f"cell {number}", "box Ex")
            put_back(check, wires, what)
            check.finding(f"signal of {cell.name} alone", "ratio", "V/V", found)
        work.keep(row(Kind.CELL_RATIO, found, state=state, cell=number - 1))


def interfaces(work: Work, state: LoadState) -> None:
    """c7 and c9 under one load: mV/V at box and transmitter, then mA and display together."""
    name = state.name
    work.states[name] = state
    wires = ["loop wire +", "input wire +"]
    with work.run.check("interfaces", name) as check:
        whole_again(work, check, wires)
        check.wait(work.plan.settle_s, "filters of transmitter and input")
        if not work.pulsed:
            for kind, place in (
                (Kind.BOX_RATIO, "box"), (Kind.TERMINAL_RATIO, "transmitter"),
            ):  # fmt: skip
                found = ratio(work, check, place, excitation_at(work, place))
                check.finding(f"{name}: mV/V at the {place}", "ratio", "V/V", found)
                work.keep(row(kind, found, state=name))
        _triplet(work, check, name)


def _triplet(work: Work, check: Check, name: str) -> None:
    """mA and display at one moment; what the display moved against the last mV/V is told."""
    before = display(work, check, name)
    with in_loop(work, check, "loop wire +", "transmitter I+", "loop terminal") as at:
        check.wait(work.plan.settle_s, "the meter's burden settles")
        sent = current(work, check, at)
        shown = display(work, check, name)
    with in_loop(work, check, "input wire +", "loop terminal", "input +") as at:
        check.wait(work.plan.settle_s, "the meter's burden settles")
        received = current(work, check, at)
    for kind, where, found in (
        (Kind.SENT, "transmitter", sent), (Kind.RECEIVED, "control-system input", received),
    ):  # fmt: skip
        check.finding(f"{name}: current at the {where}", "dc-current", "A", found)
        work.keep(row(kind, found, state=name))
    work.keep(_shown(work, shown, name))
    if before is not None and shown is not None:
        check.keep("moved", "display between mV/V and mA, kg", shown - before)


def _shown(work: Work, shown: float | None, state: str) -> Row:
    # a display is off by up to half its last digit, anywhere in between: a rectangle
    return Row(kind=Kind.SHOWN, value=shown, u=work.chain.digit / 12.0**0.5, state=state)


def loads(work: Work, live: float, unsure: float) -> None:
    """c13: a known load spread over all mounts, then the same weight over each."""
    plan = work.plan.loads
    if plan.spread_kilograms and _put(work, plan.spread_kilograms, None):
        u = (unsure**2 + plan.uncertainty_kilograms**2) ** 0.5
        interfaces(work, LoadState(name=KNOWN, live=live + plan.spread_kilograms, u_live=u))
    if plan.corner_kilograms and len(work.chain.cells) > 1:
        for index, cell in enumerate(work.chain.cells):
            if not _put(work, plan.corner_kilograms, index + 1):
                continue
            name = f"corner {index + 1}"
            state = LoadState(
                name=name, live=plan.corner_kilograms, u_live=plan.uncertainty_kilograms,
                corner=index,
            )  # fmt: skip
            work.states[name] = state
            with work.run.check("corner", cell.name) as check:
                check.wait(work.plan.settle_s, "filters of transmitter and input")
                work.keep(_shown(work, display(work, check, f"weight over {cell.name}"), name))
    _put(work, 0.0, None)


def _put(work: Work, kilograms: float, corner: int | None) -> bool:
    where = "spread over all mounts" if corner is None else f"over mount {corner} alone"
    text = f"Put {kilograms:g} kg on, {where}" if kilograms else "Take the test weights off"
    load = {"kilograms": kilograms} | ({} if corner is None else {"corner": float(corner)})
    with work.run.check("load", f"{kilograms:g} kg, {where}") as check:
        caution = f"{HANGING} {INHIBIT}"
        prompt = Prompt(text=text, caution=caution, choices=("done", "not possible"), load=load)
        done = check.ask(prompt) == "done"
        if not done:
            refuse(check, "no such load on site")
    return done
