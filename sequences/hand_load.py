"""A small load by hand: does the cell answer with the right sign and in proportion?"""

from __future__ import annotations

from typing import Any

from acq.errors import WrongInput
from acq.readings.rules import Limit
from acq.readings.units import read_value
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from sequences import exciting, steps
from sequences.acceptance_plan import AcceptancePlan, HandLoad
from sequences.diagnosis import Seen
from sequences.exciting import POWERED
from sequences.judging import judge

CAUTION = (
    "Lift with both hands, stand clear of what may fall or tip, never under a load. Not more than"
    " the mass named: a cracked cell can fail under load."
)
USUAL_GRAVITY = 9.81


def hand_load(run: Run[AcceptancePlan], seen: Seen) -> None:
    """Read before, with and after a known mass; polarity and life before any rig."""
    plan = run.plan.hand_load
    if plan is None:
        return
    capacity, rated = run.cell.capacity, run.cell.rated_output
    if capacity is None or rated is None:
        because = "no paper gives capacity and rated output"
        run.withhold(seen.named("hand load"), "rated output", "V/V", because)
        return
    most = _kilograms_of(capacity) * plan.at_most_percent / 100.0
    with run.check("hand load", needs=POWERED) as check:
        kilograms = plan.kilograms or _asked(check, most)
        if kilograms > most:
            raise WrongInput(f"hand load: {kilograms:g} kg is above {most:.4g} kg allowed here")
        before = _ratio(run, check, seen)
        check.ask(_load_prompt(f"Put {kilograms:g} kg on the cell, gently", kilograms))
        check.wait(plan.settle_s, "the load comes to rest")
        loaded = _ratio(run, check, seen)
        check.ask(_load_prompt(f"Take the {kilograms:g} kg off again", 0.0))
        check.wait(plan.settle_s, "the cell comes to rest")
        after = _ratio(run, check, seen)
        expected = rated * kilograms / _kilograms_of(capacity)
        _findings(check, seen, plan, before, loaded, after, expected, rated)


def _findings(
    check: Check,
    seen: Seen,
    plan: HandLoad,
    before: Any,
    loaded: Any,
    after: Any,
    expected: float,
    rated: float,
) -> None:
    allowed = abs(expected) * plan.agree_percent / 100.0
    about = Limit(expected - allowed, expected + allowed, "V/V", plan.source)
    change = loaded - before
    marks = (
        ("the sign is reversed: S+ with S-, or Ex+ with Ex-",) if change.x * expected < 0 else ()
    )
    name = "output of a hand load"
    judge(check, seen, plan, name, "rated output", "V/V", change, [about], marks=marks)
    back = abs(rated) * plan.return_percent / 100.0
    limit = Limit(-back, back, "V/V", plan.source)
    judge(
        check, seen, plan, "return of a hand load", "zero balance", "V/V", after - before, [limit]
    )


def _ratio(run: Run[AcceptancePlan], check: Check, seen: Seen) -> Any:
    read: Any = steps.signal_and_excitation(run, check, exciting.sensed_wires(run, seen))
    return read.signal / read.excitation


def _asked(check: Check, most: float) -> float:
    text = f"Which mass will you put on by hand, in kg (at most {most:.4g})?"
    while True:
        typed = check.ask(Prompt(text=text, caution=CAUTION, choices=()))
        try:
            value, _ = read_value(typed, "kg")
        except ValueError:
            value = None
        if value is not None and 0.0 < value <= most:
            return value
        text = f"A mass in kg above 0 and at most {most:.4g} is needed, got {typed!r}. Which?"


def _load_prompt(text: str, kilograms: float) -> Prompt:
    return Prompt(text=f"{text}.", caution=CAUTION, load={"kilograms": kilograms})


def _kilograms_of(capacity: Any) -> float:
    """Return a capacity as a mass; a force by the usual gravity: 5 % of it are allowed here."""
    if capacity.unit == "kg":
        return float(capacity.value)
    return float(capacity.value) / USUAL_GRAVITY
