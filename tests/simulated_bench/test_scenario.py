"""Scenario files: what they may say, what is refused, and that readings follow the elements."""

from __future__ import annotations

from importlib.metadata import entry_points
from itertools import permutations
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from acq.analysis.chain_papers import Block as ChainBlock
from acq.analysis.faults import Fault
from acq.desk.exit_codes import ExitCode
from acq.readings.judgement import Conformity
from simulated_bench.elements import (
    Added,
    Change,
    Element,
    Opened,
    Replaced,
    Scaled,
    changed_parts,
)
from simulated_bench.on_the_bench import CellOnBench
from simulated_bench.process import BenchProcess, BenchProcessError, Leader
from simulated_bench.scenario import SCENARIOS, Scenario, ScenarioError, checked, read_scenario
from simulated_bench.scenario_expectation import SEQUENCES, Block, Code, FaultWord, Statement
from simulated_bench.served import ServedBench
from tests.simulated_bench.serving import EXCITATION, join, led, ohms

SHIPPED = sorted(path.stem for path in SCENARIOS.glob("*.toml"))


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_scenario_stands_on_a_bench_and_says_what_to_expect(name: str) -> None:
    read, scenario = read_scenario(name)
    assert read == name
    assert scenario.title
    assert scenario.expectation is not None
    with ServedBench(name, scenario) as served:
        assert served.bench_file().startswith('name = "Simulated bench"')


LOAD = "[[load]]\nat = {at}\nkilograms = {kg}\n"
IN_ARM_A = '[[fault]]\nelement = "arm A"\nkind = '
PLANT = "[chain]\n"


def said(text: str, of: object = "") -> str:
    """One fault of this kind in an element."""
    return f'[[fault]]\nkind = "{of or "open"}"\nelement = "{text}"\n'


WRONG = [
    # numbers
    (LOAD.format(at="inf", kg=5), "load.0.at", "finite"),
    (LOAD.format(at=1, kg="nan"), "load.0.kilograms", "finite"),
    (LOAD.format(at=1, kg=-10), "load.0.kilograms", "greater than or equal to 0"),
    (LOAD.format(at=1, kg=1e9), "", "load.0.kilograms: 1e+09 kg breaks what carries it"),
    (LOAD.format(at=1, kg="true"), "load.0.kilograms", "a number is needed, got True"),
    (LOAD.format(at='"5"', kg=1), "load.0.at", "a number is needed, got '5'"),
    ("[cell]\nkilograms = 1501.0", "", "cell.kilograms: 1501 kg breaks"),
    ("[chain]\ndead_kilograms = 4501.0", "", "chain.dead_kilograms: 4501 kg breaks"),
    ("[[mistake]]\nload = 1\nkilograms = 1e6", "", "mistake.0.kilograms: 1e+06 kg breaks"),
    ("[cell]\nzero_mv_v = nan", "cell.zero_mv_v", "finite"),
    ("[cell]\nzero_mv_v = 1e5", "cell.zero_mv_v", "less than or equal to 100"),
    ("[cell]\ninput_ohms = 100.0", "cell.input_ohms", "less than the output's 351.3"),
    ("[cell]\noutput_ohms = 0.1", "cell.output_ohms", "ohm of its conductors"),
    ("[cell]\nbody_celsius = -400.0", "cell.body_celsius", "greater than or equal to -60"),
    ("[room]\nprofile = [[0.0, nan]]", "room.profile.0.1", "finite"),
    ("[room]\nprofile = [[0.0, 1e6]]", "room.profile.0.1", "less than or equal to 80"),
    (
        "[room]\nwaves = [{ amplitude = nan, period = 60.0 }]",
        "room.waves.0.amplitude",
        "finite",
    ),
    ("[room]\ncelsius = 20.0\nprofile = [[0.0, 20.0]]", "room", "celsius and profile: one"),
    (IN_ARM_A + '"emf"\nvolts = nan', "fault.0.volts", "finite"),
    (IN_ARM_A + '"emf"\nvolts = 1e6', "fault.0.volts", "less than or equal to 100"),
    (IN_ARM_A + '"open"\nat = inf', "fault.0.at", "finite"),
    (IN_ARM_A + '"open"\nat = -1.0', "fault.0.at", "greater than or equal to 0"),
    (IN_ARM_A + '"scaled"\nfactor = inf', "fault.0.factor", "finite"),
    ("[chain.card]\ngain = nan", "chain.card.gain", "finite"),
    ("[chain.card]\nzero_ma = 20.0", "chain", "card.full_ma: is not that of the zero"),
    ("[hands]\nmisread = nan", "hands.misread", "finite"),
    ('[[wire_fault]]\nwire = "dmm"\nkind = "late"\nfor = nan', "", "wire_fault.for: seconds"),
    ('[[wire_fault]]\nwire = "dmm"\nkind = "late"\ntime = inf', "", "wire_fault.time: seconds"),
    ('[[wire_fault]]\nwire = "dmm"\nkind = "half"\nmask = 1', "", "half has no such key"),
    ('[[wire_fault]]\nwire = "dmm"\nkind = "corrupted"\nmask = 256', "", "from 1 to 255"),
    # what is not there
    (said("relay 9999"), "fault.0.element", "there is no element 'relay 9999'"),
    (
        said("relay 101") + "[instruments.scanner]\nmissing = true",
        "fault.0.element",
        "there are none of this kind",
    ),
    (said("clip dmm XX S+"), "fault.0.element", "there is no clip 'dmm XX S+'; terminals are dmm"),
    (said("clip dmm HI Q"), "fault.0.element", "there is no clip 'dmm HI Q'"),
    (said("dmm output"), "fault.0.element", "there are dmm input"),
    (said("source leak"), "fault.0.element", "no source stands on the bench"),
    (said("earth moon"), "fault.0.element", "there are earth housing, earth shield"),
    (said("relay 101", "intermittent") + "ohms = 5.0", "fault.0.element", "there are arm A"),
    (
        '[[fault]]\nkind = "exchanged"\nbetween = ["pad S+", "S-"]',
        "fault.0.between",
        "no element ends at 'pad S+'",
    ),
    ('[[mistake]]\nclip = 1\nlead = "Q"', "mistake.0.lead", "no lead 'Q'; there are Ex+"),
    ("[instruments.scanner]\nstuck = [9999]", "instruments.scanner.stuck", "no relay 9999"),
    ("[instruments.dmm]\nstuck = [101]", "instruments", "dmm.stuck: only scanner has this key"),
    ("[instruments.dmm]\nvolts = 50", "instruments", "dmm.volts: only insulation has this key"),
    ("[instruments.supply]\nbaud = 9600", "instruments", "supply.baud: only insulation"),
    ("[instruments.scanner]\nearthed = true", "instruments", "scanner.earthed: only source"),
    ("[rig]\nleak_per_minute = 1e-4", "rig", "leak_per_minute: a rig of kind weights has none"),
    ("[chain]\n[rig]", "", "rig and chain: "),
    ('timezone = "Mars/Olympus"', "timezone", "no time zone 'Mars/Olympus'"),
    ("start = 0001-01-01T00:00:00Z", "start", "a year from 1970 to 2200"),
    ('[expectation]\nsequence = "nonsense"', "expectation.sequence", "there are acceptance"),
    ('[expectation]\nconformity = "maybe"', "expectation.conformity", "allowed is '', 'pass'"),
    ("[expectation]\nexit_code = 77", "expectation.exit_code", "allowed is 0, 1, 2, 3, 4, 5"),
    ('[expectation]\nfaults = ["xyz"]', "expectation.faults.0", "allowed is 'open-lead'"),
    ('[expectation]\nblock = "pump"', "expectation.block", "allowed is '', 'mechanics'"),
    ('[expectation]\ncell = "Q-1"', "", "expectation.cell: no cell 'Q-1' is here; there are A-"),
    # what contradicts itself
    (
        "[cell]\nkilograms = 5.0\n" + LOAD.format(at=0, kg=6),
        "",
        "load and cell.kilograms: two loads on one hook at 0 s",
    ),
    (
        IN_ARM_A + '"open"\n' + IN_ARM_A + '"short"',
        "",
        "fault.1.element: 'arm A' cannot be open and short",
    ),
    (
        IN_ARM_A + '"short"\nat = 5.0\n' + IN_ARM_A + '"open"',
        "",
        "cannot be short and open at the same",
    ),
    (
        PLANT + said("loop wire +") + said("loop wire +", "short"),
        "",
        "'loop wire +' cannot be open and short",
    ),
    (
        (IN_ARM_A + '"replaced"\nohms = 300.0\n') + (IN_ARM_A + '"replaced"\nohms = 400.0\n'),
        "",
        "'arm A' cannot be replaced twice",
    ),
    (
        '[[mistake]]\nclip = 1\nlead = "S-"\n[[mistake]]\nclip = 1\nlead = "S+"',
        "mistake",
        "clip 1 goes wrong in two ways",
    ),
    (
        "[instruments.dmm]\ncalibrated = 2030-01-01",
        "",
        "instruments.dmm.calibrated: is after the bench's start",
    ),
    (
        "[instruments.scanner]\ncontact_ohms = 100.0\nisolation_ohms = 1.0",
        "instruments.scanner",
        "isolation_ohms: is above contact_ohms",
    ),
    (
        "[lot]\n[[lot.piece]]\nnumber = 2\nkilograms = 5.0",
        "lot.piece.0",
        "kilograms: the pieces of a lot have it from the lot",
    ),
]


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
        *WRONG,
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


@pytest.mark.parametrize(
    "text",
    [
        (IN_ARM_A + '"open"\nuntil = 10.0\n') + (IN_ARM_A + '"short"\nat = 10.0'),
        (IN_ARM_A + '"short"\nat = 10.0\n') + (IN_ARM_A + '"open"\nuntil = 10.0'),
        said("relay 101") + said("clip dmm sense LO shield") + said("supply bleeder"),
        said("dmm burden") + said("insulation discharge") + said("earth housing"),
        said("source leak") + "[instruments.source]\nearthed = true",
        said("relay 10101") + "[lot]\ncells = 3\npositions = 2",
        '[expectation]\nsequence = "mine.py"\ncell = "M-1"\n[cell]\nserial = "M-1"',
        "[cell]\nkilograms = 1500.0",
        "[rig]\nkind = 'hydraulic'\nleak_per_minute = 0.0",
    ],
)
def test_what_can_be_is_not_refused(tmp_path: Path, text: str) -> None:
    read(tmp_path, text)


def test_the_words_of_an_expectation_are_those_of_the_program() -> None:
    assert get_args(FaultWord) == tuple(Fault)
    assert set(get_args(Statement)) == {"", *Conformity}
    assert set(get_args(Block)) == {"", *(block.value for block in ChainBlock)}
    assert get_args(Code) == tuple(ExitCode)
    ours = entry_points(group="bridgebench.sequences")
    assert sorted(SEQUENCES) == sorted(point.name for point in ours)


def test_several_faults_of_one_element_do_the_same_in_any_order() -> None:
    part = Element("arm A", "bridge +", "pad S+", 350.0)
    faults: list[Change] = [Replaced("arm A", 300.0), Scaled("arm A", 1.1), Added("arm A", 2.0)]
    for order in permutations(faults):
        (changed,) = changed_parts([part], order)
        assert changed.ohms == pytest.approx(332.0, rel=1e-12)
        (opened,) = changed_parts([part], [Opened("arm A"), *order])
        assert opened.ohms == np.inf


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
