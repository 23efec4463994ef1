"""Outputs of a loaded cell: signal over excitation, read as they belong together.

One meter brackets its signals by the excitation; a second one reads it in the same instant; at a
jack the reference indicator is read while the meter integrates.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from acq.bench.bench import Request
from acq.bench.connections import volts
from acq.bench.loading import Applied
from acq.errors import WrongInput
from acq.readings.corrections import RECTANGULAR, bracketed
from acq.readings.measured import Uncertain, is_number
from acq.readings.reading import Reading as OneReading
from acq.readings.uncertainty import Uncertainties
from acq.runs.check import Check
from acq.runs.run import Run
from sequences import steps
from sequences.load_plan import Reading
from sequences.scatter import Scatter, scatter_of

RESIDUAL = "load: residual of the jack, while it lets go"
SWING = "swing of the load while it is read"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """What results of a load test are reckoned with: `slope` in V/V per unit of the capacity."""

    uncertainties: Uncertainties
    volts: float
    slope: float
    capacity: float
    direction: float = 1.0
    by_force: bool = False

    def with_errors_of_the_load(self, output: Any, applied: Applied) -> Any:
        """Return an output with what the load itself may be off, by the cell's slope.

        What weights, lever or reference cell share is one influence in all outputs; what was read
        for this load alone is its own.
        """
        total = output
        for name, error in applied.errors.items():
            own = name.endswith("reading")
            influence = (
                self.uncertainties.fresh(name, 1.0)
                if own
                else self.uncertainties.shared(f"load: {name}", 1.0)
            )
            total = total + influence * (abs(self.slope) * error)
        return total

    def residual(self, taken: Taken, before: Taken) -> Any:
        """Return what the jack still gives to an unloaded output, V/V; 0 on other rigs.

        The reference cell tells it, less what it showed at the zero `before`. A jack lets go as
        exp(-t/T): the step and what is left of it tell T, and so how much may differ between the
        reference reading and the signal, up to half the signal's time apart.
        """
        load = taken.load - before.load
        if not self.by_force or not load:
            return 0.0
        output, change = self.direction * self.slope * load, 0.0
        if taken.after_s and taken.step > abs(load):
            rate = math.log(taken.step / abs(load)) / taken.after_s
            change = min(1.0, rate * taken.half_s)
        spread = abs(output) * change / RECTANGULAR
        return output + self.uncertainties.shared(RESIDUAL, 1.0) * spread


class Output(NamedTuple):
    """One output: its signal readings, ratio in V/V, the excitation, the force where it is read."""

    signals: list[OneReading]
    ratio: Uncertain
    below: Any
    force: Uncertain | None = None


@dataclass(frozen=True, slots=True)
class Taken:
    """One output: ratio in V/V with its uncertainty, when it was taken, under which load."""

    ratio: Uncertain
    at_ns: int
    after_s: float | None  # since the load change began
    due_s: float | None  # when it should have been read by the table
    load: float
    applied: Applied
    signals: tuple[OneReading, ...] = ()
    below: Any = None  # the excitation that belongs to them
    step: float = 0.0  # the change of load that it follows at once, in the unit of the load
    turned: tuple[Taken, Taken] | None = None  # reversed, then normal again, under the same load

    @property
    def half_s(self) -> float:
        """Half the time that its signals took."""
        return (self.signals[-1].ended_ns - self.signals[0].started_ns) / 2e9

    def with_scatter(self, uncertainties: Uncertainties, scatter: Scatter) -> Any:
        """Return the ratio with the noise and the swing that the whole test shows.

        Where it was read at both polarities, without what does not turn with the excitation.
        """
        own = self._one_side(uncertainties, scatter)
        if self.turned is None:
            return own
        back, again = (each._one_side(uncertainties, scatter) for each in self.turned)
        return without_emf(own, back, again)

    def _one_side(self, uncertainties: Uncertainties, scatter: Scatter) -> Any:
        if scatter.noise is None or len(self.signals) < 2:
            return self.ratio
        signal: Any = uncertainties.mean(self.signals, scatter.noise)
        left = scatter.swing_left(self)
        if left is not None:
            signal = signal + uncertainties.fresh(SWING, *left)
        return signal / self.below


def without_emf(own: Any, back: Any, again: Any) -> Any:
    """Return a ratio less the EMF over the excitation; a drift of the ratio meanwhile cancels.

    `own` and `again` were read at normal excitation, `back` between them at the reversed one.
    """
    return own - ((own + again) / 2.0 - back) / 2.0


def scatter_of_test(
    taken: Sequence[Taken], uncertainties: Uncertainties, hertz: tuple[float, float]
) -> Scatter:
    """Return what the outputs of a test scatter, with the manual's word on the meter's noise."""
    signal = next((reading for each in taken for reading in each.signals), None)
    stated = 0.0 if signal is None else uncertainties.stated_noise(signal)
    return scatter_of(taken, hertz, stated)


class Outputs:
    """Reads outputs of one cell in the ranges that its rated output asks for, always the same."""

    def __init__(self, run: Run[Any], plan: Reading, volts_: float, full_volts: float) -> None:
        self._run, self._plan = run, plan
        self._volts, self._full_volts = volts_, full_volts

    def read(self, check: Check) -> Output:
        """Return one output. Raises WrongInput for what is over range."""
        if self._run.has("reference-indicator") and self._run.loading.by_force:
            return self._with_force(check)
        across, uncertainties = steps.sense_leads(self._run.cell), self._run.uncertainties
        count = self._plan.readings
        if self._run.has("second-dmm"):
            joined = volts(*steps.SIGNAL) | volts(*across, role="second-dmm")
            requests = [self.signal(), self.excitation("second-dmm")]
            pairs = [check.read_together(requests, joined) for _ in range(count)]
            signals = [pair[0] for pair in pairs]
            below = uncertainties.mean([pair[1] for pair in pairs])
            return self._output(signals, uncertainties.mean(signals), below)
        first = check.read(self.excitation(), across=across)
        signals = check.readings(self.signal(), count, across=steps.SIGNAL)
        last = check.read(self.excitation(), across=across)
        return self._output(signals, uncertainties.mean(signals), self._between(first, last))

    def _with_force(self, check: Check) -> Output:
        """The meter integrates while the reference indicator is read: one instant for both."""
        across, uncertainties = steps.sense_leads(self._run.cell), self._run.uncertainties
        first = check.read(self.excitation(), across=across)
        requests = [
            self.signal(self._plan.power_line_cycles * self._plan.readings),
            Request(quantity="force", role="reference-indicator"),
        ]
        signal, force = check.read_together(requests, volts(*steps.SIGNAL))
        last = check.read(self.excitation(), across=across)
        measured = uncertainties.of(force)
        if not is_number(measured):
            raise WrongInput("the reference force is over range")
        output = self._output([signal], uncertainties.of(signal), self._between(first, last))
        return output._replace(force=measured)

    def signal(self, plc: float | None = None) -> Request:
        """Return the request for one signal reading."""
        range_ = self._run.ranges("dmm", "dc-voltage", at_least=1.01 * self._full_volts)[0]
        cycles = self._plan.power_line_cycles if plc is None else plc
        return Request(quantity="dc-voltage", range_=range_, plc=cycles)

    def excitation(self, role: str = "dmm") -> Request:
        """Return the request for the excitation at the cell."""
        range_ = self._run.ranges(role, "dc-voltage", at_least=self._volts)[0]
        plc = self._plan.power_line_cycles
        return Request(quantity="dc-voltage", role=role, range_=range_, plc=plc)

    def _between(self, first: OneReading, last: OneReading) -> Any:
        uncertainties = self._run.uncertainties
        before, after = uncertainties.of(first), uncertainties.of(last)
        if not is_number(before) or not is_number(after):
            raise WrongInput("the excitation is over range in the meter's largest range")
        return bracketed(before, after, uncertainties, "excitation")

    def _output(self, signals: list[OneReading], signal: Any, below: Any) -> Output:
        if not is_number(signal) or not is_number(below):
            raise WrongInput("signal or excitation is over range: is the cell overloaded or open?")
        return Output(signals, signal / below, below)
