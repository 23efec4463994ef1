"""Scenario files: what they may say, what is refused, and that readings follow the elements."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulated_bench.on_the_bench import CellOnBench
from simulated_bench.process import BenchProcess, BenchProcessError, Leader
from simulated_bench.scenario import SCENARIOS, Scenario, ScenarioError, checked, read_scenario
from simulated_bench.served import ServedBench
from tests.simulated_bench.serving import EXCITATION, join, led, ohms

SHIPPED = sorted(path.stem for path in SCENARIOS.glob("*.toml"))
WORDS = {
    "open-lead",
    "open-sense-lead",
    "lead-short",
    "open-arm",
    "shorted-arm",
    "arm-changed",
    "damaged-cable",
    "moisture-in-cell",
    "moisture-in-cable",
    "shield-to-housing",
    "plastic-set",
    "side-load-set",
    "fatigue-crack",
    "bond-failure",
    "swapped-leads",
    "compensation-failed",
    "zero-compensation-failed",
    "loose-joint",
    "not-soaked",
    "thermal-emf",
    "wrong-cable-length",
    "wrong-papers",
    "built-in-electronics",
    "none-found",
}


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_scenario_stands_on_a_bench_and_says_what_to_expect(name: str) -> None:
    read, scenario = read_scenario(name)
    assert read == name
    assert scenario.title
    assert scenario.expectation is not None
    assert set(scenario.expectation.faults) <= WORDS
    with ServedBench(name, scenario) as served:
        assert served.bench_file().startswith('name = "Simulated bench"')


def read(tmp_path: Path, text: str) -> Scenario:
    file = tmp_path / "mine.toml"
    file.write_text(text, encoding="utf-8")
    name, scenario = read_scenario(str(file))
    with ServedBench(name, scenario, file=str(file)):
        return scenario


def test_an_empty_file_is_the_healthy_bench(tmp_path: Path) -> None:
    scenario = read(tmp_path, "")
    assert scenario.cell.papers == "B-011902"
    assert scenario.roles() == ("dmm", "supply", "insulation", "scanner")


@pytest.mark.parametrize(
    ("text", "key", "reason"),
    [
        ("sed = 1", "sed", "no such key here"),
        ("seed = -1", "seed", "greater than or equal to 0"),
        ('[cell]\npapers = "E-1"', "cell.papers", "there are A-000417"),
        ("[cell]\nwires = 5", "cell.wires", "allowed is 4 or 6"),
        ("start = 2026-03-02T08:00:00", "start", "needs its zone"),
        ("[room]\ncelsius = 200.0", "room.celsius", "less than or equal to 80"),
        ("[room]\nprofile = [[10.0, 20.0], [5.0, 21.0]]", "room.profile", "must rise"),
        (
            "[[load]]\nat = 60.0\nkilograms = 5.0\n[[load]]\nat = 60.0\nkilograms = 6.0",
            "load",
            "two loads on one hook at 60 s",
        ),
        ('[[fault]]\nkind = "bent"', "fault.0.kind", "allowed is 'open', 'short'"),
        ('[[fault]]\nkind = "open"', "fault.0", "needs the key element"),
        (
            '[[fault]]\nkind = "open"\nelement = "arm A"\nohms = 5.0',
            "fault.0",
            "a fault of kind open has no key ohms",
        ),
        (
            '[[fault]]\nkind = "open"\nelement = "arm E"',
            "fault.0.element",
            "there is no element 'arm E'; there are arm A",
        ),
        (
            '[[fault]]\nkind = "leak"\nbetween = ["S+", "moon"]\nohms = 1e6',
            "fault.0.between",
            "no element ends at 'moon'",
        ),
        (
            '[[fault]]\nkind = "leak"\nbetween = ["S+", "S+"]\nohms = 1e6',
            "fault.0",
            "two different nodes",
        ),
        (
            '[[fault]]\nkind = "open"\nelement = "arm A"\nat = 5.0\nuntil = 4.0',
            "fault.0",
            "ends after it begins",
        ),
        ("[instruments.piano]", "instruments.piano", "allowed is 'dmm'"),
        ('[instruments.dmm]\nmanner = "morse"', "instruments", "dmm.manner: allowed is scpi-dmm"),
        (
            "[instruments.dmm]\nmissing = true\nby_hand = true",
            "instruments.dmm",
            "an instrument that is not there has no other keys",
        ),
        (
            "[instruments.dmm]\ncalibrated = 2026-01-01\ndue = 2025-01-01",
            "instruments.dmm",
            "due: ",
        ),
        ('[[wire_fault]]\nwire = "dmm"\nkind = "sulk"', "", "wire_fault.kind: allowed is"),
        (
            '[[wire_fault]]\nwire = "source"\nkind = "late"',
            "",
            "no instrument with a wire is 'source'",
        ),
        ("[[mistake]]\nclip = 1", "mistake.0", "needs the key lead"),
        ("[[mistake]]\nclip = 1\nload = 1", "mistake.0", "in one clip or in one load"),
        ("x = [", "", "is not TOML"),
    ],
)
def test_a_contradiction_names_file_key_and_reason_in_one_line(
    tmp_path: Path, text: str, key: str, reason: str
) -> None:
    with pytest.raises(ScenarioError) as caught:
        read(tmp_path, text)
    said = str(caught.value)
    assert said.startswith(str(tmp_path / "mine.toml"))
    assert caught.value.key == key
    assert reason in said
    assert "\n" not in said


def test_a_wrong_scenario_ends_the_process_before_it_serves(tmp_path: Path) -> None:
    file = tmp_path / "wrong.toml"
    file.write_text('[[fault]]\nkind = "open"\nelement = "arm E"\n', encoding="utf-8")
    with pytest.raises(BenchProcessError, match=r"fault\.0\.element"):
        BenchProcess(file)


def six(bench: Leader) -> dict[str, float]:
    """Four-wire ohms of the six lead pairs of a bridge."""
    bench.say("dmm", "CONF:FRES 1E4;:FRES:NPLC 10;:FRES:OCOM ON")
    read = {}
    for one, other in (
        ("Ex+", "Ex-"),
        ("S+", "S-"),
        ("Ex+", "S+"),
        ("Ex+", "S-"),
        ("Ex-", "S+"),
        ("Ex-", "S-"),
    ):
        join(bench, *ohms(one, other))
        read[one + other] = float(bench.ask("dmm", "READ?"))
    return read


ARM, LEG, WIRE = 350.533, 16.9, 0.3834
"""Ohms of cell B-011902 as its papers make them: arms, each compensation leg, each conductor."""
OVERLOAD = pytest.approx(9.9e37)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        # Closed forms for four equal arms R, legs c, conductors w.
        (
            "healthy",
            {
                "Ex+Ex-": ARM + 2 * LEG + 2 * WIRE,
                "S+S-": ARM + 2 * WIRE,
                "Ex+S+": 0.75 * ARM + LEG + 2 * WIRE,
            },
        ),
        (
            "open-arm-a",
            {
                "Ex+Ex-": 2 * ARM + 2 * LEG + 2 * WIRE,
                "S+S-": 2 * ARM + 2 * WIRE,
                "Ex+S+": 3 * ARM + LEG + 2 * WIRE,
                "Ex-S-": ARM + LEG + 2 * WIRE,
            },
        ),
        (
            "shorted-arm-a",
            {
                "Ex+Ex-": 2 / 3 * ARM + 2 * LEG + 2 * WIRE,
                "S+S-": 2 / 3 * ARM + 2 * WIRE,
                "Ex+S+": LEG + 2 * WIRE,
            },
        ),
        ("open-lead-s-plus", {"S+S-": 9.9e37, "Ex+S+": 9.9e37, "Ex+S-": 280.59}),
        ("short-s-plus-s-minus", {"S+S-": 0.05, "Ex+Ex-": ARM + 2 * LEG + 2 * WIRE}),
        ("compensation-short", {"Ex+Ex-": ARM + LEG + 2 * WIRE, "S+S-": ARM + 2 * WIRE}),
        ("joint-in-lead", {"Ex+Ex-": ARM + 2 * LEG + 2 * WIRE + 2.0, "S+S-": ARM + 2 * WIRE}),
        ("exchanged-pairs", {"Ex+Ex-": ARM + 2 * WIRE, "S+S-": ARM + 2 * LEG + 2 * WIRE}),
        # At 22.3 instead of 21.5 degC: 57.1 ohm of legs with 0.5 %/K.
        ("wrong-papers", {"Ex+Ex-": 758.9 + 0.8 * 0.005 * 57.1, "S+S-": 701.8}),
    ],
)
def test_ohms_follow_the_elements(name: str, expected: dict[str, float]) -> None:
    _, scenario = read_scenario(name)
    with led(scenario) as bench:
        read = six(bench)
        for pair, value in expected.items():
            # 100 ppm of reading and 10 ppm of the 10 kohm range.
            assert read[pair] == pytest.approx(value, rel=1.5e-4, abs=0.12), pair


def zero(bench: Leader) -> float:
    """V(S) per V(Ex) at one polarity, in V/V."""
    bench.say("supply", "VOLT 10;CURR 0.05;VOLT:SENS:SOUR EXT;:OUTP ON", 3.0)
    read = []
    for range_, plus, minus in ((1, "S+", "S-"), (10, "Se+", "Se-")):
        join(bench, *EXCITATION, ("dmm HI", plus), ("dmm LO", minus))
        read.append(float(bench.ask("dmm", f"CONF:VOLT:DC {range_};:INP:IMP:AUTO ON;:READ?")))
    bench.say("supply", "OUTP OFF", 3.0)
    return read[0] / read[1]


@pytest.mark.parametrize(
    ("name", "shift"),
    [
        ("leak-100k", -351.0 / 4e5),  # R / (4 R_leak), S+ pulled to Ex-
        ("plastic-set-20", 0.2 * 2.0011e-3),
        ("plastic-set-60", 0.6 * 2.0011e-3),
        ("joint-in-arm", -ARM / (ARM + 2 * LEG) / (4 * ARM)),  # 1 ohm of 4 R, less the legs' drop
    ],
)
def test_the_zero_follows_the_elements(name: str, shift: float) -> None:
    with led() as bench:
        healthy = zero(bench)
    _, scenario = read_scenario(name)
    with led(scenario) as bench:
        assert zero(bench) - healthy == pytest.approx(shift, rel=0.02, abs=1e-6)


def test_built_in_electronics_reads_differently_by_polarity() -> None:
    _, scenario = read_scenario("electronics")
    with led(scenario) as bench:
        bench.say("dmm", "CONF:FRES 1E4")
        read = []
        for one, other in (("Ex+", "Ex-"), ("Ex-", "Ex+")):
            join(bench, *ohms(one, other))
            read.append(float(bench.ask("dmm", "READ?")))
        assert read[0] < 8e3
        assert read[1] > 1.2e4


def test_a_fault_comes_and_goes_at_its_bench_times() -> None:
    fault = {"kind": "open", "element": "conductor S+", "at": 100.0, "until": 200.0}
    with led(Scenario.model_validate({"fault": [fault]})) as bench:
        join(bench, *ohms("S+", "S-"))
        bench.say("dmm", "CONF:FRES 1E3;:FRES:NPLC 1")
        seen = []
        for at in (50.0, 150.0, 250.0):
            bench.advance(at - bench.seconds)
            seen.append(float(bench.ask("dmm", "READ?")) > 9e37)
        assert seen == [False, True, False]


def test_loads_are_hung_at_their_bench_times() -> None:
    loads = [{"at": 100.0, "kilograms": 250.0}, {"at": 200.0, "kilograms": 0.0}]
    with led(Scenario.model_validate({"load": loads})) as bench:
        join(bench, *EXCITATION, ("dmm HI", "S+"), ("dmm LO", "S-"))
        bench.say("supply", "VOLT 10;CURR 0.05;VOLT:SENS:SOUR EXT;:OUTP ON", 50.0)
        bench.say("dmm", "CONF:VOLT:DC 0.1")
        volts = []
        for at in (90.0, 190.0, 290.0):
            bench.advance(at - bench.seconds)
            volts.append(float(bench.ask("dmm", "READ?")))
        assert volts[1] - volts[0] == pytest.approx(0.0100055, rel=2e-3)
        assert volts[2] == pytest.approx(volts[0], abs=1e-5)


def test_moisture_makes_insulation_depend_on_polarity_and_an_oven_dries_it() -> None:
    _, scenario = read_scenario("moisture-in-cell")
    all_leads = ("Ex+", "Ex-", "Se+", "Se-", "S+", "S-")
    with led(scenario) as bench:

        def insulation(plus: str, minus: str) -> float:
            joins = [(f"insulation {plus}", lead) for lead in all_leads]
            join(bench, *joins, (f"insulation {minus}", "housing"))
            assert bench.ask("insulation", "START") == "OK"
            bench.advance(20.0)
            ohms_read = float(bench.ask("insulation", "READ?")[3:12])
            bench.ask("insulation", "STOP")
            bench.advance(3.0)
            return ohms_read

        one, other = insulation("+", "-"), insulation("-", "+")
        assert 0.1 < abs(one - other) / one < 0.9
        bench.hand("temperature", celsius=65.0)
        bench.advance(24 * 3600.0)
        bench.hand("temperature", celsius=22.3)
        bench.advance(3 * 3600.0)
        dry = insulation("+", "-")
        assert dry > 10 * one
        bench.advance(3 * 24 * 3600.0)
        assert insulation("+", "-") < 0.5 * dry  # it comes back


def test_the_cells_of_a_lot_differ_and_are_the_same_with_the_same_seed() -> None:
    def arms(number: int, seed: int) -> object:
        scenario = Scenario.model_validate({"cell": {"drawn": number}})
        return CellOnBench(scenario, seed).description.bridges[0].arms

    assert arms(1, 1) == arms(1, 1)
    assert arms(1, 1) != arms(2, 1)
    assert arms(1, 1) != arms(1, 2)


def test_tables_may_be_checked_without_a_file() -> None:
    assert checked("typed in", {"seed": 4}).seed == 4
    with pytest.raises(ScenarioError, match=r"^typed in: seed: "):
        checked("typed in", {"seed": "four"})
