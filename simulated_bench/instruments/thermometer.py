"""A thermometer in the room, and instruments that a person reads there."""

from __future__ import annotations

from collections.abc import Callable

from simulated_bench.events import NS, Events
from simulated_bench.instruments.accuracy import Limit, draw_errors
from simulated_bench.instruments.device import Instrument
from simulated_bench.instruments.parameters import Choice
from simulated_bench.instruments.reading_noise import normal
from simulated_bench.instruments.scpi_device import ScpiDevice, Taking, number
from simulated_bench.instruments.site import Site

READ_NS = NS // 5
ACCURACY = (Limit("temperature", None, absolute=0.2, noise=0.01),)
KELVIN = 273.15


class Thermometer(ScpiDevice):
    """`MEASure:TEMPerature?` in the unit chosen by `UNIT:TEMPerature`."""

    def __init__(self, name: str, site: Site, identification: str) -> None:
        self.site = site
        self.errors = draw_errors(ACCURACY[0], site, name)
        self.unit = "C"
        super().__init__(name, site.events, identification)

    def commands(self) -> None:
        self.on("UNIT:TEMPerature", self._choose, Choice(("C", "CEL", "F", "FAR", "K")))
        self.on("UNIT:TEMPerature?", lambda: self.unit)
        for pattern in ("MEASure[:SCALar]:TEMPerature?", "READ?"):
            self.on(pattern, self._measure)

    def reset(self) -> None:
        self.unit = "C"

    def display(self) -> str:
        return f"{self._celsius():.2f} degC"

    def _choose(self, unit: str) -> None:
        self.unit = unit[0]

    def _measure(self) -> Taking:
        yield READ_NS
        celsius = self._celsius()
        shown = {"C": celsius, "F": celsius * 1.8 + 32.0, "K": celsius + KELVIN}[self.unit]
        return number(round(shown, 3))

    def _celsius(self) -> float:
        true = self.site.celsius()
        spread = normal(self.site.seed, self.name, self.events.now)
        return self.errors.shown(true) + 0.5 * ACCURACY[0].noise * spread


class ReadByEye(Instrument):
    """An instrument without a link: a person reads it (hygrometer, barometer)."""

    def __init__(self, name: str, events: Events, read: Callable[[], str]) -> None:
        super().__init__(name, events)
        self._read = read

    def obey(self, data: bytes) -> None:
        """Nobody can send it anything."""

    def power_up(self) -> None:
        """It has no mains."""

    def display(self) -> str:
        return self._read()
