"""The insulation tester that is started and asked: one command a line, one answer each."""

from __future__ import annotations

from simulated_bench.events import Steps
from simulated_bench.instruments.insulation_lines import LineTester, whole_number
from simulated_bench.instruments.insulation_tester import RefusedError, State
from simulated_bench.instruments.site import Site

LONGEST = 80
ANSWER_NS = 15_000_000
REFUSALS = {"state": "ERR 4", "value": "ERR 2", "voltage from outside": "ERR 6"}


class StartPollTester(LineTester):
    """9600 8N1; commands end in LF (a CR before it is ignored), answers in CR LF."""

    def __init__(self, name: str, site: Site, identification: str) -> None:
        super().__init__(name, site)
        self.identification = identification

    def line(self, text: str) -> Steps:
        answer = self._answer(text)
        yield ANSWER_NS
        self.send(answer.encode() + b"\r\n")

    def _answer(self, text: str) -> str:
        if len(text) > LONGEST:
            return "ERR 3"
        word, _, argument = text.partition(" ")
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
        volts = whole_number(argument)
        if volts is None:
            raise RefusedError("value")
        self.choose(volts)
        return "OK"

    def _reading(self) -> str:
        if self.state is not State.TESTING:
            return "ERR 5"
        if self.newest is None:
            return f"IR=---,V={self.volts_now():.1f}V,T={self.seconds():.1f}S"
        found = self.newest
        ohms = f"{found.sign}{found.limit:.3E}"
        return f"IR={ohms}OHM,V={found.volts:.1f}V,T={found.seconds:.1f}S"
