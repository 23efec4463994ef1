"""A weighing chain on the served bench: hands clip, lift and load, instruments measure and feed.

The mapping of 0 to 100 % on 4 to 20 mA is IEC 60381-1's. Sums of cells in parallel: the mean of
their ratios for equal cells (closed form).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from simulated_bench.process import BenchProcessError, Leader
from simulated_bench.scenario import Scenario, ScenarioError, checked
from tests.simulated_bench.serving import led

CHAIN: dict[str, Any] = {
    "chain": {"transmitter": {"full_mv_v": 2.0011}, "card": {"upper": 1500.0}},
    "instruments": {"source": {}},
}
"""Three cells of 500 kg, 300 kg of vessel, rated output at 1500 kg."""


@pytest.fixture
def plant() -> Iterator[Leader]:
    with led(Scenario.model_validate(CHAIN)) as bench:
        yield bench


def clip(bench: Leader, **joins: str) -> None:
    for terminal, lead in joins.items():
        bench.hand("clip", terminal=terminal.replace("_", " "), lead=lead)


def shown(bench: Leader) -> float:
    return float(bench.hand("display", wire="control-system")["text"])


def read(bench: Leader, function: str) -> float:
    return float(bench.ask("dmm", f"CONF:{function};:READ?"))


def test_the_control_system_shows_what_stands_on_the_vessel(plant: Leader) -> None:
    assert "scanner" not in plant.about["sent"]
    empty = shown(plant)
    plant.hand("load", kilograms=600.0)
    plant.advance(1.0)
    on_the_way = shown(plant) - empty
    plant.advance(20.0)
    # Zero of the cells and drops of the cables stay within a per cent.
    assert shown(plant) - empty == pytest.approx(600.0, rel=0.01)
    assert 100.0 < on_the_way < 580.0  # the filters of transmitter and card


def test_the_transmitter_maps_its_span_on_four_to_twenty_milliamperes(plant: Leader) -> None:
    plant.hand("load", kilograms=600.0)
    plant.advance(30.0)
    ratio, _, amps, _ = plant.hand("display", wire="transmitter")["text"].split()
    assert float(amps) == pytest.approx(4.0 + 16.0 * float(ratio) / 2.0011, abs=1e-3)
    # In the loop, over the card's 250 ohm.
    clip(plant, dmm_HI="card in", dmm_LO="card common")
    assert read(plant, "VOLT:DC 10") == pytest.approx(0.25 * float(amps), rel=1e-3)


def test_ratio_and_excitation_are_measured_at_the_transmitter_and_at_the_box(plant: Leader) -> None:
    plant.hand("load", kilograms=900.0)
    plant.advance(30.0)
    for place in ("transmitter", "box"):
        clip(plant, dmm_HI=f"{place} Ex+", dmm_LO=f"{place} Ex-")
        volts = read(plant, "VOLT:DC 10")
        clip(plant, dmm_HI=f"{place} S+", dmm_LO=f"{place} S-")
        signal = read(plant, "VOLT:DC 0.1")
        if place == "box":  # sensed there
            assert volts == pytest.approx(10.0, abs=0.02)
            # 300 + 900 kg on three cells of 500 kg.
            assert signal / volts == pytest.approx(0.8 * 2.0011e-3 - 6.4e-6, rel=4e-3)


def test_a_lifted_cell_leaves_its_share_and_a_list_of_what_to_restore(plant: Leader) -> None:
    plant.advance(10.0)
    before = shown(plant)
    for lead in ("S+", "S-"):
        said = plant.hand("lift", element=f"cell 1 terminal {lead}")
    assert said["lifted"] == ["cell 1 terminal S+", "cell 1 terminal S-"]
    plant.hand("load", kilograms=0.0)
    plant.advance(20.0)
    # The others' mean stays: all carry the same.
    assert shown(plant) == pytest.approx(before, abs=3.0)
    clip(plant, dmm_HI="cell 1 S+", dmm_LO="cell 1 S-")
    assert read(plant, "VOLT:DC 0.1") == pytest.approx(0.2 * 2.0011e-3 * 10.0, rel=0.03)
    plant.hand("restore", element="cell 1 terminal S+")
    assert plant.hand("restore", element="cell 1 terminal S-")["lifted"] == []
    with pytest.raises(BenchProcessError, match="element: "):
        plant.hand("lift", element="cell 9 terminal S+")


def test_millivolts_fed_in_place_of_the_cells_are_read_as_a_ratio(plant: Leader) -> None:
    for lead in ("S+", "S-"):
        plant.hand("lift", element=f"home run {lead}")
    plant.hand("clip", terminal="source +", lead="transmitter S+")
    plant.hand("clip", terminal="source -", lead="transmitter S-")
    plant.say("source", "SOUR:FUNC VOLT;:SOUR:VOLT 0.0100055;:OUTP ON", 0.1)
    plant.advance(20.0)
    ratio = float(plant.hand("display", wire="transmitter")["text"].split()[0])
    assert ratio == pytest.approx(1.00055, rel=2e-3)
    assert shown(plant) == pytest.approx(750.0, rel=3e-3)


def test_milliamperes_fed_in_place_of_the_transmitter_move_the_control_system() -> None:
    with led(Scenario.model_validate(CHAIN)) as plant:
        for wire in ("+", "-"):
            plant.hand("lift", element=f"loop wire {wire}")
        plant.hand("clip", terminal="source +", lead="card in")
        plant.hand("clip", terminal="source -", lead="card common")
        plant.say("source", "SOUR:FUNC CURR;:SOUR:CURR 0.012;:OUTP ON", 0.1)
        plant.advance(10.0)
        assert shown(plant) == pytest.approx(750.0, abs=0.5)


def test_a_wrong_scaling_shows_in_the_value_and_not_in_the_loop() -> None:
    table = {**CHAIN, "chain": {**CHAIN["chain"], "card": {"upper": 1500.0, "zero_ma": 0.0}}}
    with led(Scenario.model_validate(CHAIN)) as right, led(Scenario.model_validate(table)) as wrong:
        texts = [b.hand("display", wire="transmitter")["text"] for b in (right, wrong)]
        assert texts[0] == texts[1]
        amps = float(texts[0].split()[2])
        assert shown(wrong) == pytest.approx(1500.0 * amps / 20.0, abs=1.0)
        assert shown(wrong) > shown(right) + 200.0


@pytest.mark.parametrize(
    ("excitation", "duty", "direct", "alternating"),
    [
        ("direct", 1.0, 1.0, 0.0),
        ("alternating", 1.0, 0.0, 1.0),
        ("pulsed", 0.2, 0.2, 0.4),  # mean d, rms about the mean sqrt(d (1 - d))
    ],
)
def test_meters_see_of_a_pulsed_excitation_what_their_function_sees(
    excitation: str, duty: float, direct: float, alternating: float
) -> None:
    transmitter = {"excitation": excitation, "duty": duty}
    with led(Scenario.model_validate({"chain": {"transmitter": transmitter}})) as plant:
        clip(plant, dmm_HI="box Ex+", dmm_LO="box Ex-")
        volts = read(plant, "VOLT:DC 100"), read(plant, "VOLT:AC 10")
        assert volts == pytest.approx((10.0 * direct, 10.0 * alternating), abs=0.06)


def test_a_corner_test_finds_the_cell_that_nobody_hears() -> None:
    fault = {"kind": "open", "element": "cell 2 terminal S+"}
    with led(Scenario.model_validate({**CHAIN, "fault": [fault]})) as plant:
        gains = []
        for corner in (1, 2, 3):
            plant.hand("load", kilograms=0.0)
            plant.advance(30.0)
            empty = shown(plant)
            plant.hand("load", kilograms=300.0, corner=corner)
            plant.advance(30.0)
            gains.append(shown(plant) - empty)
        # One signal lead is left: it still pulls with half its strength.
        assert gains[1] < 0.7 * gains[0]
        assert gains[0] == pytest.approx(gains[2], rel=0.01)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"chain": {}, "cell": {}}, "cell and chain: one of them"),
        ({"chain": {"cell": []}}, "at least 1 item"),
        ({"chain": {"transmitter": {"two_wire": True}}}, "needs card.supply_volts"),
        ({"chain": {"sense": "somewhere"}}, "allowed is 'box', 'transmitter' or 'missing'"),
        ({"chain": {}, "instruments": {"scanner": {}}}, "hands clip, no scanner does"),
    ],
)
def test_a_chain_that_contradicts_itself_is_refused(table: dict[str, object], said: str) -> None:
    with pytest.raises(ScenarioError, match=said):
        checked("mine.toml", table)


def test_faults_of_a_chain_name_elements_of_a_chain() -> None:
    fault = {"kind": "open", "element": "arm A"}
    with (
        pytest.raises(ScenarioError, match=r"fault\.0: .*'arm A'"),
        led(Scenario.model_validate({"chain": {}, "fault": [fault]})),
    ):
        pass
