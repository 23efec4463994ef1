"""The simulated meter: what it shows, how long it takes, how it goes over range.

Values of the circuit are closed forms of the invented cell B-011902; limits are the meter's own
printed accuracy. 9.9E37 stands for infinity (SCPI-1999 volume 1, 7.2.1.4).
"""

from __future__ import annotations

import statistics
from collections.abc import Iterator

import pytest

from simulated_bench.instruments.meter_functions import FUNCTIONS
from simulated_bench.process import Leader
from simulated_bench.scenario import Scenario
from tests.simulated_bench.serving import EXCITATION, join, led, ohms

OVERLOAD = 9.9e37


@pytest.fixture(scope="module")
def bench() -> Iterator[Leader]:
    with led() as leader:
        for wire in ("dmm", "supply", "scanner"):
            leader.open(wire)
        yield leader


@pytest.fixture(autouse=True)
def at_rest(bench: Leader) -> None:
    bench.say("supply", "*RST", 0.1)
    bench.say("dmm", "*RST;*CLS", 0.1)
    join(bench)
    bench.advance(5.0)


def tolerance(function: str, range_: float, value: float) -> float:
    """The printed limit of error in the function's unit."""
    limit = next(r.limit for r in FUNCTIONS[function].ranges if r.name == range_)
    return abs(value) * limit.reading_ppm * 1e-6 + range_ * limit.range_ppm * 1e-6


def reading(bench: Leader, text: str = "READ?") -> float:
    return float(bench.ask("dmm", text))


@pytest.mark.parametrize(
    ("pair", "expected"),
    [
        (("Ex+", "Ex-"), 385.1),  # input resistance of the sheet
        (("S+", "S-"), 351.3),  # output resistance of the sheet
        (("Ex+", "Se+"), 2 * 0.07668 * 5.0),  # two conductors of 76 ohm/km at 22.3 degC
    ],
)
def test_four_wire_ohms_read_what_the_papers_say(
    bench: Leader, pair: tuple[str, str], expected: float
) -> None:
    join(bench, *ohms(*pair))
    bench.say("dmm", "CONF:FRES 1000;:FRES:NPLC 10;:FRES:OCOM ON")
    limit = tolerance("FRES", 1000.0, expected)
    assert reading(bench) == pytest.approx(expected, abs=limit + 1e-3)


def test_two_wire_ohms_add_the_contacts_in_the_path(bench: Leader) -> None:
    join(bench, ("dmm HI", "S+"), ("dmm LO", "S-"))
    bench.say("dmm", "CONF:RES 1000;:RES:OCOM ON")
    # Two relays of up to 0.3 ohm each.
    assert 0.3 < reading(bench) - 351.3 < 0.7


def test_offset_compensation_takes_an_emf_out() -> None:
    fault = {"kind": "emf", "element": "conductor S+", "volts": 5e-5}
    with led(Scenario.model_validate({"fault": [fault]})) as bench:
        join(bench, *ohms("S+", "S-"))
        bench.say("dmm", "CONF:FRES 1000")
        without = reading(bench)
        bench.say("dmm", "FRES:OCOM ON")
        # 50 uV at 1 mA are 0.05 ohm.
        assert abs(without - reading(bench)) == pytest.approx(0.05, abs=2e-3)


def test_an_open_input_is_over_range_on_ohms_and_stays_near_zero_on_volts(bench: Leader) -> None:
    assert reading(bench, "CONF:FRES 1000;:READ?") == OVERLOAD
    assert reading(bench, "CONF:RES 1E6;:READ?") == OVERLOAD
    assert abs(reading(bench, "CONF:VOLT:DC 0.1;:READ?")) < 1e-3


def test_over_range_carries_the_sign(bench: Leader) -> None:
    join(bench, *EXCITATION, ("dmm HI", "Ex+"), ("dmm LO", "Ex-"))
    bench.say("supply", "VOLT 5;CURR 0.1;VOLT:SENS EXT;:OUTP ON", 1.0)
    assert reading(bench, "CONF:VOLT:DC 0.1;:READ?") == OVERLOAD
    join(bench, *EXCITATION, ("dmm LO", "Ex+"), ("dmm HI", "Ex-"))
    assert reading(bench) == -OVERLOAD


def test_automatic_range_finds_the_smallest_range_that_holds(bench: Leader) -> None:
    join(bench, *EXCITATION, ("dmm HI", "Ex+"), ("dmm LO", "Ex-"))
    bench.say("supply", "VOLT 5;CURR 0.1;VOLT:SENS EXT;:OUTP ON", 1.0)
    bench.say("dmm", "CONF:VOLT:DC")
    assert reading(bench) == pytest.approx(5.0, abs=0.05)
    assert float(bench.ask("dmm", "VOLT:RANG?")) == 10.0
    join(bench, *ohms("Ex+", "Se+"))
    bench.say("supply", "OUTP OFF", 5.0)
    bench.say("dmm", "CONF:FRES")
    assert reading(bench) == pytest.approx(0.767, abs=0.02)
    assert float(bench.ask("dmm", "FRES:RANG?")) == 100.0


@pytest.mark.parametrize(
    ("settings", "cycles"),
    [
        ("CONF:VOLT:DC 10;:VOLT:NPLC 10;:VOLT:ZERO:AUTO OFF", 10),
        ("CONF:VOLT:DC 10;:VOLT:NPLC 10", 20),
        ("CONF:FRES 1000;:FRES:NPLC 10;:FRES:OCOM ON", 20),
        ("CONF:VOLT:DC 10;:VOLT:NPLC 100", 200),
        ("CONF:VOLT:DC 10;:VOLT:NPLC 0.02", 0.04),
    ],
)
def test_a_reading_takes_its_integration_and_little_more(
    bench: Leader, settings: str, cycles: float
) -> None:
    bench.say("dmm", settings, 0.5)
    begun = bench.seconds
    reading(bench)
    assert 0 < bench.seconds - begun - cycles * 0.02 < 0.05


def test_noise_falls_with_integration_and_whole_cycles_reject_the_mains(bench: Leader) -> None:
    join(bench, ("dmm HI", "S+"), ("dmm LO", "S-"))

    def spread(plc: float, count: int) -> float:
        bench.say("dmm", f"CONF:VOLT:DC 0.1;:VOLT:NPLC {plc};:SAMP:COUN {count}")
        return statistics.stdev(float(v) for v in bench.ask("dmm", "READ?").split(","))

    # Common practice for 6.5 digits, no source: 0.3 uV at 1 cycle, about 0.1 uV at 10.
    assert spread(0.2, 200) > 3e-6  # mains, not rejected
    assert 0.15e-6 < spread(1, 200) < 0.6e-6
    assert 0.05e-6 < spread(10, 100) < 0.2e-6


def test_the_signal_is_loaded_by_ten_megohms_unless_the_input_is_high() -> None:
    # 350 ohm source: 35 ppm. Seen at full scale of the 100 mV range with its own noise.
    with led(Scenario.model_validate({"cell": {"kilograms": 500.0}})) as bench:
        join(bench, *EXCITATION, ("dmm HI", "S+"), ("dmm LO", "S-"))
        bench.say("supply", "VOLT 15;CURR 0.1;VOLT:SENS EXT;:OUTP ON", 900.0)
        bench.say("dmm", "CONF:VOLT:DC 0.1;:VOLT:NPLC 100;:INP:IMP:AUTO OFF")
        low = reading(bench)
        bench.say("dmm", "INP:IMP:AUTO ON", 0.1)
        high = reading(bench)
        low = (low + float(bench.ask("dmm", "INP:IMP:AUTO OFF;:READ?"))) / 2
        assert (high - low) / high == pytest.approx(351.3e-7, abs=12e-6)


def test_readings_may_be_started_here_and_fetched_later(bench: Leader) -> None:
    bench.say("dmm", "CONF:VOLT:DC 10;:INIT")
    begun = bench.seconds
    first = bench.ask("dmm", "FETC?")
    assert bench.seconds - begun > 0.38
    assert bench.ask("dmm", "FETC?") == first
    bench.say("dmm", "INIT;INIT", 1.0)
    assert bench.ask("dmm", "SYST:ERR?").startswith("-213")
    assert bench.ask("dmm", "INIT;*OPC?") == "1"
    bench.say("dmm", "*RST", 0.1)
    with pytest.raises(TimeoutError):
        bench.ask("dmm", "FETC?", 1.0)
    assert bench.ask("dmm", "SYST:ERR?").startswith("-230")


def test_two_meters_started_in_one_instant_see_the_same_moment() -> None:
    scenario = Scenario.model_validate({"instruments": {"second-dmm": {}}})
    with led(scenario) as bench:
        bench.say("scanner", "ROUT:CLOS (@501,602,101,202,1201,1302)", 0.1)
        bench.say("supply", "VOLT 10;CURR 0.03;:OUTP ON", 0.05)  # still charging
        for wire in ("dmm", "second-dmm"):
            bench.say(wire, "CONF:VOLT:DC 100;:VOLT:NPLC 1")
        bench.advance(0, order=[bench.write(w, "INIT") for w in ("dmm", "second-dmm")])
        one, other = (float(bench.ask(w, "FETC?")) for w in ("dmm", "second-dmm"))
        assert one < 9.0
        assert one == pytest.approx(other, abs=2 * tolerance("VOLT", 100.0, one) + 1e-3)


def test_a_relay_that_moves_within_a_reading_leaves_the_mean_of_both() -> None:
    with led() as bench:
        join(bench, ("supply +", "Ex+"), ("supply -", "Ex-"), ("dmm HI", "Ex+"), ("dmm LO", "Ex-"))
        bench.say("supply", "VOLT 1;CURR 0.1;:OUTP ON", 1.0)
        bench.say("dmm", "CONF:VOLT:DC 10;:VOLT:NPLC 50;:VOLT:ZERO:AUTO OFF", 0.2)
        bench.open("scanner")
        begun = bench.seconds
        bench.say("dmm", "INIT", 0.49)  # 1 s of integration
        bench.say("scanner", "ROUT:OPEN (@101,202)")
        value = float(bench.ask("dmm", "FETC?"))
        del begun
        # Opened after 12 ms of relay time: 0.5 of the window at 1 V, then the input empties.
        assert 0.45 < value < 0.55


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_every_meter_is_within_its_printed_accuracy(seed: int) -> None:
    with led(seed=seed) as bench:
        join(bench, *ohms("Ex+", "Ex-"))
        bench.say("dmm", "CONF:FRES 1000;:FRES:OCOM ON")
        deviation = reading(bench) - 385.1
        assert abs(deviation) < tolerance("FRES", 1000.0, 385.1)


def test_a_worse_meter_says_so_in_its_bench_file_and_is_worse() -> None:
    table = {"instruments": {"dmm": {"errors": 100.0}}}
    with led(Scenario.model_validate(table)) as bench:
        join(bench, *ohms("Ex+", "Ex-"))
        bench.say("dmm", "CONF:FRES 1000;:FRES:OCOM ON")
        assert abs(reading(bench) - 385.1) > tolerance("FRES", 1000.0, 385.1)


@pytest.mark.parametrize(
    ("manner", "ask", "refused"),
    [
        ("scpi-dmm-function", 'FUNC "FRES";:FRES:RANG 1000;NPLC 1;OCOM ON;:READ?', "CONF:FRES"),
        ("scpi-dmm-measure", "MEAS:FRES? 1000,3E-3", "READ?"),
    ],
)
def test_other_manners_know_their_own_words_only(manner: str, ask: str, refused: str) -> None:
    table = {"instruments": {"dmm": {"manner": manner}}}
    with led(Scenario.model_validate(table)) as bench:
        join(bench, *ohms("Ex+", "Ex-"))
        assert reading(bench, ask) == pytest.approx(385.1, abs=0.1)
        assert float(bench.ask("dmm", "FETC?")) == pytest.approx(385.1, abs=0.1)
        bench.say("dmm", refused, 1.0)
        assert bench.ask("dmm", "SYST:ERR?").startswith("-113")


def test_the_display_shows_the_last_reading(bench: Leader) -> None:
    assert bench.hand("display", wire="dmm")["text"] == "-.------ V"
    reading(bench, "CONF:FRES 1000;:READ?")
    assert bench.hand("display", wire="dmm")["text"] == "OVLD"
