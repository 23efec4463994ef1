"""A laboratory supply of 20 V and 0.5 A with SCPI commands, remote sense and a protection."""

from __future__ import annotations

import math
from dataclasses import replace

from simulated_bench.capacitors import Capacitor
from simulated_bench.circuit import Point
from simulated_bench.electrical import SupplyOutput
from simulated_bench.elements import Part
from simulated_bench.instruments.accuracy import Limit, draw_errors
from simulated_bench.instruments.parameters import Boolean, Choice, Numeric, Optional_
from simulated_bench.instruments.reading_noise import normal
from simulated_bench.instruments.scpi_device import ScpiDevice, Taking, number
from simulated_bench.instruments.site import Probe, Site
from simulated_bench.regulation import Mode
from simulated_bench.scpi import ScpiError

TAIL = 5e-5
TAIL_TAU_S = 120.0
"""Thermal tail after a change of the output, relative."""
READ_NS = 40_000_000
STILL_AMPS_ON, STILL_AMPS_OFF = 2e-8, 2e-10
RESET_AMPS = 0.1
HIGHEST_VOLTS = 20.6
HIGHEST_AMPS = 0.515
RATED_AMPS = 0.5
HIGHEST_PROTECTION = 22.0

PROGRAMMING = (
    Limit("voltage programming", 20.0, 500.0, 0.0, absolute=5e-3),
    Limit("current programming", 0.5, 1000.0, 0.0, absolute=2e-4),
)
ACCURACY = (
    Limit("voltage", 20.0, 500.0, 0.0, absolute=5e-3, noise=3e-4),
    Limit("current", 0.5, 1000.0, 0.0, absolute=1e-4, noise=1e-5),
)


class PowerSupply(ScpiDevice):
    """Settings, output stage and its way to a new voltage."""

    def __init__(self, name: str, site: Site, identification: str) -> None:
        self.site = site
        self.programming = [draw_errors(limit, site, name) for limit in PROGRAMMING]
        self.reading = [draw_errors(limit, site, name) for limit in ACCURACY]
        self.output = SupplyOutput(headroom_volts=HIGHEST_PROTECTION + 1.0, limit_amps=RESET_AMPS)
        self.volts = 0.0
        self.amps = RESET_AMPS
        self.protection = HIGHEST_PROTECTION
        self.tripped = False
        self.tail = 0.0
        self.capacitor = Capacitor(f"{name} capacitor", self.output.capacitor_farads)
        self.charging = False
        super().__init__(name, site.events, identification)

    # ---- what the circuit sees

    def parts(self) -> list[Part]:
        """Return the elements; the tail stands still within one step of the bench."""
        held = self.capacitor.volts if self.charging else None
        volts = max(0.0, self.programming[0].shown(self.volts)) * (1.0 + self.tail)
        return replace(self.output, volts=volts).parts(self.name, held)

    def advance(self, seconds: float) -> None:
        """Let the regulator drift for `seconds`."""
        self.tail *= math.exp(-seconds / TAIL_TAU_S)

    def look(self, point: Point) -> None:
        """See whether the output capacitor has come to rest: it then leaves the circuit."""
        if not self.charging:
            return
        still = STILL_AMPS_ON if self.output.on else STILL_AMPS_OFF
        if abs(point.amp(self.capacitor.element)) < still:
            self.charging = False

    def _disturb(self) -> None:
        """The output is about to move: the capacitor takes part from now on."""
        if not self.charging:
            self.capacitor.volts = self.site.now(self._terminals) or 0.0
        self.site.changing()
        self.charging = True

    # ---- commands

    def commands(self) -> None:
        source = "[SOURce:]"
        self.on_number(
            f"{source}VOLTage[:LEVel][:IMMediate][:AMPLitude]",
            Numeric(0, HIGHEST_VOLTS, 0, "V"),
            lambda: self.volts,
            self._set_volts,
        )
        self.on_number(
            f"{source}CURRent[:LEVel][:IMMediate][:AMPLitude]",
            Numeric(0, HIGHEST_AMPS, RESET_AMPS, "A"),
            lambda: self.amps,
            self._set_amps,
        )
        self.on_number(
            f"{source}VOLTage:PROTection[:LEVel]",
            Numeric(0.5, HIGHEST_PROTECTION, HIGHEST_PROTECTION, "V"),
            lambda: self.protection,
            self._set_protection,
        )
        for pattern in (f"{source}VOLTage:PROTection", "OUTPut:PROTection"):
            self.on(f"{pattern}:CLEar", self._clear_trip)
        self.on(f"{source}VOLTage:PROTection:TRIPped?", lambda: str(int(self.tripped)))
        senses = Choice(("INTernal", "EXTernal"))
        for pattern in (f"{source}VOLTage:SENSe", f"{source}VOLTage:SENSe:SOURce"):
            self.on(pattern, lambda where: self._set_sense(where == "EXT"), senses)
            self.on(f"{pattern}?", lambda: "EXT" if self.output.remote_sense else "INT")
        self.on_switch("SYSTem:RSENse", lambda: self.output.remote_sense, self._set_sense)
        self.on("OUTPut[:STATe]", self._switch, Boolean())
        self.on("OUTPut[:STATe]?", lambda: str(int(self.output.on)))
        self.on(
            "APPLy",
            self._apply,
            Numeric(0, HIGHEST_VOLTS, 0, "V"),
            Optional_(Numeric(0, HIGHEST_AMPS, RESET_AMPS, "A")),
        )
        self.on("MEASure[:SCALar][:VOLTage][:DC]?", self._measure_volts)
        self.on("MEASure[:SCALar]:CURRent[:DC]?", self._measure_amps)

    def reset(self) -> None:
        self._turn(on=False)
        self.site.changing()
        self.volts, self.amps = 0.0, RESET_AMPS
        self.protection = HIGHEST_PROTECTION
        self.tripped = False
        self.output = replace(self.output, remote_sense=False, limit_amps=self._limit())

    def display(self) -> str:
        state = "OVP" if self.tripped else "ON" if self.output.on else "OFF"
        return f"{self.volts:.3f} V {self.amps * 1000:.1f} mA {state}"

    def _limit(self) -> float:
        return max(0.0, self.programming[1].shown(self.amps))

    def _set_volts(self, volts: float) -> None:
        self._disturb()
        self.volts = volts
        self.tail = TAIL if self.output.on else 0.0

    def _set_amps(self, amps: float) -> None:
        self._disturb()
        self.amps = amps
        self.output = replace(self.output, limit_amps=self._limit())

    def _set_protection(self, volts: float) -> None:
        self.site.changing()
        self.protection = volts

    def _set_sense(self, remote: bool) -> None:
        self.site.changing()
        self.output = replace(self.output, remote_sense=remote)

    def _apply(self, volts: float, amps: float | None) -> None:
        self._set_volts(volts)
        if amps is not None:
            self._set_amps(amps)

    def _clear_trip(self) -> None:
        self.tripped = False
        self.status.questionable.set(512, on=False)

    def _switch(self, on: bool) -> None:
        if on and self.tripped:
            raise ScpiError(-221)
        self._turn(on=on)

    def _turn(self, *, on: bool) -> None:
        if on == self.output.on:
            return
        self._disturb()
        self.tail = TAIL if on else 0.0
        self.output = replace(self.output, on=on)

    # ---- protection and read-back

    def protect(self) -> None:
        """Switch off and latch when the output stands above the protection level."""
        if not self.output.on:
            return
        volts = self.site.now(self._terminals)
        if volts is not None and volts > self.protection:
            self.tripped = True
            self.status.questionable.set(512, on=True)
            self._turn(on=False)

    def _terminals(self, point: Point) -> float | None:
        return self.output.terminal_volts(point, self.name)

    def _measure_volts(self) -> Taking:
        return (yield from self._measure(0, lambda p: self.output.sensed_volts(p, self.name), 1e-4))

    def _measure_amps(self) -> Taking:
        return (yield from self._measure(1, self._amps, 1e-6))

    def delivered(self, point: Point) -> float:
        """Return what leaves the + terminal, A: the shunt sits behind bleeder and capacitor."""
        amps = self.output.amps(point, self.name) - point.amp(f"{self.name} bleeder")
        amps += point.amp(f"{self.name} sense + to output")
        return amps - (point.amp(self.capacitor.element) if self.charging else 0.0)

    def _amps(self, point: Point) -> float:
        if not self.output.on:
            return 0.0
        self.status.questionable.set(1, on=point.mode(self.name) != Mode.CV)
        return self.delivered(point)

    def _measure(self, which: int, probe: Probe, step: float) -> Taking:
        start = self.events.now
        with self.site.window(probe) as window:
            yield READ_NS
            mean = window.mean() or 0.0
        errors = self.reading[which]
        shown = errors.shown(mean, self.site.celsius())
        shown += errors.limit.noise * 0.3 * normal(self.site.seed, self.name, start, which)
        return number(round(shown / step) * step)
