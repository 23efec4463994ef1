"""Each role over a real link, as far as one instrument of its kind goes."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.dialect import load_dialect
from drivers.errors import RefusedError
from drivers.insulation_tester import InsulationTester
from drivers.scanner import Scanner
from drivers.supply import Supply
from drivers.time import WallTime
from tests.drivers.peers import Peer, Serve, on_pty


class SupplyWords:
    def __init__(self) -> None:
        self.settings = {"VOLT": "0", "CURR": "0", "VOLT:PROT": "30", "VOLT:SENS:SOUR": "INT"}
        self.on = False
        self.errors: list[str] = []

    def __call__(self, line: str) -> str | None:
        header, _, argument = line.partition(" ")
        if argument and header in self.settings:
            self.settings[header] = argument
        elif header[:-1] in self.settings:
            return self.settings[header[:-1]]
        elif line == "*IDN?":
            return "EXAMPLE,SUPPLY,0,1"
        elif line == "SYST:ERR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        elif line == "OUTP?":
            return "1" if self.on else "0"
        elif header == "OUTP":
            self.on = argument == "ON"
        elif line == "MEAS:VOLT?":
            return self.settings["VOLT"] if self.on else "0.003"
        elif line == "MEAS:CURR?":
            return "0.0143" if self.on else "0.0001"
        elif line == "VOLT:PROT:TRIP?":
            return "0"
        elif line not in ("", "*CLS"):
            self.errors.append('-113,"Undefined header"')
        return None


def test_a_supply_is_programmed_switched_read_and_proven_off(serve: Serve) -> None:
    with serve(Peer(SupplyWords())) as peer:
        dialect = load_dialect("scpi-supply")
        with Supply.open("supply", peer.resource, dialect, WallTime()) as supply:
            supply.program(5.0, 0.02, 6.0, True)
            assert supply.is_off()
            supply.switch_on()
            assert supply.read("voltage").value == 5.0
            assert supply.read("current").value == 0.0143
            supply.safe_off()
            assert supply.is_off()
    assert "VOLT:SENS:SOUR EXT" in peer.received
    assert "VOLT:PROT 6" in peer.received


def test_a_scanner_breaks_before_it_makes(serve: Serve) -> None:
    closed: set[int] = set()

    def numbers(line: str) -> set[int]:
        return {int(number) for number in line.partition("(@")[2].rstrip(")").split(",")}

    def obey(line: str) -> str | None:
        if line == "*IDN?":
            return "EXAMPLE,SCANNER,0,1"
        if line == "SYST:ERR?":
            return '0,"No error"'
        if line == "ROUT:CLOS:STAT?":
            return f"(@{','.join(map(str, sorted(closed)))})"
        if line == "ROUT:OPEN:ALL":
            closed.clear()
        elif line.startswith("ROUT:OPEN"):
            closed.difference_update(numbers(line))
        elif line.startswith("ROUT:CLOS"):
            closed.update(numbers(line))
        return None

    with serve(Peer(obey)) as peer:
        dialect = load_dialect("scpi-scanner")
        with Scanner.open("scanner", peer.resource, dialect, WallTime()) as scanner:
            scanner.close_only({101, 205})
            assert scanner.closed() == {101, 205}
            scanner.close_only({101, 306})
            assert scanner.closed() == {101, 306}
            scanner.open_all()
            assert scanner.closed() == frozenset()
    told = [line for line in peer.received if line.startswith(("ROUT:OPEN", "ROUT:CLOS (@"))]
    assert told == ["ROUT:CLOS (@101,205)", "ROUT:OPEN (@205)", "ROUT:CLOS (@306)", "ROUT:OPEN:ALL"]


def test_an_insulation_tester_is_started_polled_and_proven_discharged() -> None:
    state: dict[str, Any] = {"name": "READY", "polls": 0, "volts": "50"}

    def obey(line: str) -> str | None:
        if not line:
            return None
        if line == "ID?":
            return "EXAMPLE,INSULATION,0,1.0"
        if line.startswith("VOLT "):
            state["volts"] = line[5:]
            return "OK"
        if line == "VOLT?":
            return f"VOLT={state['volts']}V"
        if line == "START":
            state.update(name="CHARGING", polls=0)
            return "OK"
        if line == "STATE?":
            state["polls"] += 1
            if state["polls"] > 2:
                state["name"] = {"CHARGING": "TESTING", "DISCHARGING": "READY"}.get(
                    state["name"], state["name"]
                )
            return str(state["name"])
        if line == "READ?":
            return "IR=1.250E+09OHM,V=50.1V,T=15.0S" if state["name"] == "TESTING" else "ERR 5"
        if line == "OUT?":
            return "OUT=50.1V" if state["name"] == "TESTING" else "OUT=0.3V"
        if line == "STOP":
            state.update(name="DISCHARGING", polls=0)
            return "OK"
        return "ERR 1"

    with on_pty(Peer(obey, reply_end=b"\r\n")) as peer:
        dialect = load_dialect("line-insulation-start-poll")
        with InsulationTester.open("insulation", peer.resource, dialect, WallTime()) as tester:
            with pytest.raises(RefusedError, match="lowest allowed"):
                tester.start(5.0)
            with pytest.raises(RefusedError, match="not measuring"):
                tester.read()
            tester.start(50.0)
            assert tester.read().value == 1.25e9
            applied = tester.applied_volts()
            assert applied is not None
            assert applied.value == 50.1
            tester.stop()
            tester.start(50.0)
            tester.safe_off()
            assert state["name"] == "READY"
