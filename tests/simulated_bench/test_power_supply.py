"""The simulated supply on a real circuit: regulation, limit, protection, and that off is not zero.

Closed forms: Ohm's law at the invented cell B-011902 (385.1 ohm), an output capacitor of 470 uF
that discharges through bridge and bleeder.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from simulated_bench.process import Leader
from simulated_bench.scenario import Scenario
from tests.simulated_bench.serving import EXCITATION, join, led

RIN = 385.1


@pytest.fixture
def bench() -> Iterator[Leader]:
    with led() as leader:
        join(leader, *EXCITATION, ("dmm HI", "Se+"), ("dmm LO", "Se-"))
        leader.say("dmm", "CONF:VOLT:DC 10;:VOLT:NPLC 1;:INP:IMP:AUTO ON")
        yield leader


def switch_on(bench: Leader, volts: float = 10.0, amps: float = 0.1, sense: str = "EXT") -> None:
    bench.say("supply", f"VOLT {volts};CURR {amps};VOLT:SENS:SOUR {sense};:OUTP ON", 1.0)


def at_the_cell(bench: Leader) -> float:
    return float(bench.ask("dmm", "READ?"))


def read_back(bench: Leader, what: str = "VOLT") -> float:
    return float(bench.ask("supply", f"MEAS:{what}?"))


def test_remote_sense_brings_the_set_voltage_to_the_cell(bench: Leader) -> None:
    switch_on(bench)
    # Programming 0.05 % + 5 mV, and what the sense network's own current drops.
    assert at_the_cell(bench) == pytest.approx(10.0, abs=0.02)
    assert read_back(bench) == pytest.approx(10.0, abs=0.02)
    assert read_back(bench, "CURR") == pytest.approx(10 / (RIN - 2 * 0.383), rel=3e-3)


def test_local_sense_leaves_the_drop_of_relays_and_conductors(bench: Leader) -> None:
    switch_on(bench, sense="INT")
    drop = 10.0 - at_the_cell(bench)
    # Two relays of 0.18 to 0.3 ohm and two conductors of 0.38 ohm of about 386 ohm.
    assert 0.02 < drop < 0.045
    assert read_back(bench) == pytest.approx(10.0, abs=0.02)


def test_the_current_limit_turns_the_supply_into_a_current_source(bench: Leader) -> None:
    switch_on(bench, amps=0.01)
    amps = read_back(bench, "CURR")
    assert amps == pytest.approx(0.01, abs=1e-3)  # the bleeder counts for the limit
    assert at_the_cell(bench) == pytest.approx(amps * (RIN - 0.77), rel=0.01)
    assert int(bench.ask("supply", "STAT:QUES:COND?")) & 1


def test_off_is_not_zero_until_the_output_capacitor_is_empty(bench: Leader) -> None:
    switch_on(bench)
    bench.say("supply", "OUTP OFF", 0.1)
    assert bench.ask("supply", "OUTP?") == "0"
    bench.say("dmm", "VOLT:ZERO:AUTO OFF")
    begun = bench.seconds
    first = at_the_cell(bench)
    between = bench.seconds - begun
    second = at_the_cell(bench)
    load = 1 / (1 / RIN + 1 / 5e3 + 1 / 104_400)
    assert second / first == pytest.approx(math.exp(-between / (load * 470e-6)), rel=0.02)
    bench.advance(5.0)
    assert abs(at_the_cell(bench)) < 1e-3


def test_going_down_takes_as_long_as_the_load_needs(bench: Leader) -> None:
    switch_on(bench)
    bench.say("supply", "VOLT 1", 0.05)
    assert at_the_cell(bench) > 5.0
    bench.advance(3.0)
    assert at_the_cell(bench) == pytest.approx(1.0, abs=0.01)


def test_the_output_rises_as_fast_as_the_current_limit_fills_the_capacitor(bench: Leader) -> None:
    bench.say("supply", "VOLT 10;CURR 0.03;VOLT:SENS:SOUR EXT;:OUTP ON", 0.05)
    # Less than 30 mA x 50 ms / 470 uF, the bridge takes its part.
    assert at_the_cell(bench) < 0.03 * 0.09 / 470e-6
    bench.advance(3.0)
    assert at_the_cell(bench) == pytest.approx(10.0, abs=0.02)


def test_the_protection_trips_latches_and_is_cleared_only_on_purpose(bench: Leader) -> None:
    switch_on(bench, volts=5.0)
    bench.say("supply", "VOLT:PROT 4", 0.3)
    assert bench.ask("supply", "OUTP?") == "0"
    assert bench.ask("supply", "VOLT:PROT:TRIP?") == "1"
    bench.say("supply", "OUTP ON", 0.1)
    assert bench.ask("supply", "SYST:ERR?") == '-221,"Settings conflict"'
    assert bench.hand("display", wire="supply")["text"].endswith("OVP")
    bench.say("supply", "VOLT:PROT 8;PROT:CLE;:OUTP ON", 0.5)
    assert bench.ask("supply", "OUTP?;:VOLT:PROT:TRIP?") == "1;0"


def test_an_open_sense_lead_lets_the_output_rise() -> None:
    fault = {"kind": "open", "element": "conductor Se+"}
    with led(Scenario.model_validate({"fault": [fault]})) as bench:
        join(bench, *EXCITATION, ("dmm HI", "Ex+"), ("dmm LO", "Ex-"))
        bench.say("dmm", "CONF:VOLT:DC 100")
        bench.say("supply", "VOLT 10;CURR 0.1;VOLT:SENS EXT;:OUTP ON", 1.0)
        # 2.2 kohm from the open sense terminal to the output against 100 kohm: some 2 %.
        assert 10.1 < at_the_cell(bench) < 10.5


def test_crossed_sense_leads_run_away_and_trip_the_protection() -> None:
    with led() as bench:
        crossed = (*EXCITATION[:2], ("supply sense +", "Se-"), ("supply sense -", "Se+"))
        join(bench, *crossed)
        bench.say("supply", "VOLT 5;CURR 0.1;:VOLT:PROT 7;:VOLT:SENS EXT;:OUTP ON", 1.0)
        assert bench.ask("supply", "VOLT:PROT:TRIP?") == "1"


def test_shorted_excitation_leads_stay_within_the_limit() -> None:
    fault = {"kind": "leak", "between": ["Ex+", "Ex-"], "ohms": 0.05}
    with led(Scenario.model_validate({"fault": [fault]})) as bench:
        join(bench, *EXCITATION)
        bench.say("supply", "VOLT 1;CURR 0.02;VOLT:SENS EXT;:OUTP ON", 1.0)
        assert read_back(bench, "CURR") == pytest.approx(0.02, abs=3e-4)
        assert read_back(bench) < 0.01


def test_mains_off_and_on_leaves_the_output_off_with_settings_of_power_up(bench: Leader) -> None:
    switch_on(bench)
    bench.hand("power-cycle", wire="supply")
    bench.open("supply")
    assert bench.ask("supply", "OUTP?;:VOLT?;CURR?") == "0;+0.00000000E+00;+1.00000000E-01"


def test_a_supply_left_on_the_bridge_spoils_ohms(bench: Leader) -> None:
    bench.say("dmm", "CONF:FRES 1000;:FRES:OCOM ON")
    join(
        bench,
        *EXCITATION,
        ("dmm HI", "Ex+"),
        ("dmm LO", "Ex-"),
        ("dmm sense HI", "Ex+"),
        ("dmm sense LO", "Ex-"),
    )
    bench.advance(5.0)
    # Off, but its 5 kohm bleeder and sense network (2 x 2.2 k + 100 k beside) stay.
    beside = 1 / (1 / RIN + 1 / 5e3)
    assert at_the_cell(bench) == pytest.approx(beside, rel=0.01)
    assert at_the_cell(bench) < RIN - 20


@pytest.mark.parametrize(
    ("manner", "said"),
    [
        (
            "scpi-supply-select",
            [
                ("INST:NSEL 1;NSEL?", "1"),
                ("VOLT 5;CURR 0.1;:SYST:RSEN ON;RSEN?", "1"),
                ("INST:NSEL 2;:VOLT 3;VOLT?", "+3.00000000E+00"),
                ("OUTP ON;:OUTP?", "1"),
                ("MEAS:VOLT?", "+0.00000000E+00"),
                ("INST:NSEL 1;:VOLT?", "+5.00000000E+00"),
                ("OUTP?", "0"),
            ],
        ),
        (
            "scpi-supply-list",
            [
                ("VOLT 5,(@1);:VOLT? (@1)", "+5.00000000E+00"),
                ("VOLT 3,(@2);:VOLT? (@2)", "+3.00000000E+00"),
                ("VOLT? (@1,2)", "+5.00000000E+00,+3.00000000E+00"),
                ("OUTP ON,(@2);:OUTP? (@1,2)", "0,1"),
                ("VOLT:SENS:SOUR EXT,(@1);:VOLT:SENS:SOUR? (@1)", "EXT"),
            ],
        ),
    ],
)
def test_two_outputs_keep_their_settings_apart(manner: str, said: list[tuple[str, str]]) -> None:
    with led(Scenario.model_validate({"instruments": {"supply": {"manner": manner}}})) as bench:
        for text, answer in said:
            assert bench.ask("supply", text) == answer
        assert bench.ask("supply", "SYST:ERR?") == '0,"No error"'


def test_the_terminals_on_the_bench_are_those_of_output_one() -> None:
    table = {"instruments": {"supply": {"manner": "scpi-supply-list"}}}
    with led(Scenario.model_validate(table)) as bench:
        join(bench, *EXCITATION)
        bench.say("supply", "CURR 0.1,(@1);:VOLT 5,(@1);:VOLT:SENS:SOUR EXT,(@1)")
        bench.say("supply", "OUTP ON,(@1)", 1.0)
        assert float(bench.ask("supply", "MEAS:VOLT? (@1)")) == pytest.approx(5.0, abs=0.02)
        bench.say("supply", "OUTP OFF,(@1)", 3.0)
        assert float(bench.ask("supply", "MEAS:VOLT? (@1)")) < 0.1
