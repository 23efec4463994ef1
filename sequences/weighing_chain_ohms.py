"""c12: each cell's ohms and insulation at the box, supply off and the cell disconnected."""

from __future__ import annotations

from acq.analysis.chain_papers import Kind
from acq.analysis.chain_steps import AREA, INHIBIT, NO_INSULATION
from acq.bench.bench import Request
from acq.bench.connections import Connection, Join, PlantTerminal
from acq.errors import WrongInput
from acq.readings.conformity import Limit
from acq.readings.measured import Bound, Measured, is_number
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from drivers.by_hand import NotUnderstoodError, parse_typed
from sequences.weighing_chain_meters import clips_off, read, volts
from sequences.weighing_chain_work import (
    ATTEMPTS,
    SUPPLY,
    Work,
    lift,
    put_back,
    refuse,
    row,
    whole_again,
)

OFF = (
    "Switch the transmitter's supply off and secure it; the loop goes to its failure value:"
    " inhibits first."
)
DISCONNECTED = (
    "Supply off and locked, every lead of this cell off its terminal: ohms through anything else"
    " are the ohms of that, too."
)
PAIRS = (("Ex+", "Ex-"), ("S+", "S-"), ("Ex+", "S+"), ("S+", "Ex-"), ("Ex-", "S-"), ("S-", "Ex+"))
KINDS = {PAIRS[0]: Kind.INPUT_OHMS, PAIRS[1]: Kind.OUTPUT_OHMS}


def cold_ohms(work: Work) -> None:
    """Six ohms of each cell at its box terminals, then its insulation where there is a tester."""
    if not work.plan.ohms.measure:
        return
    for number, cell in enumerate(work.chain.cells, 1):
        wires = [f"cell {number} terminal {lead}" for lead in _leads(cell.wires)]
        with work.run.check("cold cell", f"{number} {cell.name}") as check:
            whole_again(work, check, [*wires, SUPPLY])
            lift(work, check, [SUPPLY], "the transmitter's supply: OFF", f"{OFF} {INHIBIT}")
            if because := _not_dead(work, check, number):
                refuse(check, because)
            else:
                what = f"every lead of {cell.name} (input {number}) in the box"
                lift(work, check, wires, what, f"{DISCONNECTED} {AREA}")
                found = {pair: _ohms(work, check, number, pair) for pair in PAIRS}
                for pair, measured in found.items():
                    name = f"{cell.name} cold, {pair[0]} to {pair[1]}"
                    check.finding(name, "resistance", "ohm", measured)
                for pair, kind in KINDS.items():
                    work.keep(row(kind, found[pair], cell=number - 1))
                clips_off(work, check)
                _insulation(work, check, cell.name, f"every lead of {cell.name}")
                put_back(check, wires, what)
            put_back(check, [SUPPLY], "the transmitter's supply: ON")
    _home_run(work)


def _home_run(work: Work) -> None:
    """The insulation of the home-run cable, both ends off; its ohms show in the excitation."""
    if not work.plan.ohms.insulation_volts:
        return
    sense = ("Se+", "Se-") if work.chain.sensed else ()
    wires = [f"home run {lead}" for lead in ("Ex+", "Ex-", *sense, "S+", "S-")]
    with work.run.check("cold home run") as check:
        whole_again(work, check, [*wires, SUPPLY])
        if not _wanted(work, check, "the home-run cable"):
            check.withhold("insulation of the home-run cable not measured")
            return
        lift(work, check, [SUPPLY], "the transmitter's supply: OFF", f"{OFF} {INHIBIT}")
        lift(work, check, wires, "the home run at both ends", f"{DISCONNECTED} {AREA}")
        _typed_insulation(work, check, "home-run cable", "its conductors")
        put_back(check, wires, "the home run at both ends")
        put_back(check, [SUPPLY], "the transmitter's supply: ON")


def _insulation(work: Work, check: Check, name: str, what: str) -> None:
    if work.plan.ohms.insulation_volts and _wanted(work, check, name):
        _typed_insulation(work, check, name, what)


def _wanted(work: Work, check: Check, name: str) -> bool:
    """No key means yes to a test voltage: what Return means is to go on without."""
    volts_ = work.plan.ohms.insulation_volts
    text = f"Insulation of {name} at {volts_:g} V, by your tester: measure it now?"
    caution = f"{NO_INSULATION} {AREA}"
    return check.ask(Prompt(text=text, caution=caution, choices=("go on without", "measure"))) == (
        "measure"
    )


def _typed_insulation(work: Work, check: Check, name: str, what: str) -> None:
    """Read by hand and typed with its unit; judged against what the plan allows."""
    plan = work.plan.ohms
    text = (
        f"Transmitter, barriers and surge devices disconnected; join {what}, test against shield"
        f" and housing together at {plan.insulation_volts:g} V for {plan.insulation_seconds:g} s,"
        " discharge before you touch it. Type the value with its unit, such as 5 Gohm or"
        " > 20 Gohm"
    )
    problem = ""
    for _ in range(ATTEMPTS):
        prompt = Prompt(text=f"{problem}{text}", caution=NO_INSULATION, choices=())
        try:
            value, limit = parse_typed(check.ask(prompt).strip(), "ohm", "ohm")
        except NotUnderstoodError as error:
            problem = f"{error}. "
            continue
        break
    else:
        raise WrongInput(f"insulation of {name}: not understood after {ATTEMPTS} attempts")
    share = plan.insulation_accuracy_share
    number = value or 0.0
    measured: Measured = work.run.uncertainties.fresh("tester by hand", share * number) + number
    if limit is not None:
        measured = Bound(number, limit, share * number, "tester by hand")
    least = Limit(plan.insulation_at_least_ohms, None, "ohm", plan.source)
    check.finding(
        f"insulation of {name}", "insulation-resistance", "ohm", measured, [least],
        rule=work.plan.rule, share=None,
        marks=[f"by hand at {plan.insulation_volts:g} V after {plan.insulation_seconds:g} s"],
    )  # fmt: skip


def _leads(wires: int) -> tuple[str, ...]:
    sense = ("Se+", "Se-") if wires == 6 else ()
    return ("Ex+", "Ex-", *sense, "S+", "S-")


def _not_dead(work: Work, check: Check, number: int) -> str:
    """Say why the cell is not proven dead; the meter is on volts, not yet on ohms."""
    ends = f"cell {number} Ex+", f"cell {number} Ex-"
    left = volts(work, check, *ends, work.chain.terminal_volts)
    clips_off(work, check)
    allowed = work.plan.ohms.dead_below_volts
    if is_number(left) and abs(left.x) <= allowed:
        return ""
    shown = f"{left.x:.3g} V" if is_number(left) else "no number"
    return f"supply not proven off: {shown} on {ends[0]} ({allowed:g} V allowed)"


def _ohms(work: Work, check: Check, number: int, pair: tuple[str, str]) -> Measured:
    """Four-wire ohms between two leads of a disconnected cell."""
    high, low = (PlantTerminal(f"cell {number} {lead}") for lead in pair)
    joins = {
        Join("dmm HI", high), Join("dmm sense HI", high),
        Join("dmm LO", low), Join("dmm sense LO", low),
    }  # fmt: skip
    at = Connection(f"ohms {high} to {low}", frozenset(joins))
    largest = max(work.chain.cells[number - 1].input_ohms, 1.0)
    plc = work.plan.power_line_cycles
    for range_ in work.run.ranges("dmm", "resistance", 1.2 * largest):
        request = Request(quantity="resistance", range_=range_, plc=plc, offset_compensation=True)
        taken = [read(work, check, request, at) for _ in range(work.plan.readings)]
        if taken[0].is_number:
            break
    return work.run.uncertainties.mean(taken)
