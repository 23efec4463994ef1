"""The insulation tester that talks by itself: a line every 0.4 s, commands without an answer."""

from __future__ import annotations

from simulated_bench.events import NS, Steps
from simulated_bench.instruments.insulation_lines import LineTester, whole_number
from simulated_bench.instruments.insulation_request import four_digits
from simulated_bench.instruments.insulation_tester import Measured, RefusedError, State
from simulated_bench.instruments.site import Site

LINE_NS = NS * 4 // 10
NEWEST_LINES = 8
ERROR_NS = 5_000_000
WORDS = {
    State.READY: "IDLE",
    State.CHARGING: "CHG",
    State.TESTING: "TEST",
    State.DISCHARGING: "DIS",
}
REFUSALS = {"state": "ERR,4", "value": "ERR,2", "voltage from outside": "ERR,4"}
PREFIXES = (("T", 1e12), ("G", 1e9), ("M", 1e6), ("k", 1e3))


class StreamTester(LineTester):
    """9600 8N1; commands end in LF and are not answered, lines end in CR LF."""

    looked_back_ns = (NEWEST_LINES + 2) * LINE_NS

    def __init__(self, name: str, site: Site) -> None:
        super().__init__(name, site)
        self._idle: tuple[int, float] | None = None

    def power_up(self) -> None:
        super().power_up()
        self._idle = None
        self.start(self._talk())

    def line(self, text: str) -> Steps:
        refusal = self._obey_line(text)
        if refusal:
            yield ERROR_NS
            self.stream(refusal.encode() + b"\r\n")

    def _obey_line(self, text: str) -> str:
        word, _, argument = text.partition(" ")
        try:
            match word, argument:
                case "SET", _:
                    volts = whole_number(argument)
                    if volts is None:
                        return "ERR,2"
                    self.choose(volts)
                case "GO", "":
                    self.begin()
                case "OFF", "":
                    self.end()
                case _:
                    return "ERR,1"
        except RefusedError as refusal:
            return REFUSALS[str(refusal)]
        return ""

    def _talk(self) -> Steps:
        while True:
            # Only the newest lines of an advance are kept: the others need not be made.
            yield LINE_NS + self.events.unwatched((NEWEST_LINES + 1) * LINE_NS, LINE_NS)
            self.stream(self._status().encode() + b"\r\n")

    def _status(self) -> str:
        ohms = "---"
        if self.state is State.TESTING and self.newest is not None:
            ohms = shown(self.newest)
        volts, seconds = self._terminal_volts(), self.seconds()
        return f"{WORDS[self.state]},{volts:06.1f}V,{ohms},{seconds:06.1f}S,{self.volts:04d}"

    def _terminal_volts(self) -> float:
        """While idle nothing moves between two changes on the bench: look once for each."""
        if self.state is not State.READY:
            return self.volts_now()
        if self._idle is None or self._idle[0] != self.site.changes:
            self._idle = (self.site.changes, self.volts_now())
        return self._idle[1]


def shown(found: Measured) -> str:
    """Return a measurement as this language writes it: four digits and a prefix."""
    ohms = float(f"{found.limit:.3E}")  # rounded first: 999.97 M is 1.000 G
    prefix, scale = next(((p, s) for p, s in PREFIXES if ohms >= s), ("k", 1e3))
    return f"{found.sign}{four_digits(ohms / scale)}{prefix}"
