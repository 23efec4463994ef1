"""A 6.5-digit multimeter with SCPI commands.

CONFigure and READ, FUNCtion and READ, INITiate and FETCh, MEASure.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Generator
from dataclasses import replace

from simulated_bench.circuit import Point
from simulated_bench.electrical import Ammeter, Ohmmeter, Voltmeter
from simulated_bench.elements import Part
from simulated_bench.events import NS
from simulated_bench.instruments.accuracy import Errors, draw_errors, drawn
from simulated_bench.instruments.meter_functions import (
    FUNCTIONS,
    OVERRANGE,
    Function,
    input_of,
)
from simulated_bench.instruments.meter_settings import (
    Manner,
    Setting,
    configured,
    function_named,
)
from simulated_bench.instruments.parameters import Choice, Numeric, Optional_, Quoted
from simulated_bench.instruments.reading_noise import Noise
from simulated_bench.instruments.scpi_device import ScpiDevice, Taking, number
from simulated_bench.instruments.site import Site
from simulated_bench.scpi import ScpiError

OVERLOAD = 9.9e37  # SCPI-1999 volume 1, 7.2.1.4: infinity
MOVE_NS = 20_000_000
"""Relays and amplifier after a change of function, range or input resistance."""
SETTLE_NS = {"VOLT": 1_500_000, "VOLT:AC": 400_000_000, "CURR": 1_500_000}
OHMS_SETTLE_NS = 5_000_000
RANGE_STEP = 1e-3
RANGE_STEP_TAU_S = 5e-3
"""What a range change leaves behind: a share of the reading that dies away."""
FAST_PLC = 1.0
BURST_NS = 250_000_000
RESET_FUNCTION = "VOLT"


class Multimeter(ScpiDevice):
    """The meter: its commands, its input for the circuit, its errors and noise."""

    def __init__(
        self, name: str, site: Site, identification: str, manner: Manner = "configure"
    ) -> None:
        self.site = site
        self.manner = manner
        self.errors: dict[tuple[str, float], Errors] = {
            (f.name, r.name): draw_errors(r.limit, site, name)
            for f in FUNCTIONS.values()
            for r in f.ranges
        }
        self.bias_amps = 30e-12 * drawn(site.seed, name, "bias current")
        self.noise = Noise(site.seed, name, site.mains_hertz)
        self.function = FUNCTIONS[RESET_FUNCTION]
        self.settings: dict[str, Setting] = {}
        self.high_input = False
        self.source_on = True
        self.samples = self.triggers = 1
        self.trigger = "IMM"
        self.format, self.border = "ASC", "NORM"
        self.readings: list[float] = []
        self._pending_until = 0
        self._acquiring = False
        self._moved_at = -NS
        super().__init__(name, site.events, identification)

    def parts(self) -> list[Part]:
        return self._input().parts(self.name)

    def commands(self) -> None:
        for function in FUNCTIONS.values():
            self._function_commands(function)
        self.on("FETCh?", self._fetch)
        if self.manner == "measure":
            return
        self.on("[SENSe:]FUNCtion[:ON]", self._set_function, Quoted())
        self.on("[SENSe:]FUNCtion[:ON]?", lambda: f'"{self.function.name}"')
        if self.manner == "configure":
            self.on("CONFigure?", self._say_configuration)
        self.on("READ?", self._read)
        self.on("INITiate[:IMMediate]", self.initiate)
        self.on("ABORt", self._abort)
        self.on("*TRG", self._bus_trigger)
        self.on_number(
            "SAMPle:COUNt", Numeric(1, 10000, 1), lambda: self.samples, self._set_samples
        )
        self.on("TRIGger:SOURce", self._set_trigger, Choice(("IMMediate", "BUS")))
        self.on("TRIGger:SOURce?", lambda: self.trigger)
        self.on_number(
            "TRIGger:COUNt", Numeric(1, 10000, 1), lambda: self.triggers, self._set_triggers
        )
        kinds = Choice(("ASCii", "REAL"))
        self.on("FORMat[:DATA]", self._set_format, kinds, Optional_(Numeric(0, 64, 0)))
        self.on("FORMat[:DATA]?", lambda: f"{self.format},{64 if self.format == 'REAL' else 9}")
        self.on("FORMat:BORDer", self._set_border, Choice(("NORMal", "SWAPped")))
        self.on("FORMat:BORDer?", lambda: self.border)
        self.on("DATA:POINts?", lambda: str(len(self.readings)))
        where = "INPut" if self.manner == "configure" else "[SENSe:]VOLTage[:DC]"
        self.on_switch(f"{where}:IMPedance:AUTO", lambda: self.high_input, self._set_high_input)

    def _function_commands(self, function: Function) -> None:
        largest = function.ranges[-1].name
        auto = {"AUTO": math.nan}
        wanted = Numeric(-largest, largest, math.nan, function.unit, auto)
        resolution = Numeric(1e-15, largest, math.nan, function.unit, auto)
        pair = (Optional_(wanted), Optional_(resolution))
        sense = f"[SENSe:]{function.header}"
        get = self.settings.__getitem__

        def configure(range_: float | None, digits: float | None) -> None:
            self.configure(function, range_, digits)

        def measure(range_: float | None, digits: float | None) -> Taking:
            self.configure(function, range_, digits)
            return self._read()

        if self.manner != "function":
            self.on(f"MEASure:{function.header}?", measure, *pair)
        if self.manner == "measure":
            return
        if self.manner == "configure":
            self.on(f"CONFigure:{function.header}", configure, *pair)
        self.on_number(
            f"{sense}:RANGe[:UPPer]",
            Numeric(0, largest, largest, function.unit),
            lambda: get(function.name).range.name,
            lambda value: self._set_range(function, value),
        )
        self.on_switch(
            f"{sense}:RANGe:AUTO",
            lambda: get(function.name).automatic,
            lambda on: self._set(function, automatic=on),
        )
        self.on_number(
            f"{sense}:NPLCycles",
            Numeric(0.02, 100, 10),
            lambda: get(function.name).plc,
            lambda value: self._set(function, plc=value),
        )
        if self.manner == "configure":
            self._zero_commands(f"{sense}:ZERO:AUTO", lambda: function)
        if function.name == RESET_FUNCTION:
            common = "[SENSe:]ZERO:AUTO" if self.manner == "configure" else "SYSTem:AZERo[:STATe]"
            self._zero_commands(common, lambda: self.function)
        if function.name in ("RES", "FRES"):
            self.on_switch(
                f"{sense}:OCOMpensated",
                lambda: get(function.name).compensated,
                lambda on: self._set(function, compensated=on),
            )

    def _zero_commands(self, pattern: str, of: Callable[[], Function]) -> None:
        words = Choice(("ON", "OFF", "ONCE"))
        self.on(pattern, lambda word: self._set(of(), zero=word == "ON"), words)
        self.on(f"{pattern}?", lambda: str(int(self.settings[of().name].zero)))

    def reset(self) -> None:
        self.site.changing()
        self._acquiring = False
        self._pending_until = 0
        self.function = FUNCTIONS[RESET_FUNCTION]
        for name, function in FUNCTIONS.items():
            self.settings[name] = Setting(function.ranges[len(function.ranges) // 2])
        self.high_input = False
        self.source_on = True
        self.samples = self.triggers = 1
        self.trigger = "IMM"
        self.format, self.border = "ASC", "NORM"
        self.readings = []

    def busy_until(self) -> int:
        return self._pending_until

    def display(self) -> str:
        if not self.readings:
            return "-.------ " + self.function.unit
        value, range_ = self.readings[-1], self.settings[self.function.name].range.name
        shown = f"{value:+.{max(0, 6 - round(math.log10(range_)))}f} {self.function.unit}"
        return "OVLD" if abs(value) >= OVERLOAD else shown

    # ---- settings

    def _set(self, function: Function, **changes: object) -> None:
        self.settings[function.name] = replace(
            self.settings[function.name],
            **changes,  # type: ignore[arg-type]
        )

    def _set_range(self, function: Function, value: float) -> None:
        found = function.holding(value)
        if found is None:
            raise ScpiError(-222)
        self._move()
        self._set(function, range=found, automatic=False)

    def _set_function(self, name: str) -> None:
        found = function_named(name)
        self._move()
        self.function = found

    def _set_high_input(self, on: bool) -> None:
        self._move()
        self.high_input = on

    def _set_samples(self, count: float) -> None:
        self.samples = round(count)

    def _set_triggers(self, count: float) -> None:
        self.triggers = round(count)

    def _set_format(self, kind: str, length: float | None) -> None:
        if kind == "REAL" and length not in (None, 64.0):
            raise ScpiError(-224)
        self.format = kind

    def _set_border(self, order: str) -> None:
        self.border = order

    def _set_trigger(self, source: str) -> None:
        self.trigger = source

    def configure(self, function: Function, range_: float | None, digits: float | None) -> None:
        setting = configured(function, range_, digits)
        self._move()
        self.function = function
        self.settings[function.name] = setting
        self.samples, self.triggers, self.trigger = 1, 1, "IMM"

    def _say_configuration(self) -> str:
        name = self.settings[self.function.name].range.name
        return f'"{self.function.name} {number(name)},{number(name * 1e-6)}"'

    def _move(self) -> None:
        self.site.changing()
        self._moved_at = self.events.now

    # ---- measuring

    def _read(self) -> Taking:
        if self.trigger == "BUS":
            raise ScpiError(-221)
        if self._acquiring:
            raise ScpiError(-213)
        yield from self._acquire()
        return self._answer()

    def initiate(self) -> None:
        if self._acquiring:
            raise ScpiError(-213)
        if self.trigger == "BUS":
            self.readings = []
            return
        self.start(self._acquire())

    def _bus_trigger(self) -> None:
        if self.trigger != "BUS" or self._acquiring:
            raise ScpiError(-200)
        self.start(self._acquire())

    def _fetch(self) -> Taking:
        yield from self._wait()
        if not self.readings:
            raise ScpiError(-230)
        return self._answer()

    def _abort(self) -> None:
        self._acquiring = False
        self._pending_until = 0

    def _answer(self) -> str | bytes:
        """All readings as text or, with FORMat REAL, in a definite-length block (488.2, 8.7.9)."""
        if self.format == "ASC":
            return ",".join(number(value) for value in self.readings)
        order = ">" if self.border == "NORM" else "<"
        data = struct.pack(f"{order}{len(self.readings)}d", *self.readings)
        length = str(len(data))
        return f"#{len(length)}{length}".encode() + data

    def _acquire(self) -> Generator[int, None, None]:
        self.readings = []
        self._acquiring = True
        self.status.operation.set(16, on=True)
        left = self.samples * self.triggers
        while left:
            found = yield from self._some(left)
            if not self._acquiring:
                return
            self.readings += found
            left -= len(found)
        self._acquiring = False
        self.status.operation.set(16, on=False)

    def _some(self, most: int) -> Generator[int, None, list[float]]:
        """Take the next reading, or several fast ones at once."""
        setting = self.settings[self.function.name]
        settle = SETTLE_NS.get(self.function.name)
        moved = self._moved_at + MOVE_NS - self.events.now
        if most == 1 or settle is None or setting.automatic or setting.plc >= FAST_PLC or moved > 0:
            return [(yield from self._reading())]
        return (yield from self._burst(most, settle, setting))

    def _burst(self, most: int, settle: int, setting: Setting) -> Generator[int, None, list[float]]:
        """Fast readings one after the other: each has its own noise, and all of them the mean of
        what the input saw meanwhile. To solve the circuit for each would take longer than the
        readings do.
        """
        length = self._duration(setting.plc)
        each = settle + length * (2 if setting.zero else 1)
        count = max(1, min(most, BURST_NS // each))
        begin = self.events.now
        with self.site.window(self._probe) as window:
            yield from self._pause(count * each)
            mean = window.mean()
        return [self._shown(mean, setting, begin + k * each + settle) for k in range(count)]

    def _pause(self, wait: int) -> Generator[int, None, None]:
        """Wait, and let those who wait for the end know how long it takes at least."""
        self._pending_until = max(self._pending_until, self.events.now + wait)
        yield wait

    def _reading(self) -> Generator[int, None, float]:
        moved = self._moved_at + MOVE_NS - self.events.now
        if moved > 0:
            yield from self._pause(moved)
        if self.settings[self.function.name].automatic:
            yield from self._find_range()
        setting = self.settings[self.function.name]
        ohms = self.function.name in ("RES", "FRES")
        settle = OHMS_SETTLE_NS if ohms else SETTLE_NS[self.function.name]
        start = self.events.now
        value = yield from self._integral(settle, setting.plc)
        if ohms and setting.compensated and value is not None:
            self._switch_source(on=False)
            rest = yield from self._integral(settle, setting.plc)
            self._switch_source(on=True)
            value = None if rest is None else value - rest
        elif setting.zero or ohms:  # the other half of the time the input is shorted inside
            yield from self._pause(self._duration(setting.plc))
        return self._shown(value, setting, start)

    def _switch_source(self, *, on: bool) -> None:
        self.site.changing()
        self.source_on = on

    def _duration(self, plc: float) -> int:
        return round(plc / self.site.mains_hertz * NS)

    def _integral(self, settle: int, plc: float) -> Generator[int, None, float | None]:
        """Return what the input saw on average: volts, ohms or amperes; None over range."""
        yield from self._pause(settle)
        with self.site.window(self._probe) as window:
            yield from self._pause(self._duration(plc))
            value = window.mean()
        if value is not None and self.function.name in ("RES", "FRES"):
            return value / self.settings[self.function.name].range.test_amps
        return value

    def _find_range(self) -> Generator[int, None, None]:
        """Step through the ranges as an automatic range does: up from 120 %, down from 10 %."""
        for _ in range(2 * len(self.function.ranges)):
            setting = self.settings[self.function.name]
            value = yield from self._integral(2_000_000, 0.2)
            ranges = self.function.ranges
            place = ranges.index(setting.range)
            if value is None or abs(value) > OVERRANGE * setting.range.name:
                step = place + 1
            elif place and abs(value) < 0.1 * setting.range.name:
                step = place - 1
            else:
                return
            if not 0 <= step < len(ranges):
                return
            self._move()
            self._set(self.function, range=ranges[step])
            yield from self._pause(MOVE_NS)

    def _input(self) -> Voltmeter | Ohmmeter | Ammeter:
        return input_of(
            self.function.name,
            self.settings[self.function.name].range,
            high_input=self.high_input,
            source_on=self.source_on,
            bias_amps=self.bias_amps,
        )

    def _probe(self, point: Point) -> float | None:
        match self._input():
            case Ohmmeter() as meter:
                return None if meter.overloaded(point, self.name) else meter.volts(point, self.name)
            case Ammeter() as meter:
                return meter.amps(point, self.name)
            case meter:
                volts = meter.volts(point, self.name)
        direct, alternating = self.site.shares()
        share = alternating if self.function.name == "VOLT:AC" else direct
        return None if volts is None else share * volts

    def _noise_of(self, setting: Setting, start: int) -> float:
        """Volts of noise of one reading; compensation takes the difference of two."""
        length = self._duration(setting.plc)
        noise = self.noise.reading(start, length / NS, zeroed=setting.zero)
        if setting.compensated and self.function.name in ("RES", "FRES"):
            second = start + length + OHMS_SETTLE_NS
            noise -= self.noise.reading(second, length / NS, zeroed=setting.zero)
        return noise

    def _left_behind(self, start: int, seconds: float) -> float:
        """What the last range change still adds on average over the window, relative."""
        since = (start - self._moved_at) / NS
        tau = RANGE_STEP_TAU_S
        return RANGE_STEP * math.exp(-since / tau) * -math.expm1(-seconds / tau) * tau / seconds

    def _shown(self, value: float | None, setting: Setting, start: int) -> float:
        if value is None:
            return OVERLOAD
        range_ = setting.range
        if self.function.name == "VOLT:AC":
            value = math.hypot(value, self.noise.levels.pickup / math.sqrt(2.0))
        errors = self.errors[self.function.name, range_.name]
        value *= 1.0 + self._left_behind(start, self._duration(setting.plc) / NS)
        value = errors.shown(value, self.site.celsius())
        value += range_.noise * self._noise_of(setting, start)
        if abs(value) > OVERRANGE * range_.name:
            return math.copysign(OVERLOAD, value)
        return value
