"""One load series in one direction: preloads, runs up and down, and what comes of them.

A run is one check: its points belong together, and a run that was cut off is measured again
after new preloads. `load_series`, `acceptance` (as found) and others use it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from acq.analysis.load_results import LoadResults
from acq.analysis.load_series import (
    Direction,
)
from acq.analysis.oiml_r60 import accuracy_class
from acq.bench.bench import Request
from acq.bench.connections import Polarity
from acq.bench.loading import Applied
from acq.errors import WrongInput
from acq.readings.corrections import RECTANGULAR
from acq.readings.reading import Reading
from acq.runs.check import Check
from acq.runs.effects import Needs
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from sequences import steps
from sequences.load_gates import POWERED
from sequences.load_plan import Series
from sequences.outputs import Taken
from sequences.rig import AtRig
from sequences.room import asked_temperature
from sequences.spoilt import Spoilt

NO_CLASS = "none"
LOAD_FINDINGS = ("rated output", "zero return", "non-linearity", "hysteresis", "combined error")


@dataclass(frozen=True, slots=True)
class Step:
    """One point of a run, ready to be put on."""

    applied: Applied
    direction: Direction


@dataclass(slots=True)
class Measured:
    """What was measured of one direction: the points of every run that holds."""

    runs: list[list[tuple[Step, Taken]]] = field(default_factory=list)
    rooms: list[Reading] = field(default_factory=list)  # of the thermometer
    told_celsius: list[float] = field(default_factory=list)  # read by a person without one
    emf_volts: list[float] = field(default_factory=list)
    returns: list[tuple[float, Taken]] = field(default_factory=list)  # seconds, zero again
    found: LoadResults | None = None

    @property
    def temperature(self) -> float | None:
        """The mean of the room's readings in degC, as it is stated; None where nobody knows."""
        known = self.celsius
        return round(sum(known) / len(known), 1) if known else None

    @property
    def celsius(self) -> list[float]:
        read = [each.value for each in self.rooms if each.value is not None]
        return read or self.told_celsius


def steps_of(rig: AtRig, part: Series) -> list[Step]:
    """Return the points of a run. Raises WrongInput for a load that cannot or must not be made."""
    rising = [Step(rig.applied(each), Direction.UP) for each in part.points_percent]
    falling = [Step(each.applied, Direction.DOWN) for each in reversed(rising[:-1])]
    return [*rising, *(falling if part.falling else [])]


def prepared(run: Run[Any], part: Series, direction: float = 1.0, name: str = "") -> AtRig:
    """Return the rig with every load looked at: before anything is touched."""
    rig = AtRig(run, part, direction)
    rig.direction_name = name
    rig.span(part.points_percent[0], part.points_percent[-1])
    steps_of(rig, part)
    if part.reading.reversal == "every point":
        _refuse_reversal(run)
    return rig


def _refuse_reversal(run: Run[Any]) -> None:
    """Raise WrongInput where points cannot be read at both polarities."""
    objection = run.cell.reversal_objection
    if objection is None and not run.relays:
        objection = "no relays make the joins, and nobody re-clips a loaded cell at every point"
    if objection is not None:
        raise WrongInput(f'reversal = "every point" in the plan: {objection}')


def measured_series(run: Run[Any], rig: AtRig, part: Series, about: str = "") -> Measured:
    """Excite, warm up, preload and measure all runs; the bench ends unloaded and off."""
    taken = Measured()
    reverse = reversal_needed(run, rig, part)
    with run.excited(steps.excitation(run.cell, rig.excitation_volts)):
        with run.check(f"preloads{about}", needs=POWERED) as check:
            rig.begin(check)
            if run.plan.excitation.warm_up_s and about:
                check.wait(run.plan.excitation.warm_up_s, "warm again after mounting")
            rig.exercise(check, part.wait_s)
        if not reverse:
            for number in range(1, part.runs + 1):
                one_run(run, rig, part, taken, number, about)
            return taken
    for number in range(1, part.runs + 1):
        emf_at_zero(run, rig, part, taken, number, about)
        with run.excited(steps.excitation(run.cell, rig.excitation_volts)):
            one_run(run, rig, part, taken, number, about)
    return taken


def reversal_needed(run: Run[Any], rig: AtRig, part: Series) -> bool:
    """Whether a drifting EMF would take more than a third of what the lowest load may be off.

    Then the zero is read at both polarities before each run, and the drift is measured. Where it
    is too much still, only every point at both polarities helps: about twice the time.
    """
    wanted = part.reading.reversal
    if wanted != "where needed" or run.cell.reversal_objection is not None:
        return wanted == "always" and run.cell.reversal_objection is None
    return drift_is_too_much(run, rig, part, part.reading.emf_drift_volts)


def drift_is_too_much(run: Run[Any], rig: AtRig, part: Series, half_width_volts: float) -> bool:
    """Whether U of an EMF's drift is more than a third of a class's lowest limit."""
    symbol = class_symbol(run, part.accuracy_class)
    try:
        accuracy = accuracy_class(symbol) if symbol else None
    except WrongInput:
        accuracy = None  # the class test says why it cannot be
    if accuracy is None:
        return False
    volts_per_v = abs(rig.full_volts) / accuracy.intervals
    lowest = accuracy.mpe_v(0.0, part.apportioning)
    return bool(lowest * volts_per_v / 3.0 < 2.0 * half_width_volts / RECTANGULAR)


def class_symbol(run: Run[Any], wanted: str) -> str:
    """Return the class to test to: the plan's, else the data sheet's; empty for none."""
    if wanted == NO_CLASS:
        return ""
    return wanted or run.cell.data_sheet.accuracy_class


def emf_at_zero(
    run: Run[Any], rig: AtRig, part: Series, taken: Measured, number: int, about: str
) -> None:
    """The zero at both polarities before a run: what does not turn with the excitation."""
    ratios: dict[Polarity, Any] = {}
    for side in (Polarity.REVERSED, Polarity.NORMAL):
        with (
            run.excited(steps.excitation(run.cell, rig.excitation_volts), side),
            run.check("zero at the rig", f"{side.value}, run {number}{about}") as check,
        ):
            rig.begin(check)
            rig.wait(check, run.plan.zero.settle_s, f"settling after {side.value} excitation")
            rest = rig.applied(part.points_percent[0])
            ratios[side] = rig.taken(check, rest, None, None).ratio
    emf = (ratios[Polarity.NORMAL] - ratios[Polarity.REVERSED]) / 2.0
    taken.emf_volts.append(float(emf.x) * rig.excitation_volts)


def one_run(
    run: Run[Any], rig: AtRig, part: Series, taken: Measured, number: int, about: str
) -> None:
    """Measure one run; a spoilt one is kept with its reason and measured again."""
    for attempt in range(1, part.attempts + 1):
        again = "" if attempt == 1 else f", attempt {attempt}"
        with run.check("load run", f"{number}{about}{again}", Needs(mounted=True)) as check:
            rig.begin(check)
            if attempt > 1:
                rig.exercise(check, part.wait_s)
            room(run, check, taken, ask=bool(class_symbol(run, part.accuracy_class)))
            try:
                points = _points(rig, part, check, number, about, taken)
            except Spoilt as spoilt:
                _unload(rig, part, check)
                check.withhold(f"{spoilt}; the run is measured again")
                continue
            check.keep("loads", f"run {number}{about}", _table(points))
            taken.runs.append(points)
            return
    raise WrongInput(
        f"load run {number}{about} was spoilt {part.attempts} times: look at rig and hands before"
        " going on"
    )


def room(run: Run[Any], check: Check, taken: Measured, *, ask: bool = False) -> None:
    """Read what stands in the room; temperature is what a class statement names.

    Where it needs one (`ask`) and the bench has no thermometer, a person is asked.
    """
    if ask and not run.has("thermometer"):
        celsius = asked_temperature(check)
        taken.told_celsius += [] if celsius is None else [celsius]
    for role, quantity in (
        ("thermometer", "temperature"),
        ("hygrometer", "relative-humidity"),
        ("barometer", "pressure"),
    ):
        if run.has(role):
            reading = check.read(Request(quantity=quantity, role=role))
            if role == "thermometer" and reading.value is not None:
                taken.rooms.append(reading)


def _points(
    rig: AtRig, part: Series, check: Check, number: int, about: str, measured: Measured
) -> list[tuple[Step, Taken]]:
    points = []
    every = steps_of(rig, part)
    for place, step in enumerate(every, 1):
        title = f"run {number}{about}, point {place} of {len(every)} ({step.direction.value})"
        taken = rig.point(check, step.applied, title)
        if part.ask_after_each_point:
            taken = _asked(rig, check, step, taken, title)
        if part.reading.reversal == "every point":
            taken = rig.both_polarities(check, step.applied, taken)
        points.append((step, taken))
    for seconds in part.returns_s:
        since = points[-1][1]
        assert since.after_s is not None
        began = since.at_ns / 1e9 - since.after_s
        left = began + seconds - rig.lead_s - rig.now_s
        if left > 0:
            rig.wait(check, left, f"zero again {seconds:g} s after unloading began")
        rest = points[-1][0].applied
        later = rig.taken(check, rest, began, seconds)
        measured.returns.append((seconds, later))
    return points


def _asked(rig: AtRig, check: Check, step: Step, taken: Taken, title: str) -> Taken:
    """Have a point kept or read again, with the reason; the load stays where it is.

    Without a reason nothing is read again. What was read before stays in the journal.
    """
    began_s = None if taken.after_s is None else taken.at_ns / 1e9 - taken.after_s
    while True:
        shown = f"{1e3 * float(taken.ratio.x):.6f} mV/V"
        prompt = Prompt(text=f"{title}: {shown}. Keep it?", choices=("keep", "repeat"))
        if check.ask(prompt) == "keep":
            return taken
        reason = check.ask(Prompt(text="Why is it read again? Without a reason it is not."))
        if not reason.strip():
            continue
        again = rig.taken(check, step.applied, began_s, taken.due_s)
        rig.notes.append(f"{title}: {shown} read again: {reason.strip()}")
        taken = again


def _unload(rig: AtRig, part: Series, check: Check) -> None:
    """After a spoilt run: everything off, whatever the output says."""
    rest = rig.applied(part.points_percent[0])
    rig.unload(check, rest, "the run is spoilt")


def _table(points: Sequence[tuple[Step, Taken]]) -> list[dict[str, Any]]:
    return [
        {
            "direction": step.direction.value,
            "load": taken.load,
            "output": float(taken.ratio.x),
            "standard_uncertainty": float(taken.ratio.u),
            "seconds_after_change": taken.after_s,
            "due_seconds": taken.due_s,
        }
        for step, taken in points
    ]
