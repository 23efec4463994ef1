"""The insulation tester that measures when it is asked: short words, no state, no name."""

from __future__ import annotations

from collections.abc import Generator

from simulated_bench.events import NS, Steps
from simulated_bench.instruments.insulation_lines import LineTester, whole_number
from simulated_bench.instruments.insulation_tester import Measured, RefusedError, State
from simulated_bench.instruments.site import Site

ANSWER_NS = 10_000_000
MEASURE_NS = NS // 2
DEAF_NS = 20_000_000
"""After an answer nothing is heard for so long."""
UNITS = (("TOHM", 1e12, 1e13), ("GOHM", 1e9, 1e10), ("MOHM", 1e6, 1e7), ("KOHM", 1e3, 0.0))


class RequestTester(LineTester):
    """4800 8N1; commands and answers end in CR."""

    line_end = b"\r"

    def __init__(self, name: str, site: Site) -> None:
        super().__init__(name, site)
        self._answered = -DEAF_NS

    def obey(self, data: bytes) -> None:
        if self.events.now - self._answered >= DEAF_NS:
            super().obey(data)

    def line(self, text: str) -> Steps:
        if text == "R" and self.state is State.TESTING:
            answer = yield from self._measure()
        else:
            answer = self._answer(text)
            yield ANSWER_NS
        self._answered = self.events.now
        self.send(answer.encode() + b"\r")

    def _measure(self) -> Generator[int, None, str]:
        """Answered after half a second; a test that ended meanwhile has no value."""
        found = yield from self.measurement(MEASURE_NS)
        return shown(found) if self.state is State.TESTING else "---"

    def _answer(self, text: str) -> str:
        try:
            match text:
                case "U?":
                    return f"U{self.volts:04d}"
                case "H0":
                    if self.state is State.READY:
                        self.begin()
                    return "OK"
                case "H1":
                    self.end()
                    return "OK"
                case "H?":
                    return "H0" if self.state in (State.CHARGING, State.TESTING) else "H1"
                case "V":
                    return f"{self.volts_now():06.1f} V"
                case "R":
                    return "---"
        except RefusedError:
            return "ERR"
        volts = whole_number(text.removeprefix("U"), 4) if text.startswith("U") else None
        if volts is None:
            return "ERR"
        try:
            self.choose(volts)
        except RefusedError:
            return "ERR"
        return "OK"


def shown(found: Measured) -> str:
    """Return a measurement as this language writes it."""
    unit, scale = next((u, s) for u, s, least in UNITS if found.limit >= least)
    if found.sign:
        return f"{found.sign} {four_digits(found.limit / scale)} {unit}"
    return f"{found.limit / scale:8.1f} {unit}"


def four_digits(value: float) -> str:
    """Return a number with four digits and a point."""
    decimals = 3 if value < 10 else 2 if value < 100 else 1
    return f"{value:.{decimals}f}"
