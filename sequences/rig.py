"""The rig steps that load sequences share: exercise, put a load on, wait for it, read.

One `AtRig` goes with one cell through one run. What it remembers (present load, output, zero)
comes from effects, so that it is the same in a replay. Nothing here excites: the caller keeps
the excitation on around all of it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from acq.analysis.reading_times import reading_time_s
from acq.bench.bench import Request
from acq.bench.connections import Polarity
from acq.bench.loading import Applied
from acq.cells.paper_fields import Load
from acq.errors import Stopped, WrongInput
from acq.readings.gravity import STANDARD_GRAVITY
from acq.runs.check import Check
from acq.runs.prompts import Prompt
from acq.runs.run import Run
from sequences import steps
from sequences.load_plan import Exercise
from sequences.load_watch import LoadWatch
from sequences.outputs import Outputs, Scale, Taken, without_emf
from sequences.rig_prompts import caution, load_text
from sequences.spoilt import Spoilt

_NEAR = 1e-9
_UNKNOWN_OUTPUT_SHARE = 0.25  # what the output may be off before the first preload taught it
_CORRECTIONS = 3
_POLL_PLC = 1.0
_LONGEST_LEAD_S = 5.0


class AtRig:
    """A cell at the rig. `direction` is +1, or -1 where its output goes the other way.

    Raises WrongInput for a cell that its papers do not let be loaded this way.
    """

    def __init__(self, run: Run[Any], part: Exercise, direction: float = 1.0) -> None:
        self.run, self.part, self.direction = run, part, direction
        self.loading = run.loading
        if objection := run.cell.direction_objection(part.direction):
            raise WrongInput(
                f'direction = "{part.direction}" in the plan: cell {run.cell.serial}: {objection}'
            )
        self.capacity = capacity_of(run)
        self.most = self.capacity.value * part.maximum_percent / 100.0
        self.notes: list[str] = []
        rated = run.cell.rated_output
        if rated is None:
            raise WrongInput(
                f"cell {run.cell.serial}: no paper gives its rated output, so no load can be"
                " recognised; add rated_output to its data sheet"
            )
        self.excitation_volts = min(run.plan.excitation.volts, run.cell.excitation)
        self.full_volts = direction * rated * self.excitation_volts
        self.outputs = Outputs(run, part.reading, self.excitation_volts, abs(self.full_volts))
        self.load = 0.0
        self.minimum = 0.0
        self._volts: float | None = None  # the signal at rest now
        self._zero_volts: float | None = None
        self._learnt = False
        self._sitting: int | None = None
        self._lowest_volts = 0.0
        self._exercising = False  # preloads may overshoot on their way down
        self._falling = False  # whether the present load was reached from a larger one
        self._stands = False  # whether anything was put on or taken off in this sitting

    @property
    def scale(self) -> Scale:
        """What the results are reckoned with."""
        return Scale(
            uncertainties=self.run.uncertainties,
            volts=self.excitation_volts,
            slope=self.full_volts / self.excitation_volts / self.capacity.value,
            capacity=self.capacity.value,
            direction=self.direction,
            by_force=self.loading.by_force,
        )

    # --- loads

    def applied(self, percent: float) -> Applied:
        """Return the load of so many percent of the capacity. Raises WrongInput."""
        wanted = self.capacity.value * percent / 100.0
        if self.loading.by_force:  # a jack goes a little beyond its aim, never beyond the capacity
            wanted *= 1.0 - self.part.jack_margin_percent / 100.0
        within = self.capacity.value * self.part.within_percent / 100.0
        made = self.loading.applied(wanted, self.capacity.unit, self.most, within)
        if made.value > self.most * (1 + 1e-4):
            raise WrongInput(
                f"{made.value:g} {self.capacity.unit} is beyond {self.most:g}"
                f" {self.capacity.unit}, the most that plan and capacity allow"
            )
        return made

    def reading_s(self, change: float) -> float:
        """Return when to read after this change of load, by R 60's table."""
        kilograms = change
        if self.capacity.unit == "N":
            gravity = self.loading.gravity
            kilograms = change / (gravity.value if gravity else STANDARD_GRAVITY)
        return reading_time_s(kilograms, self.part.reading_class)

    def begin(self, check: Check) -> None:
        """Begin a check at the rig; after an interruption the cell is exercised again."""
        sitting = check.sitting()
        before, self._sitting = self._sitting, sitting
        if before is not None and sitting != before:
            self._volts, self._stands, self.load = None, False, self.minimum
            warm_s = self.run.plan.excitation.warm_up_s
            check.wait(warm_s, "the run was interrupted: cell and supply warm up again")
            self.notes.append(f"{check.key}: after an interruption exercised again")
            self.exercise(check, self.part.wait_s)

    def exercise(self, check: Check, wait_s: float) -> None:
        """Preload, back to the minimum load each time, and wait."""
        top, rest = self.applied(self.part.maximum_percent), self.applied(self._minimum_percent)
        if self.part.preloads:
            top = self.applied(self._top_percent)
        self._exercising = True
        self.bring(check, rest, "before the preloads")
        for number in range(1, self.part.preloads + 1):
            title = f"preload {number} of {self.part.preloads}"
            self.bring(check, top, title)
            check.wait(self.part.preload_hold_s, f"{title}: it stays on")
            self.bring(check, rest, f"{title}, off again")
        self._exercising = False
        check.wait(wait_s, "the cell rests at the minimum load after the preloads")
        self._volts = None  # it has crept back meanwhile

    _minimum_percent = 0.0
    _top_percent = 100.0

    def span(self, minimum_percent: float, top_percent: float) -> None:
        """Say between which loads the cell is exercised; looks whether they can be made."""
        self._minimum_percent, self._top_percent = minimum_percent, top_percent
        self.minimum = self.applied(minimum_percent).value
        self.applied(top_percent)

    def bring(
        self, check: Check, applied: Applied, title: str, corner: int | None = None
    ) -> float | None:
        """Have a load brought about and wait until it stands.

        Return when the change began (s of bench time), None when nothing had to change. Raises
        Spoilt when the load went too far for a run.
        """
        before, step = self.load, applied.value - self.load
        unchanged = abs(step) <= _NEAR * self.capacity.value and corner is None
        if not self._stands:
            # what hangs there now nobody has seen: a person says so
            prompt = self._prompt(applied, title, corner)
            check.ask(replace(prompt, text=f"{prompt.text}. Done?", choices=("done",)))
            self._volts, self._stands, unchanged = None, True, True
        elif not unchanged:
            check.tell(self._prompt(applied, title, corner))
            self._falling = step < 0.0
        seen = self._watched(check, applied, 0.0 if unchanged else step, title)
        try:
            seen = self._checked(check, applied, title, before, seen)
        except Spoilt:
            self._volts = seen["volts"]
            raise
        self.load = applied.value
        self._volts = seen["volts"]
        beyond = math.copysign(seen["overshoot"] or 0.0, self.full_volts)
        rest = math.nan if seen["volts"] is None else seen["volts"]
        self._lowest_volts = rest - beyond  # of a falling step
        self._learn(applied)
        return None if unchanged or seen["started_ns"] is None else seen["started_ns"] / 1e9

    def _checked(
        self, check: Check, applied: Applied, title: str, before: float, seen: dict[str, Any]
    ) -> dict[str, Any]:
        """Have a wrong load corrected, a few times at most. Raises Spoilt."""
        for _ in range(_CORRECTIONS):
            wrong = self._wrong(applied, before, seen)
            if not wrong:
                return seen
            seen = self._corrected(check, applied, title, wrong, before, seen)
        return seen

    def unload(self, check: Check, rest: Applied, title: str) -> None:
        """Have everything taken off and wait for rest, whatever hangs there."""
        self._stands, self._falling = False, True
        self.load = rest.value
        self.bring(check, rest, title)

    # --- outputs

    def point(self, check: Check, applied: Applied, title: str, corner: int | None = None) -> Taken:
        """Bring about a load and read the output when the table says so."""
        change, falls = abs(applied.value - self.load), applied.value < self.load
        if corner is not None:
            change = max(change, applied.value)
        started_s = self.bring(check, applied, title, corner)
        due_s = None if started_s is None else self.reading_s(change)
        if started_s is not None and due_s is not None:
            left = started_s + due_s - self.lead_s - self.now_s
            if left > 0:
                self.wait(check, left, f"{title}: read {due_s:g} s after the load began to change")
        step = 0.0 if started_s is None else change
        taken = self.taken(check, applied, started_s, due_s, step)
        if falls and step:
            self._refuse_overshoot(applied, step)
        return taken

    def _refuse_overshoot(self, applied: Applied, step: float) -> None:
        """A jack may stand a while where it went too far and creep back until it is read."""
        assert self._volts is not None
        rated = math.copysign(1.0, self.full_volts)
        back = (self._volts - self._lowest_volts) * rated / abs(self.full_volts)
        if back > self.part.watching.overshoot_share * step / self.capacity.value:
            raise Spoilt(
                f"overshoot on the falling branch at {applied.text}, seen when it was read"
            )

    def wait(self, check: Check, seconds: float, because: str) -> None:
        """Let time pass with the load on."""
        check.wait(seconds, because)
        self.now_s += seconds

    def taken(
        self,
        check: Check,
        applied: Applied,
        started_s: float | None = None,
        due_s: float | None = None,
        step: float = 0.0,
    ) -> Taken:
        """Read excitation and signal as they belong together; the load stands already.

        `step` is the change of load that it still swings from; 0 where it has come to rest.
        """
        began_s = self.now_s
        output = self.outputs.read(check)
        signals = output.signals
        at_ns = (signals[0].started_ns + signals[-1].ended_ns) // 2
        if began_s:
            self._lead_s = min(at_ns / 1e9 - began_s, _LONGEST_LEAD_S)
        self.now_s = signals[-1].ended_ns / 1e9
        self._volts = sum(each.value or 0.0 for each in signals) / len(signals)
        if abs(applied.value - self.minimum) <= _NEAR * self.capacity.value:
            self._zero_volts = self._volts
        value, kept = applied.value, applied.reached_falling if self._falling else applied
        if output.force is not None:
            value = self.loading.in_unit(float(output.force.x), self.capacity.unit)
            spread = self.loading.in_unit(output.force.u, self.capacity.unit)
            errors = {**kept.errors, "reference indicator, reading": spread}
            kept = replace(applied, value=value, errors=errors)
        after = None if started_s is None else at_ns / 1e9 - started_s
        return Taken(
            output.ratio, at_ns, after, due_s, value, kept, tuple(signals), output.below, step
        )

    def both_polarities(self, check: Check, applied: Applied, first: Taken) -> Taken:
        """Read the same load reversed and normal again, and take off what does not turn."""
        turned = []
        for side in (Polarity.REVERSED, Polarity.NORMAL):
            check.turn(side)
            self.wait(check, self.run.plan.zero.settle_s, f"settling after {side.value} excitation")
            self.now_s = 0.0  # what the change-over took says nothing of a reading's own lead
            turned.append(self.taken(check, applied))
        back, again = turned
        ratio = without_emf(first.ratio, back.ratio, again.ratio)
        return replace(first, ratio=ratio, turned=(back, again))

    @property
    def lead_s(self) -> float:
        """How long before the reading time it is begun, so that the signals' middle lies there."""
        if self._lead_s:
            return self._lead_s
        cycle_s = 0.021 * self.part.reading.power_line_cycles
        return 1.5 * cycle_s + 0.5 * self.part.reading.readings * cycle_s

    _lead_s = 0.0
    now_s = 0.0

    # --- watching

    def _prompt(self, applied: Applied, title: str, corner: int | None) -> Prompt:
        signed = {name: self.direction * value for name, value in applied.hand.items()}
        hand = signed if corner is None else {**signed, "corner": float(corner)}
        text = load_text(applied, title, self.load, self.capacity.unit, corner)
        warned = caution(self.loading.rig.kind, tension=self.direction_name == "tension")
        return Prompt(text=text, caution=warned, choices=(), load=hand)

    direction_name = ""

    def _watched(self, check: Check, applied: Applied, step: float, title: str) -> dict[str, Any]:
        per_unit = self.full_volts / self.capacity.value
        while True:
            watch = LoadWatch(
                self.part.watching,
                what=f"{title}, {applied.text}",
                before_volts=self._volts,
                step_volts=step * per_unit,
                full_volts=self.full_volts,
            )
            seen = check.watch(self._polled(), watch, across=steps.SIGNAL)
            self.now_s = seen["ended_ns"] / 1e9
            if seen["outcome"] == "at rest":
                return seen
            prompt = Prompt(
                text=f"{title}: {seen['outcome']} in {self.part.watching.patience_s:g} s."
                " Look at the rig; go on waiting?",
                choices=("go on", "stop"),
            )
            if check.ask(prompt) == "stop":
                raise Stopped(f"{title}: {seen['outcome']}; stopped at the prompt")

    def _polled(self) -> Request:
        return self.outputs.signal(_POLL_PLC)

    def _wrong(self, applied: Applied, before: float, seen: dict[str, Any]) -> str:
        """Return what is wrong with the load that came to rest; empty when nothing is."""
        if self._zero_volts is None or seen["volts"] is None:
            return ""
        found = (seen["volts"] - self._zero_volts) / self.full_volts * self.capacity.value
        found += self.minimum
        allowed = self.part.watching.wrong_load_share * self.capacity.value
        if not self._learnt:
            allowed += _UNKNOWN_OUTPUT_SHARE * applied.value
        step = applied.value - before
        if abs(found - applied.value) > allowed:
            unit = self.capacity.unit
            return f"the output says about {found:.4g} {unit}, {applied.value:.6g} {unit} is due"
        spoilt = self.part.watching.overshoot_share * abs(step) / self.capacity.value
        if (
            step < 0
            and not self._exercising
            and (seen["overshoot"] or 0.0) / abs(self.full_volts) > spoilt
        ):
            raise Spoilt(f"overshoot on the falling branch at {applied.text}")
        return ""

    def _corrected(
        self,
        check: Check,
        applied: Applied,
        title: str,
        wrong: str,
        before: float,
        seen: dict[str, Any],
    ) -> dict[str, Any]:
        """Have a wrong load corrected where that needs no way back; else the run is spoilt."""
        assert self._zero_volts is not None
        found = (seen["volts"] - self._zero_volts) / self.full_volts * self.capacity.value
        rising = applied.value >= before
        if (found > applied.value) if rising else (found < applied.value):
            raise Spoilt(f"{title}: {wrong}: the load went too far")
        way = "put on what is missing" if rising else "take off what is too much"
        answer = check.ask(
            Prompt(
                text=f"{title}: {wrong}. Please {way}, never the other way round. Corrected?",
                caution=caution(self.loading.rig.kind, tension=self.direction_name == "tension"),
                choices=("corrected", "keep", "stop"),
                load={name: self.direction * value for name, value in applied.hand.items()},
            )
        )
        if answer == "stop":
            raise Stopped(f"{title}: {wrong}")
        self.notes.append(f"{title}: {wrong}; {answer}")
        if answer == "keep":
            return {**seen, "volts": None}
        self._volts = None
        return self._watched(check, applied, 0.0, title) | {"started_ns": self._now_ns(seen)}

    def _now_ns(self, seen: dict[str, Any]) -> int:
        """A corrected load began to change when the wrong one had come to rest, at the earliest."""
        return int(seen["ended_ns"])

    def _learn(self, applied: Applied) -> None:
        """The first preload tells what the capacity really gives, for recognising loads."""
        at_minimum = abs(applied.value - self.minimum) <= _NEAR * self.capacity.value
        if self._volts is None:
            return
        if at_minimum:
            self._zero_volts = self._volts
        elif not self._learnt and self._zero_volts is not None:
            share = (applied.value - self.minimum) / self.capacity.value
            if share > 0.2:
                self.full_volts = (self._volts - self._zero_volts) / share
                self._learnt = True


def capacity_of(run: Run[Any]) -> Load:
    """Return the capacity that the papers give. Raises WrongInput when none does."""
    capacity = run.cell.capacity
    if capacity is None:
        raise WrongInput(
            f"cell {run.cell.serial}: no paper gives its capacity; nothing is loaded without it"
        )
    return capacity
