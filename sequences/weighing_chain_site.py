"""Steps that begin and end a visit: papers, permit, area, log as found, restore list."""

from __future__ import annotations

from acq.analysis.chain_steps import AREA, HANGING, INHIBIT, NO_INSULATION
from acq.cells import paper_units as units
from acq.readings.measured import Uncertain
from acq.runs.prompts import Prompt
from sequences.weighing_chain_work import SUPPLY, Work, display, refuse, typed_number

NOT_HAZARDOUS, CLEARED, IN_THE_ZONE = "not hazardous", "gas-free", "zone"

RESTORE = (
    "signal pairs in the box and at the transmitter, terminals tight",
    "sense links as found, and only there",
    "glands and covers closed, desiccant fresh",
    "loop closed by its own wires, no test lead left",
    "weights taken off, lifting gear away",
    "forced values removed, by operations",
    "inhibits removed, by operations",
)


def papers(work: Work) -> None:
    """c1: which documents; c2: permit and inhibits, by operations."""
    simulated = "simulated, no plant"
    with work.run.check("papers") as check:
        for what in (
            "Documents at hand with revision: loop drawing, cell sheets, box drawing, transmitter"
            " range, control-system scaling, last as-left",
            "Permit to work: number",
            "Inhibits, forced values and manual control, set by operations: which, and by whom",
            "Process state: agitator, heating, pressure, valves",
        ):
            check.ask(Prompt(text=what, caution=INHIBIT, choices=(), by_itself=simulated))
        for note in work.visit.notes:
            check.keep("note", "papers", {"text": note})


def area_allows(work: Work) -> bool:
    """c3: in the zone nothing is connected. The word must be typed: no key means yes."""
    text = (
        "Hazardous area? Type 'not hazardous', 'gas-free' when there is a written clearance, or"
        " 'zone'"
    )
    allowed = (NOT_HAZARDOUS, CLEARED, IN_THE_ZONE)
    with work.run.check("hazardous area") as check:
        caution = f"{AREA} {NO_INSULATION}"
        said = ""
        while said not in allowed:
            prompt = Prompt(text=text, caution=caution, choices=(), by_itself=NOT_HAZARDOUS)
            said = check.ask(prompt).strip().lower()
        if said == CLEARED:
            clearance = "Number of the gas-free clearance, and until when"
            check.ask(Prompt(text=clearance, choices=(), by_itself="none"))
        if said == IN_THE_ZONE:
            refuse(check, "in the zone: nothing is connected")
    return said != IN_THE_ZONE


def log(work: Work, round_: str, minutes: float) -> None:
    """c4 and c15: hands off, the displayed weight for some minutes."""
    plan, name = work.plan, f"{round_} log"
    with work.run.check(name) as check:
        text = "Hands off: zero nothing, adjust nothing, touch nothing until it is written down."
        check.ask(Prompt(text=text, caution=HANGING))
        check.ask(Prompt(text="Type what the transmitter shows", choices=(), display="transmitter"))
        seen: list[float | None] = []
        for _ in range(1 + int(minutes * 60.0 / plan.log_interval_s)):
            if seen:
                check.wait(plan.log_interval_s, f"{name}, hands off")
            seen.append(display(work, check, name))
        known = [value for value in seen if value is not None]
        if known:
            check.keep("log", "display, kg", {"lowest": min(known), "highest": max(known)})


def mechanics(work: Work) -> None:
    """c5: what eyes and fingers find; no source can ever show it."""
    text = (
        "Look at the mechanics: free movement, debris and shims, check rods finger-loose, gap of"
        " the stops, pipes and hoses, cable not bearing, level. What was seen"
    )
    with work.run.check("mechanics") as check:
        check.ask(Prompt(text=text, caution=HANGING, choices=(), by_itself="nothing that binds"))


def content(work: Work, round_: str) -> Uncertain:
    """What lies in the vessel now, kg, with its standard uncertainty."""
    with work.run.check("content", round_) as check:
        live = typed_number(check, "Content of the vessel now, kg", units.MASS, "kg", "0 kg")
        unsure = typed_number(
            check, "How far that may be off, kg (standard uncertainty)", units.MASS, "kg", "0.2 kg"
        )
    name = f"content of the vessel, {round_}"
    found: Uncertain = work.run.uncertainties.shared(name, abs(unsure or 0.0)) + (live or 0.0)
    return found


def restore(work: Work, *, connected: bool) -> None:
    """c16: ticked one by one; the visit cannot be closed while one is not."""
    items = [*RESTORE] if connected else [*RESTORE[-2:]]
    if connected:
        items[1:1] = [
            f"{wire} {'on again' if wire == SUPPLY else 'back on its terminal'}"
            for wire in work.lifted
        ]
        items[1:1] = [f"{name} taken off" for name in work.fitted]
    for item in items:
        with work.run.check("restore", item) as check:
            text, again = f"Restore list: {item}", ""
            while check.ask(Prompt(text=again + text, choices=("ticked", "not yet"))) != "ticked":
                again = "The visit is not closed before it is. "
            check.now()
    with work.run.check("handed back") as check:
        for who in ("Operations: inhibits and forces are off (name)", "Area owner (name)"):
            check.ask(Prompt(text=who, choices=(), by_itself="simulated"))
