"""The insulation testers in their three manners, over a real serial line, on a real circuit.

The words are those of the testers' own manuals (invented line protocols). Ohm's law for what
they read: known leaks in the cell, the insulation of the matrix in parallel.
"""

from __future__ import annotations

import re

import pytest

from simulated_bench.instruments import insulation_stream
from simulated_bench.instruments.insulation_tester import Measured
from simulated_bench.load_cell import LoadCell
from simulated_bench.process import Leader
from simulated_bench.scenario import Scenario
from tests.simulated_bench.serving import join, lead, led, ohms, serving

ALL = ("Ex+", "Ex-", "Se+", "Se-", "S+", "S-")
LEADS_TO_HOUSING = (*(("insulation +", lead) for lead in ALL), ("insulation -", "housing"))
LEADS_TO_BOTH = (*LEADS_TO_HOUSING, ("insulation -", "shield"))


def scenario(
    leak_ohms: float | None = None, manner: str = "start-poll", **tester: object
) -> Scenario:
    leak = {"kind": "leak", "between": ["pad S+", "housing"], "ohms": leak_ohms}
    return Scenario.model_validate(
        {
            "fault": [leak] if leak_ohms else [],
            "instruments": {"insulation": {"manner": f"line-insulation-{manner}", **tester}},
        }
    )


def poll(bench: Leader, seconds: float = 20.0) -> tuple[str, float, float]:
    """Start, wait, read; return the sign, ohms and volts."""
    assert bench.ask("insulation", "START") == "OK"
    bench.advance(seconds)
    said = bench.ask("insulation", "READ?")
    found = re.fullmatch(r"IR=([<>]?)(\d\.\d{3}E[+-]\d\d)OHM,V=(\d+\.\d)V,T=(\d+\.\d)S", said)
    assert found is not None, said
    # It charges for 5 s at most before it tests.
    assert seconds - 6.0 < float(found[4]) <= seconds
    return found[1], float(found[2]), float(found[3])


@pytest.mark.parametrize(
    ("ohms", "tolerance"), [(1e6, 0.04), (1e8, 0.04), (1e9, 0.06), (5e9, 0.12)]
)
def test_a_known_leak_reads_its_ohms(ohms: float, tolerance: float) -> None:
    with led(scenario(ohms)) as bench:
        join(bench, *LEADS_TO_HOUSING)
        sign, read, volts = poll(bench)
        assert sign == ""
        # In parallel: the sound cell's 50 Gohm against shield and housing, the matrix.
        assert read == pytest.approx(1 / (1 / ohms + 1 / 4e10), rel=tolerance)
        assert volts == pytest.approx(50.0, rel=0.03)


def test_a_sound_cell_reads_gigaohms_that_rise_with_time() -> None:
    with led(scenario()) as bench:
        join(bench, *LEADS_TO_BOTH)
        _, early, _ = poll(bench, 1.2)
        bench.advance(60.0)
        late = float(bench.ask("insulation", "READ?")[3:12])
        assert early < 0.8 * late  # absorption of the cable
        assert 1.5e10 < late < 5e10


def test_nothing_joined_is_above_the_range_and_a_short_below_it() -> None:
    with led(scenario()) as bench:
        sign, ohms, _ = poll(bench)
        assert sign == ">"
        assert ohms == pytest.approx(2e11)
    with led(scenario(50.0)) as bench:
        join(bench, *LEADS_TO_HOUSING)
        sign, ohms, volts = poll(bench)
        assert sign == "<"
        assert ohms == pytest.approx(1e4)
        assert volts < 1.0  # the current limit


def test_states_follow_each_other_and_words_are_refused_out_of_turn() -> None:
    with led(scenario()) as bench:
        assert bench.ask("insulation", "ID?") == "EXAMPLE,INSULATION,0051,1.0"
        assert bench.ask("insulation", "STATE?") == "READY"
        assert bench.ask("insulation", "READ?") == "ERR 5"
        assert bench.ask("insulation", "VOLT 100") == "OK"
        assert bench.ask("insulation", "VOLT?") == "VOLT=100V"
        assert bench.ask("insulation", "VOLT 5") == "ERR 2"
        assert bench.ask("insulation", "VOLT 50.0") == "ERR 2"
        assert bench.ask("insulation", "VOLT") == "ERR 2"
        assert bench.ask("insulation", "JUMP") == "ERR 1"
        assert bench.ask("insulation", "start") == "ERR 1"
        assert bench.ask("insulation", "X" * 81) == "ERR 3"
        assert bench.ask("insulation", "\r\n\nSTART\r\n") == "OK"
        assert bench.ask("insulation", "STATE?") == "CHARGING"
        assert bench.ask("insulation", "VOLT 50") == "ERR 4"
        assert bench.ask("insulation", "START") == "ERR 4"
        bench.advance(2.0)
        assert bench.ask("insulation", "STATE?") == "TESTING"
        assert bench.ask("insulation", "STOP") == "OK"
        bench.advance(1.0)
        assert bench.ask("insulation", "STATE?") == "READY"
        assert float(bench.ask("insulation", "OUT?")[4:-1]) < 5.0


def test_no_measurement_finished_yet_says_so() -> None:
    with led(scenario()) as bench:
        bench.ask("insulation", "START")
        bench.advance(0.1)
        assert bench.ask("insulation", "READ?").startswith("IR=---,V=")


def test_answers_come_within_a_tenth_of_a_second() -> None:
    with led(scenario()) as bench:
        begun = bench.seconds
        bench.ask("insulation", "STATE?")
        assert bench.seconds - begun < 0.1


def test_a_voltage_from_outside_keeps_it_from_starting() -> None:
    # A second path brings 30 V to the terminals: a supply of 20 V does not, so a source does.
    with led(Scenario.model_validate({"instruments": {"source": {}}})) as bench:
        bench.say("source", "FUNC CURR;:CURR:VLIM 28;:CURR 0.01;:OUTP ON", 0.1)
        bench.hand("clip", terminal="source +", lead="Ex+")
        bench.hand("clip", terminal="source -", lead="housing")
        join(bench, ("insulation +", "Ex+"), ("insulation -", "housing"))
        said = bench.ask("insulation", "START")
        # The tester's own discharge of 10 kohm lets 10 mA make 28 V: the limit of the source.
        assert said == "ERR 6"


def test_the_voltage_stays_on_when_nobody_is_connected_until_mains_go_off() -> None:
    with led(scenario()) as bench:
        join(bench, *LEADS_TO_HOUSING)
        bench.ask("insulation", "START")
        bench.advance(3.0)
        bench.hang_up("insulation")
        bench.advance(30.0)
        bench.open("insulation")
        assert float(bench.ask("insulation", "OUT?")[4:-1]) > 45.0
        bench.hand("power-cycle", wire="insulation")
        assert bench.ask("insulation", "STATE?") == "READY"
        assert float(bench.ask("insulation", "OUT?")[4:-1]) < 1.0


def test_it_wakes_up_with_the_voltage_its_knob_stands_on() -> None:
    with led(scenario(volts=500)) as bench:
        assert bench.ask("insulation", "VOLT?") == "VOLT=500V"


def test_after_a_test_the_cable_gives_voltage_back_and_is_discharged() -> None:
    with led(scenario()) as bench:
        join(bench, *LEADS_TO_BOTH)
        poll(bench, 60.0)
        bench.ask("insulation", "STOP")
        bench.advance(1.0)
        assert abs(float(bench.ask("insulation", "OUT?")[4:-1])) < 1.0


def test_on_request_it_measures_when_asked() -> None:
    with led(scenario(1e9, "request")) as bench:
        join(bench, *LEADS_TO_HOUSING)

        def ask(text: str) -> str:
            bench.advance(0.03)
            return bench.ask("insulation", text.encode() + b"\r")

        assert ask("U?") == "U0050"
        assert ask("U0100") == "OK"
        assert ask("U?") == "U0100"
        assert ask("U0050") == "OK"
        assert ask("U050") == "ERR"
        assert ask("ID?") == "ERR"
        assert ask("H?") == "H1"
        assert ask("R") == "---"
        assert ask("H0") == "OK"
        bench.advance(5.0)
        assert ask("H?") == "H0"
        begun = bench.seconds
        said = ask("R")
        assert bench.seconds - begun > 0.5
        found = re.fullmatch(r"( *\d+\.\d) MOHM", said)
        assert found is not None, said
        assert len(found[1]) == 8
        assert float(found[1]) == pytest.approx(1e3 / (1 + 1 / 40), rel=0.06)
        assert re.fullmatch(r"0049\.\d V|005[01]\.\d V", ask("V"))
        assert ask("H1") == "OK"
        bench.advance(2.0)
        assert ask("H?") == "H1"
        assert ask("R") == "---"


def test_on_request_it_is_deaf_right_after_an_answer() -> None:
    with led(scenario(None, "request")) as bench:
        assert bench.ask("insulation", b"U?\r") == "U0050"
        with pytest.raises(TimeoutError):
            bench.ask("insulation", b"U?\r", 2.0)
        assert bench.ask("insulation", b"U?\r") == "U0050"


def test_out_of_range_on_request() -> None:
    with led(scenario(None, "request")) as bench:
        bench.ask("insulation", b"H0\r")
        bench.advance(3.0)
        assert bench.ask("insulation", b"R\r") == "> 200.0 GOHM"


def test_the_stream_talks_by_itself_and_keeps_its_newest_lines() -> None:
    with led(scenario(1e9, "stream")) as bench:
        join(bench, *LEADS_TO_HOUSING)
        bench.open("insulation")
        line = bench.line("insulation")
        assert re.fullmatch(r"IDLE,0000\.\dV,---,0000\.0S,0050", line)
        bench.say("insulation", "SET 100")
        bench.say("insulation", "SET 50")
        bench.say("insulation", "GO")
        bench.advance(600.0)
        kept = bench.discard("insulation").decode().split("\r\n")
        assert len(kept) == 8 + 1  # the newest of one advance, and what follows the last end
        state, volts, ohms, seconds, setting = kept[-2].split(",")
        assert (state, setting) == ("TEST", "0050")
        assert float(volts[:-1]) == pytest.approx(50.0, rel=0.03)
        assert re.fullmatch(r"\d\.\d{3}[GM]|\d{3}\.\dM", ohms)
        scale = {"G": 1e9, "M": 1e6}[ohms[-1]]
        assert float(ohms[:-1]) * scale == pytest.approx(9.76e8, rel=0.06)
        assert float(seconds[:-1]) == pytest.approx(599.9, abs=0.5)
        bench.say("insulation", "OFF", 2.0)
        assert bench.discard("insulation").decode().split("\r\n")[-2].startswith("IDLE,")


def test_the_stream_says_what_it_does_not_do() -> None:
    with led(scenario(None, "stream")) as bench:
        for text, error in (("HOP", "ERR,1"), ("SET 5", "ERR,2"), ("SET x", "ERR,2")):
            bench.say("insulation", text, 0.1)
            assert error in bench.discard("insulation").decode()
        bench.say("insulation", "GO", 2.0)
        bench.discard("insulation")
        bench.say("insulation", "SET 100", 0.1)
        assert "ERR,4" in bench.discard("insulation").decode()


def test_an_instrument_without_a_link_is_operated_and_read_by_a_person() -> None:
    table = {"instruments": {"insulation": {"by_hand": True}}}
    with led(Scenario.model_validate(table)) as bench:
        assert "insulation" not in bench.about["sent"]
        join(bench, *LEADS_TO_HOUSING)
        bench.hand("operate", wire="insulation", command="START")
        bench.advance(20.0)
        shown = bench.hand("display", wire="insulation")["text"]
        assert re.fullmatch(r"\d\.\d{3}E\+10 OHM \d\d\.\d V TESTING", shown)
        bench.hand("operate", wire="insulation", command="STOP")
        bench.advance(1.0)
        assert bench.hand("display", wire="insulation")["text"].endswith("READY")


@pytest.mark.parametrize(
    ("ohms", "text"),
    [
        (1.25e9, "1.250G"),
        (3.5e5, "350.0k"),
        (9.9997e8, "1.000G"),
        (2e12, "2.000T"),
        (1.234e4, "12.34k"),
    ],
)
def test_the_stream_writes_four_digits_and_a_prefix(ohms: float, text: str) -> None:
    assert insulation_stream.shown(Measured(ohms, "", ohms, 50.0, 1.0)) == text


@pytest.mark.parametrize("volts", [250, 500])
@pytest.mark.parametrize("seed", [1, 3, 5, 8, 12])
def test_a_tester_left_on_a_high_voltage_pierces_the_cells_that_do_not_stand_it(
    seed: int, volts: int
) -> None:
    """One law: below the strength that was drawn for the cell nothing happens to it."""
    with serving(scenario(volts=volts), seed=seed) as served, lead(served) as bench:
        live = served.bench.live
        assert isinstance(live, LoadCell)
        join(bench, *LEADS_TO_HOUSING)
        poll(bench)
        bench.ask("insulation", "STOP")
        bench.advance(30.0)  # it discharges first
        assert bench.ask("insulation", "VOLT 50") == "OK"
        sign, at_50, _ = poll(bench)
        bench.ask("insulation", "STOP")
        bench.advance(5.0)
        bench.say("dmm", "CONF:FRES 1000;:FRES:OCOM ON")
        join(bench, *ohms("Ex+", "S+"))
        odd = float(bench.ask("dmm", "READ?"))
        join(bench, *ohms("Ex-", "S-"))
        odd -= float(bench.ask("dmm", "READ?"))
        assert live.pierced is (live.stands_volts < volts)
        if live.pierced:
            assert at_50 == pytest.approx(2e4, rel=0.1) or sign == "<"
            assert odd > 3.0
        else:
            assert at_50 > 1e10
            assert abs(odd) < 0.05


@pytest.mark.parametrize(
    ("manner", "ask", "shape"),
    [
        ("start-poll", b"OUT?\n", r"OUT=\d+\.\dV"),
        ("request", b"V\r", r"\d{4}\.\d V"),
        ("stream", b"", r"IDLE,\d{4}\.\dV,---,0000\.0S,0050"),
    ],
)
def test_volts_are_shown_without_a_sign(manner: str, ask: bytes, shape: str) -> None:
    with led(scenario(None, manner)) as bench:
        join(bench, ("insulation +", "Ex-"), ("insulation -", "Ex+"))
        bench.hand("clip", terminal="supply +", lead="Ex+")
        bench.hand("clip", terminal="supply -", lead="Ex-")
        bench.say("supply", "VOLT 10;CURR 0.1;:OUTP ON", 1.0)
        bench.open("insulation")
        said = bench.ask("insulation", ask) if ask else bench.line("insulation")
        assert re.fullmatch(shape, said)
        assert "10.0" in said
