"""Instruments of pyvisa-sim, through a VISA library that is not ours: only the files differ."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.dmm import Dmm
from drivers.errors import InstrumentError, RefusedError, ReplyError
from drivers.insulation_tester import InsulationTester
from drivers.supply import Supply
from drivers.time import WallTime
from tests.drivers.shapes import dialect

LIBRARY = f"{Path(__file__).with_name('met_by_simulator.yaml')}@sim"

METER = """
role = "dmm"
about = "the simulator's meters"
[link]
command_end = "{command_end}"
reply_end = "\\n"
reply_s = 0.5
longest_reply_s = 0.1
[identification]
[errors]
[[start_up]]
tell = "*CLS"
[quantities.dc-voltage]
unit = "V"
[quantities.dc-voltage.reading]
ask = "MEAS:VOLT:DC?"
reply = "(?P<value>{{number}})( (?P<unit>.+))?"
[quantities.resistance-2-wire]
unit = "ohm"
[quantities.resistance-2-wire.reading]
ask = "MEAS:RES?"
reply = "(?P<value>{{number}})( (?P<unit>.+))?"
[quantities.resistance]
unit = "ohm"
[quantities.resistance.reading]
ask = "MEAS:FRES?"
reply = "(?P<value>{{number}})( (?P<unit>.+))?"
"""

SUPPLY = """
role = "supply"
about = "the simulator's supply"
[link]
command_end = "\\r\\n"
reply_end = "\\r\\n"
reply_s = 0.5
longest_reply_s = 0.1
[identification]
[acknowledgement]
pattern = "OK"
[refusal]
reply = "ERR( (?P<code>[0-9]))?"
meanings = { 2 = "value not allowed" }
[supply]
program = [
    { tell = "VOLT {volts}", ask = "VOLT?", reply = "(?P<volts>{number})V" },
    { tell = "CURR {amps_limit}", ask = "CURR?", reply = "(?P<amps_limit>{number})A" },
]
on = [{ tell = "OUTP 1" }]
off = [{ tell = "OUTP 0" }]
state = { ask = "OUTP?", reply = "(?P<on>1)|(?P<off>0)" }
[safe_off]
tell = ["OUTP 0"]
proof = [{ ask = "OUTP?", reply = "0" }]
[quantities.current]
unit = "A"
[quantities.current.reading]
ask = "MEAS:CURR?"
reply = "(?P<value>{number})(?P<unit>A)"
"""

INSULATION = """
role = "insulation"
about = "the simulator's insulation tester"
[link]
command_end = "\\r\\n"
reply_end = "\\r\\n"
reply_s = 0.5
longest_reply_s = 0.1
[acknowledgement]
pattern = "OK"
[refusal]
reply = "ERR (?P<code>[0-9])"
[values.volts]
format = "d"
[insulation]
start = [
    {{ tell = "SET {{volts}}", ask = "SET?", reply = "(?P<volts>{{number}})" }},
    {{ tell = "START" }},
]
stop = [{{ tell = "STOP" }}]
applied = {{ ask = "VOLTS", reply = "(?P<value>{{number}})V" }}
[safe_off]
tell = ["STOP"]
proof = [{{ ask = "VOLTS", reply = "(?P<value>{{number}})V", below = 5.0 }}]
[quantities.insulation-resistance]
unit = "ohm"
[quantities.insulation-resistance.reading]
by = "poll"
state = {{ ask = "STATUS", reply = "(?P<state>[A-Z]+)", ready = ["TESTING"] }}
ask = "{ask}"
reply = "(IR=)?(?P<limit>[<>])?(?P<value>{{number}}) ?(?P<unit>M?OHM)|(?P<none>---)|(?P<above>OL)"
"""


@pytest.mark.parametrize(
    ("resource", "command_end"),
    [
        ("TCPIP0::sim::5025::SOCKET", "\\n"),
        ("ASRL1::INSTR", "\\r\\n"),
        ("TCPIP0::sim::5026::SOCKET", "\\n"),
        ("ASRL2::INSTR", "\\n"),
    ],
)
def test_meters_with_padding_or_units_are_read(resource: str, command_end: str) -> None:
    spoken = dialect(METER.format(command_end=command_end))
    with Dmm.open("dmm", resource, spoken, WallTime(), library=LIBRARY) as dmm:
        assert dmm.identify().startswith("EXAMPLE")
        volts, ohms = (1.23456789e-3, 350.12) if "5025" in resource or "1" in resource[:5] else (
            1.2346e-3, 350.1,
        )  # fmt: skip
        assert dmm.measure("dc-voltage").value == pytest.approx(volts)
        assert dmm.measure("resistance-2-wire").value == pytest.approx(ohms)
        if volts == 1.23456789e-3:
            assert dmm.measure("resistance").limit == "above"
        else:
            with pytest.raises(ReplyError, match="unit 'V' where ohm is expected"):
                dmm.measure("resistance")
        assert dmm.complaints() == ()


@pytest.mark.parametrize("resource", ["TCPIP0::sim::5028::SOCKET", "ASRL4::INSTR"])
def test_a_supply_that_acknowledges_is_programmed_and_proven_off(resource: str) -> None:
    with Supply.open("supply", resource, dialect(SUPPLY), WallTime(), library=LIBRARY) as supply:
        assert supply.identify() == "SUPPLY V1.3"
        supply.program(5.0, 0.02)
        supply.switch_on()
        assert not supply.is_off()
        assert supply.read("current").value == 0.014
        with pytest.raises(RefusedError, match="ERR 2: value not allowed"):
            supply.program(40.0, 0.02)
        supply.safe_off()
        assert supply.is_off()


@pytest.mark.parametrize(
    ("ask", "value", "limit"),
    [("READ", 1.25e9, None), ("READ2", 1e9, "above"), ("READ4", None, "above")],
)
def test_an_insulation_tester_says_value_limit_or_over_range(
    ask: str, value: float | None, limit: str | None
) -> None:
    spoken = dialect(INSULATION.format(ask=ask))
    with InsulationTester.open(
        "insulation", "ASRL5::INSTR", spoken, WallTime(), library=LIBRARY
    ) as tester:
        tester.start(50.0)
        reading = tester.read()
        assert (reading.value, reading.limit) == (value, limit)
        tester.stop()


@pytest.mark.parametrize("ask", ["READ3", "READ9"])
def test_no_value_and_an_error_are_never_numbers(ask: str) -> None:
    spoken = dialect(INSULATION.format(ask=ask))
    with InsulationTester.open(
        "insulation", "ASRL5::INSTR", spoken, WallTime(), library=LIBRARY
    ) as tester:
        tester.start(50.0)
        with pytest.raises(InstrumentError):
            tester.read()
        tester.safe_off()
