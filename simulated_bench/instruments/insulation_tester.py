"""An insulation tester without its language: source, states, measurement, discharge.

Three languages stand on it: start and poll, request, stream (their own files).
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, replace
from enum import StrEnum

from simulated_bench.circuit import Point
from simulated_bench.electrical import InsulationTester
from simulated_bench.elements import Part
from simulated_bench.events import NS, Process
from simulated_bench.instruments.accuracy import Errors, Limit, draw_errors, drawn
from simulated_bench.instruments.device import Instrument
from simulated_bench.instruments.reading_noise import normal
from simulated_bench.instruments.site import Site

LEAST_VOLTS, MOST_VOLTS, FIRST_VOLTS = 10, 1000, 50
MEASURE_NS = NS * 4 // 10
STEP_NS = NS // 50
LONGEST_CHARGE_NS = 5 * NS
SAFE_VOLTS = 5.0
FOREIGN_VOLTS = 25.0
LEAST_OHMS = 1e4
MOST_OHMS_PER_VOLT = 4e9
VOLTS_ERROR = 0.02

ACCURACY = tuple(
    Limit("insulation-resistance", top, reading_ppm=ppm, absolute=absolute)
    for top, ppm, absolute in (
        (1e9, 30e3, 500.0),
        (1e10, 50e3, 0.0),
        (1e12, 100e3, 0.0),
        (1e13, 200e3, 0.0),
    )
)


class State(StrEnum):
    """What the tester is doing."""

    READY = "READY"
    CHARGING = "CHARGING"
    TESTING = "TESTING"
    DISCHARGING = "DISCHARGING"


class RefusedError(Exception):
    """The tester does not do it: 'state', 'value' or 'voltage from outside'."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One finished measurement: ohm (None with a limit sign: out of range), volts, seconds."""

    ohms: float | None
    sign: str
    limit: float
    volts: float
    seconds: float


class Tester(Instrument):
    """Source and measurement of an insulation tester; the language comes with a subclass."""

    looked_back_ns = 2 * MEASURE_NS
    """Measurements that ended longer ago than this are never asked for."""

    def __init__(self, name: str, site: Site) -> None:
        super().__init__(name, site.events)
        self.site = site
        self.errors: list[Errors] = [draw_errors(limit, site, name) for limit in ACCURACY]
        self.source_error = VOLTS_ERROR * drawn(site.seed, name, "source")
        self.circuit = InsulationTester(source_ohms=2e4, limit_amps=1.4e-3)
        self.first_volts = FIRST_VOLTS
        self.volts = FIRST_VOLTS
        self.state = State.READY
        self.newest: Measured | None = None
        self.began = 0
        self._task: Process | None = None

    def parts(self) -> list[Part]:
        return self.circuit.parts(self.name)

    def power_up(self) -> None:
        self._task = None
        self._turn(on=False)
        self.volts = self.first_volts
        self.state = State.READY
        self.newest = None

    def display(self) -> str:
        if self.newest is None:
            return f"{self.state} {self.volts} V"
        result = self.newest
        shown = f"{result.sign}{result.limit:.3E}" if result.ohms is None else f"{result.ohms:.3E}"
        return f"{shown} OHM {result.volts:.1f} V {self.state}"

    def choose(self, volts: int) -> None:
        """Set the test voltage; raises RefusedError."""
        if self.state is not State.READY:
            raise RefusedError("state")
        if not LEAST_VOLTS <= volts <= MOST_VOLTS:
            raise RefusedError("value")
        self.volts = volts

    def begin(self) -> None:
        """Switch the test voltage on; raises RefusedError."""
        if self.state is not State.READY:
            raise RefusedError("state")
        if self.volts_now() > FOREIGN_VOLTS:
            raise RefusedError("voltage from outside")
        self.newest = None
        self._turn(on=True)
        self.state = State.CHARGING
        self._task = self.start(self._test())

    def end(self) -> None:
        """Switch the test voltage off and discharge, from any state."""
        if self._task is not None:
            self._task.cancel()
        self._turn(on=False)
        if self.state is not State.READY:
            self.state = State.DISCHARGING
            self._task = self.start(self._discharge())

    def volts_now(self) -> float:
        """Return the volts on the terminals at this instant, without sign as displays have it."""
        return abs(self.site.now(self._applied) or 0.0)

    def seconds(self) -> float:
        """Return how long the test has lasted, 0 when there is none."""
        return (self.events.now - self.began) / NS if self.state is State.TESTING else 0.0

    def _turn(self, *, on: bool) -> None:
        self.site.changing()
        volts = self.volts * (1.0 + self.source_error)
        self.circuit = replace(self.circuit, on=on, volts=volts)

    def _test(self) -> Generator[int, None, None]:
        charged = self.events.now + LONGEST_CHARGE_NS
        while self.events.now < charged and self.volts_now() < 0.95 * self.volts:
            yield STEP_NS
        yield STEP_NS
        self.state = State.TESTING
        self.began = self.events.now
        while True:
            skipped = self.events.unwatched(self.looked_back_ns, MEASURE_NS)
            if skipped:
                yield skipped
            self.newest = yield from self.measurement(MEASURE_NS)

    def measurement(self, length_ns: int) -> Generator[int, None, Measured]:
        """Measure for so long and return what was found."""
        start = self.events.now
        with self.site.window(self._applied) as volts, self.site.window(self._amps) as amps:
            yield length_ns
            return self._measured(volts.mean() or 0.0, amps.mean() or 0.0, start)

    def _discharge(self) -> Generator[int, None, None]:
        yield STEP_NS
        while self.volts_now() > SAFE_VOLTS:
            yield STEP_NS
        self.state = State.READY

    def _measured(self, volts: float, amps: float, start: int) -> Measured:
        ohms = volts / amps if amps > 0 else float("inf")
        most = MOST_OHMS_PER_VOLT * self.volts
        errors = next((e for e in self.errors if ohms <= (e.limit.range or 0.0)), self.errors[-1])
        shown = errors.shown(min(ohms, 1e15), self.site.celsius())
        spread = 0.002 * (1.0 + min(shown, most) / 1e11)
        shown *= 1.0 + spread * normal(self.site.seed, self.name, start)
        seconds = (self.events.now - self.began) / NS
        if shown > most:
            return Measured(None, ">", most, abs(volts), seconds)
        if shown < LEAST_OHMS:
            return Measured(None, "<", LEAST_OHMS, abs(volts), seconds)
        return Measured(shown, "", shown, abs(volts), seconds)

    def _applied(self, point: Point) -> float | None:
        return self.circuit.applied_volts(point, self.name)

    def _amps(self, point: Point) -> float | None:
        return self.circuit.amps(point, self.name)
