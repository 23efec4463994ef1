"""What arrives at each interface: excitation, mV/V, mA and the displayed weight (c6 to c9, c13)."""

from __future__ import annotations

from acq.analysis.chain import SPAN
from acq.analysis.chain_papers import Kind, LoadState
from acq.analysis.chain_steps import HANGING, INHIBIT
from acq.readings.measured import Measured, Uncertain, is_number
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from sequences.weighing_chain_meters import (
    current,
    excitation_at,
    in_loop,
    ratio,
    triplet,
    volts,
)
from sequences.weighing_chain_work import (
    Work,
    display,
    lift,
    put_back,
    refuse,
    row,
    shown_row,
    whole_again,
)

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
    for at in ("transmitter", "box"):
        at_ends = found[excitation_at(work, at)]
        if is_number(at_ends) and at_ends.x > 0.0:
            work.level[at] = at_ends
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
    least = work.plan.stand_in.alive_share * work.chain.terminal_volts
    if not is_number(other) or abs(other.x) < least:
        return
    if is_number(own):
        name = "joints and clips in the excitation"
        joints = work.run.uncertainties.fresh(name, work.plan.joints_share)
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


def interfaces(work: Work, under: LoadState) -> None:
    """c7 and c9 under one load: mV/V at box and transmitter, mA and display at one moment."""
    name = under.name
    work.states[name] = under
    wires = ["loop wire +", "input wire +"]
    with work.run.check("interfaces", name) as check:
        whole_again(work, check, wires)
        check.wait(work.plan.settle_s, "filters of transmitter and input")
        if not work.pulsed:
            found = ratio(work, check, "box", excitation_at(work, "box"))
            check.finding(f"{name}: mV/V at the box", "ratio", "V/V", found)
            work.keep(row(Kind.BOX_RATIO, found, state=name))
        _triplet(work, check, name)


def _triplet(work: Work, check: Check, name: str) -> None:
    """mV/V, mA and display at one moment; then mA at the other end of the loop."""
    seen = triplet(work, check, name)
    with in_loop(work, check, "input wire +", "loop terminal", "input +") as at:
        check.wait(work.plan.settle_s, "the meter's burden settles")
        received = current(work, check, at)
        again = display(work, check, name)
    received = _moved(work, received, seen.shown, again)
    if seen.ratio is not None:
        told = f"{name}: mV/V at the transmitter"
        check.finding(told, "ratio", "V/V", seen.ratio, marks=[seen.told])
        work.keep(row(Kind.TERMINAL_RATIO, seen.ratio, state=name))
    for kind, where, found, marks in (
        (Kind.SENT, "transmitter", seen.current, [seen.told]),
        (Kind.RECEIVED, "control-system input", received, []),
    ):
        told = f"{name}: current at the {where}"
        check.finding(told, "dc-current", "A", found, marks=marks)
        work.keep(row(kind, found, state=name))
    work.keep(shown_row(work, Kind.SHOWN, seen.shown, state=name))


def _moved(work: Work, received: Measured, shown: float | None, again: float | None) -> Measured:
    """What the display moved until this end of the loop was read counts here (rectangular)."""
    if not is_number(received) or shown is None or again is None:
        return received
    moved = abs(again - shown) / abs(work.chain.span_shown) * SPAN
    why = "drift: the display moved between the two ends of the loop"
    found: Uncertain = received + work.run.uncertainties.fresh(why, moved / 3.0**0.5)
    return found


def loads(work: Work, live: Uncertain) -> None:
    """c13: a known load spread over all mounts, then the same weight over each."""
    plan = work.plan.loads
    known(work, live, plan.spread_kilograms, KNOWN)
    corners(work, "")
    _put(work, 0.0, None)


def known(work: Work, live: Uncertain, kilograms: float, name: str) -> None:
    """A known load spread over all mounts, read at every interface."""
    if kilograms and _put(work, kilograms, None):
        interfaces(work, state(name, live + _weights(work, "weights spread") + kilograms))


def _weights(work: Work, name: str) -> Uncertain:
    return work.run.uncertainties.shared(name, work.plan.loads.uncertainty_kilograms)


def state(name: str, live: Uncertain, corner: int | None = None) -> LoadState:
    """Return the state of a live load that carries its influences."""
    return LoadState(name=name, live=live.x, u_live=live.u, corner=corner, measured=live)


def corners(work: Work, round_: str) -> None:
    """The same weight over each mount in turn."""
    kilograms = work.plan.loads.corner_kilograms
    if not kilograms or len(work.chain.cells) < 2:
        return
    for index, cell in enumerate(work.chain.cells):
        if not _put(work, kilograms, index + 1):
            continue
        name = f"{round_}corner {index + 1}"
        live: Uncertain = _weights(work, "weight over a mount") + kilograms
        work.states[name] = state(name, live, index)
        with work.run.check("corner", f"{round_}{cell.name}") as check:
            check.wait(work.plan.settle_s, "filters of transmitter and input")
            shown = display(work, check, f"weight over {cell.name}")
            work.keep(shown_row(work, Kind.SHOWN, shown, state=name))


def loads_as_left(work: Work, live: Uncertain) -> None:
    """c15: one point with a test weight, and the corners once more."""
    known(work, live, work.plan.loads.as_left_kilograms, f"{AS_LEFT}, known load")
    corners(work, f"{AS_LEFT}, ")
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
