"""Scanner, source, thermometer and the instruments that a person reads."""

from __future__ import annotations

import pytest

from simulated_bench.scenario import Scenario
from tests.simulated_bench.serving import join, led

BESIDE: dict[str, object] = {
    role: {} for role in ("source", "thermometer", "hygrometer", "barometer")
}


def beside(**more: object) -> Scenario:
    return Scenario.model_validate({"instruments": BESIDE, **more})


def test_a_relay_takes_its_time_and_answers_when_it_has_moved() -> None:
    with led() as bench:
        bench.open("scanner")
        begun = bench.seconds
        assert bench.ask("scanner", "ROUT:CLOS (@101,202);*OPC?") == "1"
        assert 0.01 < bench.seconds - begun < 0.05
        assert bench.hand("display", wire="scanner")["text"] == "101 202"


def test_channels_may_be_written_backwards_and_as_ranges() -> None:
    with led() as bench:
        assert bench.ask("scanner", "ROUT:CLOS (@103:101,205);CLOS:STAT?") == "(@101,102,103,205)"
        assert bench.ask("scanner", "ROUT:OPEN (@102:103);:ROUT:CLOS:STAT?") == "(@101,205)"
        assert bench.ask("scanner", "ROUT:OPEN? (@101,102)") == "0,1"
        assert bench.ask("scanner", "ROUT:OPEN:ALL;:ROUT:CLOS:STAT?") == "(@)"


def test_relays_fall_open_with_the_mains() -> None:
    with led() as bench:
        bench.say("scanner", "ROUT:CLOS (@101)", 0.1)
        bench.hand("power-cycle", wire="scanner")
        bench.open("scanner")
        assert bench.ask("scanner", "ROUT:CLOS:STAT?") == "(@)"
        bench.say("dmm", "CONF:RES 1E6")
        assert float(bench.ask("dmm", "READ?")) > 9e37


def test_a_stuck_relay_answers_as_if_it_had_moved() -> None:
    table = {"instruments": {"scanner": {"stuck": [101]}}}
    with led(Scenario.model_validate(table)) as bench:
        assert bench.ask("scanner", "ROUT:CLOS (@101,202);CLOS:STAT?") == "(@101,202)"
        bench.say("dmm", "CONF:RES 1E6")
        assert float(bench.ask("dmm", "READ?")) > 9e37


def test_a_welded_relay_joins_what_should_be_apart() -> None:
    fault = {"kind": "short", "element": "relay 102", "ohms": 0.3}
    with led(Scenario.model_validate({"fault": [fault]})) as bench:
        join(bench, ("dmm HI", "Ex+"), ("dmm LO", "S+"))
        bench.say("dmm", "CONF:RES 1E3;:RES:OCOM ON")
        # HI hangs on Ex+ and on Ex-: the way from S+ to both is shorter than the 281 ohm to one.
        assert float(bench.ask("dmm", "READ?")) < 200.0


@pytest.mark.parametrize("volts", [0.02, -0.02, 5.0])
def test_the_source_gives_millivolts_that_the_meter_reads(volts: float) -> None:
    with led(beside()) as bench:
        # Source on row 16 and 17, by way of the leads of no cell at all: shield and housing.
        bench.say("scanner", "ROUT:CLOS (@1607,1708,107,208)", 0.1)
        bench.say("source", f"SOUR:FUNC VOLT;:SOUR:VOLT {volts};:OUTP ON", 0.5)
        bench.say("dmm", f"CONF:VOLT:DC {abs(volts)}")
        read = float(bench.ask("dmm", "READ?"))
        assert read == pytest.approx(volts, rel=2e-4, abs=2e-5)
        assert float(bench.ask("source", "MEAS:VOLT?")) == pytest.approx(volts, rel=2e-4, abs=1e-4)


def test_the_source_drives_a_current_and_sinks_one_in_a_powered_loop() -> None:
    with led(beside()) as bench:
        bench.say("scanner", "ROUT:CLOS (@1607,1708,107,208)", 0.1)
        bench.say("source", "SOUR:FUNC CURR;:SOUR:CURR 0.012;:SOUR:CURR:VLIM 20;:OUTP ON", 0.5)
        bench.say("dmm", "CONF:CURR:DC 0.1")
        assert float(bench.ask("dmm", "READ?")) == pytest.approx(0.012, abs=3e-5)
        assert float(bench.ask("source", "MEAS:CURR?")) == pytest.approx(0.012, abs=5e-6)
        # In the place of a two-wire transmitter: 12 V, meter and source in series.
        bench.say("source", "OUTP OFF;:SOUR:CURR -0.008", 0.1)
        for terminal, lead in (("supply +", "S+"), ("supply -", "housing")):
            bench.hand("clip", terminal=terminal, lead=lead)
        bench.say("scanner", "ROUT:OPEN:ALL", 0.1)
        bench.say("scanner", "ROUT:CLOS (@105,207,1607,1708)", 0.1)
        bench.say("supply", "VOLT 12;CURR 0.1;:OUTP ON", 1.0)
        bench.say("source", "OUTP ON", 0.5)
        assert float(bench.ask("dmm", "READ?")) == pytest.approx(0.008, abs=3e-5)


def test_the_source_stays_within_its_limit() -> None:
    with led(beside()) as bench:
        bench.say("source", "SOUR:FUNC CURR;:SOUR:CURR 0.01;:SOUR:CURR:VLIM 5;:OUTP ON", 0.5)
        # Nothing joined: its own 1 Gohm leak takes it to the voltage limit.
        assert float(bench.ask("source", "MEAS:VOLT?")) == pytest.approx(5.0, abs=0.06)
        assert bench.ask("source", "SOUR:FUNC?;:OUTP?") == "CURR;1"


def test_the_thermometer_follows_the_room_and_its_profile() -> None:
    room = {"profile": [[0.0, 20.0], [1000.0, 30.0]], "humidity_percent": 51.0}
    with led(beside(room=room)) as bench:
        assert float(bench.ask("thermometer", "MEAS:TEMP?")) == pytest.approx(20.0, abs=0.2)
        bench.advance(500.0)
        assert float(bench.ask("thermometer", "MEAS:TEMP?")) == pytest.approx(25.0, abs=0.2)
        kelvin = float(bench.ask("thermometer", "UNIT:TEMP K;:MEAS:TEMP?"))
        assert kelvin == pytest.approx(298.15, abs=0.2)
        assert bench.ask("thermometer", "UNIT:TEMP?") == "K"
        assert bench.hand("display", wire="hygrometer")["text"] == "51.0 percent"
        assert bench.hand("display", wire="barometer")["text"] == "101325 Pa"
        bench.hand("temperature", celsius=18.0)
        assert bench.hand("display", wire="thermometer")["text"].startswith("1")


def test_the_second_meter_has_terminals_of_its_own() -> None:
    with led(Scenario.model_validate({"instruments": {"second-dmm": {}}})) as bench:
        bench.say("scanner", "ROUT:CLOS (@1205,1306,1405,1506)", 0.1)
        bench.say("second-dmm", "CONF:FRES 1000;:FRES:OCOM ON")
        assert float(bench.ask("second-dmm", "READ?")) == pytest.approx(351.3, abs=0.06)
        assert bench.ask("second-dmm", "*IDN?") == "EXAMPLE,DMM 6.5,0418,1.0"
