"""The insulation tester that is started and asked: one command a line, one answer each."""

from __future__ import annotations

from collections import deque

from simulated_bench.events import Process, Steps
from simulated_bench.instruments.insulation_tester import RefusedError, State, Tester
from simulated_bench.instruments.site import Site

LONGEST = 80
ANSWER_NS = 15_000_000
REFUSALS = {"state": "ERR 4", "value": "ERR 2", "voltage from outside": "ERR 6"}


class StartPollTester(Tester):
    """9600 8N1; commands end in LF (a CR before it is ignored), answers in CR LF."""

    def __init__(self, name: str, site: Site, identification: str) -> None:
        super().__init__(name, site)
        self.identification = identification
        self._held = b""
        self._lines: deque[bytes] = deque()
        self._worker: Process | None = None

    def power_up(self) -> None:
        super().power_up()
        self._held = b""
        self._lines.clear()
        self._worker = None

    def obey(self, data: bytes) -> None:
        *lines, self._held = (self._held + data).split(b"\n")
        self._lines.extend(line.rstrip(b"\r") for line in lines if line.strip())
        if self._lines and (self._worker is None or not self._worker.running):
            self._worker = self.start(self._work())

    def _work(self) -> Steps:
        """One command after the other: each is answered before the next is looked at."""
        while self._lines:
            answer = self._answer(self._lines.popleft())
            yield ANSWER_NS
            self.send(answer.encode() + b"\r\n")

    def _answer(self, line: bytes) -> str:
        if len(line) > LONGEST:
            return "ERR 3"
        word, _, argument = line.decode("latin-1").partition(" ")
        try:
            match word, argument:
                case "ID?", "":
                    return self.identification
                case "VOLT", _:
                    return self._choose(argument)
                case "VOLT?", "":
                    return f"VOLT={self.volts}V"
                case "START", "":
                    self.begin()
                    return "OK"
                case "STATE?", "":
                    return str(self.state)
                case "READ?", "":
                    return self._reading()
                case "OUT?", "":
                    return f"OUT={self.volts_now():.1f}V"
                case "STOP", "":
                    self.end()
                    return "OK"
        except RefusedError as refusal:
            return REFUSALS[str(refusal)]
        return "ERR 1"

    def _choose(self, argument: str) -> str:
        if not argument.isascii() or not argument.isdigit():
            raise RefusedError("value")
        self.choose(int(argument))
        return "OK"

    def _reading(self) -> str:
        if self.state is not State.TESTING:
            return "ERR 5"
        if self.newest is None:
            return f"IR=---,V={self.volts_now():.1f}V,T={self.seconds():.1f}S"
        found = self.newest
        ohms = f"{found.sign}{found.limit:.3E}"
        return f"IR={ohms}OHM,V={found.volts:.1f}V,T={found.seconds:.1f}S"
