"""A source of millivolts and milliamperes with SCPI commands; a negative current is sunk."""

from __future__ import annotations

from dataclasses import replace

from simulated_bench.circuit import Point
from simulated_bench.electrical import SourceOutput
from simulated_bench.elements import Part
from simulated_bench.events import NS
from simulated_bench.instruments.accuracy import Limit, draw_errors
from simulated_bench.instruments.parameters import Boolean, Choice, Numeric
from simulated_bench.instruments.reading_noise import normal
from simulated_bench.instruments.scpi_device import ScpiDevice, Taking, number
from simulated_bench.instruments.site import Probe, Site

READ_NS = NS // 10
MOST_VOLTS, MOST_AMPS, MOST_COMPLIANCE = 10.0, 0.024, 28.0
ACCURACY = (
    Limit("dc-voltage", 0.1, 100.0, 0.0, absolute=2e-6, noise=5e-7),
    Limit("dc-voltage", 10.0, 100.0, 0.0, absolute=5e-5, noise=5e-6),
    Limit("dc-current", 0.024, 150.0, 0.0, absolute=1e-6, noise=1e-7),
)


class Source(ScpiDevice):
    """One output, floating unless `earthed`: volts or amperes, each with a limit of the other."""

    def __init__(
        self, name: str, site: Site, identification: str, *, earthed: bool = False
    ) -> None:
        self.site = site
        self.earth_ohms = 0.1 if earthed else 1e10
        self.errors = [draw_errors(limit, site, name) for limit in ACCURACY]
        self.function = "VOLT"
        self.volts = self.amps = 0.0
        self.limit_amps, self.limit_volts = 0.02, 24.0
        self.on_now = False
        super().__init__(name, site.events, identification)

    def parts(self) -> list[Part]:
        return self._output().parts(self.name)

    def commands(self) -> None:
        self.on("[SOURce:]FUNCtion[:MODE]", self._choose, Choice(("VOLTage", "CURRent")))
        self.on("[SOURce:]FUNCtion[:MODE]?", lambda: self.function)
        for pattern, wanted, name in (
            ("VOLTage[:LEVel][:IMMediate]", Numeric(-MOST_VOLTS, MOST_VOLTS, 0, "V"), "volts"),
            ("CURRent[:LEVel][:IMMediate]", Numeric(-MOST_AMPS, MOST_AMPS, 0, "A"), "amps"),
            ("VOLTage:ILIMit", Numeric(1e-6, 0.05, 0.02, "A"), "limit_amps"),
            ("CURRent:VLIMit", Numeric(0.01, MOST_COMPLIANCE, 24.0, "V"), "limit_volts"),
        ):
            self._level(f"[SOURce:]{pattern}", wanted, name)
        self.on("OUTPut[:STATe]", self._switch, Boolean())
        self.on("OUTPut[:STATe]?", lambda: str(int(self.on_now)))
        self.on("MEASure[:SCALar]:VOLTage[:DC]?", self._measure_volts)
        self.on("MEASure[:SCALar]:CURRent[:DC]?", self._measure_amps)

    def reset(self) -> None:
        self.site.changing()
        self.function = "VOLT"
        self.volts = self.amps = 0.0
        self.limit_amps, self.limit_volts = 0.02, 24.0
        self.on_now = False

    def display(self) -> str:
        level = f"{self.volts:.6f} V" if self.function == "VOLT" else f"{self.amps * 1e3:.5f} mA"
        return f"{level} {'ON' if self.on_now else 'OFF'}"

    def _level(self, pattern: str, wanted: Numeric, name: str) -> None:
        def write(value: float) -> None:
            self.site.changing()
            setattr(self, name, value)

        self.on_number(pattern, wanted, lambda: float(getattr(self, name)), write)

    def _choose(self, function: str) -> None:
        self.site.changing()
        self.function = function

    def _switch(self, on: bool) -> None:
        self.site.changing()
        self.on_now = on

    def _output(self) -> SourceOutput:
        output = SourceOutput(
            on=self.on_now, limit_amps=self.limit_amps, limit_volts=self.limit_volts,
            earth_ohms=self.earth_ohms,
        )  # fmt: skip
        if self.function == "VOLT":
            errors = self.errors[0 if abs(self.volts) <= 0.1 else 1]
            return replace(output, volts=errors.shown(self.volts, self.site.celsius()))
        amps = abs(self.errors[2].shown(self.amps, self.site.celsius()))
        return replace(output, mode="current", amps=amps, sinking=self.amps < 0)

    def _measure_volts(self) -> Taking:
        return (yield from self._measure(1, self._terminals))

    def _measure_amps(self) -> Taking:
        return (yield from self._measure(2, self._flow))

    def _terminals(self, point: Point) -> float | None:
        return point.volt(f"{self.name} +", f"{self.name} -")

    def _flow(self, point: Point) -> float | None:
        return -point.amp(self.name) if self.on_now else 0.0

    def _measure(self, which: int, probe: Probe) -> Taking:
        start = self.events.now
        with self.site.window(probe) as window:
            yield READ_NS
            mean = window.mean() or 0.0
        errors = self.errors[which]
        shown = errors.shown(mean, self.site.celsius())
        shown += errors.limit.noise * 0.3 * normal(self.site.seed, self.name, start, which)
        return number(shown)
