"""Sources of millivolts and milliamperes."""

from __future__ import annotations

import pytest

from drivers.errors import RefusedError
from drivers.source import Source
from drivers.time import WallTime
from tests.drivers.instruments_met import Scpi
from tests.drivers.peers import Peer, Serve
from tests.drivers.shapes import dialect, quick


class Calibrator(Scpi):
    """Function by an unquoted word; the output goes off when the function changes."""

    def __init__(self) -> None:
        super().__init__("EXAMPLE,SOURCE,9,1.0")
        self.function = "VOLT"
        self.on = False
        self.first = {"SOUR:VOLT": "0", "SOUR:CURR": "0", "SOUR:VOLT:ILIM": "0.1",
                      "SOUR:CURR:VLIM": "10"}  # fmt: skip
        self.actions = {"SOUR:FUNC": self._choose, "OUTP": self._switch}
        self.answers = {
            "SOUR:FUNC?": lambda: self.function,
            "OUTP?": lambda: str(int(self.on)),
            "MEAS:VOLT?": lambda: f"{float(self.settings['SOUR:VOLT']) * self.on:+.6E}",
            "MEAS:CURR?": lambda: f"{float(self.settings['SOUR:CURR']) * self.on:+.6E}",
        }
        self.power_up()

    def power_up(self) -> None:
        super().power_up()
        self.function, self.on = "VOLT", False

    def _choose(self, argument: str) -> None:
        if argument in ("VOLT", "CURR"):
            self.function = argument
        else:
            self.errors.append('-224,"Illegal parameter value"')

    def _switch(self, argument: str) -> None:
        self.on = argument == "ON"


def test_volts_and_amperes_are_sourced_and_amperes_sunk(serve: Serve) -> None:
    calibrator = Calibrator()
    with (
        serve(Peer(calibrator)) as peer,
        Source.open("source", peer.resource, quick("scpi-source"), WallTime()) as source,
    ):
        source.program("dc-voltage", 0.0100005, limit=0.02)
        assert calibrator.settings["SOUR:VOLT"] == "0.0100005"
        source.switch_on()
        assert source.read("dc-voltage").value == pytest.approx(0.0100005)
        with pytest.raises(RefusedError, match="switch dc-voltage off before dc-current"):
            source.program("dc-current", 0.012)
        source.switch_off()
        source.program("dc-current", 0.012)
        source.switch_on()
        assert calibrator.settings["SOUR:CURR"] == "0.012"
        source.safe_off()
        assert not calibrator.on
        source.program("dc-current-sink", 0.004)
        assert calibrator.settings["SOUR:CURR"] == "-0.004"


def test_what_a_source_cannot_be_is_said_before_anything_is_sent(serve: Serve) -> None:
    with (
        serve(Peer(Calibrator())) as peer,
        Source.open("source", peer.resource, quick("scpi-source"), WallTime()) as source,
    ):
        peer.received.clear()
        with pytest.raises(RefusedError, match="no source of resistance; it is one of dc-current"):
            source.program("resistance", 350.0)
        with pytest.raises(RefusedError, match="nothing is programmed yet"):
            source.switch_on()
        with pytest.raises(RefusedError, match="does not read temperature"):
            source.read("temperature")
        assert peer.received == []


DECADE = """
role = "source"
about = "a simulator of bridges that is always there"
[link]
reply_s = 0.5
[source.voltage-ratio]
unit = "V/V"
values.value = { scale = 1e3, format = ".4f", least = -2e-3, most = 2e-3 }
program = [{ tell = "RATIO {value}", ask = "RATIO?", reply = "(?P<value>{number})" }]
[safe_off]
tell = ["RATIO 0"]
proof = [{ ask = "RATIO?", reply = "0(\\\\.0*)?" }]
"""


def test_a_bridge_simulator_is_a_source_without_a_switch(serve: Serve) -> None:
    simulator = Scpi()
    simulator.first = {"RATIO": "1"}
    simulator.power_up()
    with (
        serve(Peer(simulator)) as peer,
        Source.open("source", peer.resource, dialect(DECADE), WallTime()) as source,
    ):
        source.program("voltage-ratio", 1.23456e-3)
        assert simulator.settings["RATIO"] == "1.2346"
        assert not source.is_off()
        with pytest.raises(RefusedError, match="no limit for voltage-ratio"):
            source.program("voltage-ratio", 1e-3, limit=1.0)
        with pytest.raises(RefusedError, match="above the highest allowed"):
            source.program("voltage-ratio", 3e-3)
        source.safe_off()
        assert simulator.settings["RATIO"] == "0"
