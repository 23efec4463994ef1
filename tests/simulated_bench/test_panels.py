"""Instruments without a link: knobs, keys and displays, as a person uses them."""

from __future__ import annotations

from typing import Any

import pytest

from simulated_bench.process import BenchProcessError, Leader
from simulated_bench.scenario import Scenario
from tests.simulated_bench.serving import led

ALL_BY_HAND: dict[str, Any] = {
    "instruments": {
        "scanner": {"missing": True},
        "dmm": {"by_hand": True},
        "supply": {"by_hand": True},
        "insulation": {"by_hand": True},
    }
}


def clip(bench: Leader, *joins: tuple[str, str]) -> None:
    for terminal, lead in joins:
        bench.hand("clip", terminal=terminal, lead=lead)


def seen(bench: Leader, wire: str, quantity: str) -> str:
    """Look at a display until it shows what is there now."""
    bench.advance(float(bench.hand("look", wire=wire)["seconds"]))
    return str(bench.hand("display", wire=wire, quantity=quantity)["text"])


def test_a_meter_without_a_link_is_set_joined_and_read() -> None:
    with led(Scenario.model_validate(ALL_BY_HAND)) as bench:
        assert bench.about["sent"] == {}
        bench.hand("set", wire="dmm", quantity="resistance", range=1000.0, plc=10.0)
        clip(bench, ("dmm HI", "Ex+"), ("dmm sense HI", "Ex+"))
        clip(bench, ("dmm LO", "Ex-"), ("dmm sense LO", "Ex-"))
        text = seen(bench, "dmm", "resistance")
        number, unit = text.split()
        assert float(number) == pytest.approx(385.1, abs=0.06)
        assert (unit, len(number.partition(".")[2])) == ("OHM", 3)  # 1 ppm of its range
        bench.hand("clip", terminal="dmm LO", lead=None)
        assert seen(bench, "dmm", "resistance") == "OVLD"


def test_a_supply_without_a_link_excites_and_goes_down_again() -> None:
    with led(Scenario.model_validate(ALL_BY_HAND)) as bench:
        knobs = {"volts": 5.0, "amps_limit": 0.05, "protection_volts": 6.0, "remote_sense": True}
        bench.hand("set", wire="supply", **knobs)
        clip(bench, ("supply +", "Ex+"), ("supply sense +", "Ex+"))
        clip(bench, ("supply -", "Ex-"), ("supply sense -", "Ex-"))
        bench.hand("switch", wire="supply", on=True)
        bench.advance(2.0)
        assert float(seen(bench, "supply", "voltage").split()[0]) == pytest.approx(5.0, abs=0.02)
        milliamperes = float(seen(bench, "supply", "current").removesuffix(" mA"))
        assert milliamperes == pytest.approx(5.0 / 385.1 * 1e3, abs=0.3)
        bench.hand("switch", wire="supply", on=False)
        bench.advance(5.0)
        assert abs(float(seen(bench, "supply", "voltage").split()[0])) < 0.02
        assert bench.hand("display", wire="supply")["text"].endswith("OFF")


def test_a_tester_without_a_link_shows_its_result_and_the_volts_that_are_left() -> None:
    with led(Scenario.model_validate(ALL_BY_HAND)) as bench:
        clip(bench, *(("insulation +", lead) for lead in ("Ex+", "Ex-", "S+", "S-")))
        clip(bench, ("insulation -", "housing"))
        bench.hand("set", wire="insulation", volts=50)
        assert seen(bench, "insulation", "insulation-resistance") == "---"
        bench.hand("switch", wire="insulation", on=True)
        bench.advance(30.0)
        ohms = float(seen(bench, "insulation", "insulation-resistance").removesuffix(" OHM"))
        assert 5e9 < ohms < 1e12
        assert float(seen(bench, "insulation", "dc-voltage")[:-2]) == pytest.approx(50, abs=1.5)
        bench.hand("switch", wire="insulation", on=False)
        bench.advance(5.0)
        assert float(seen(bench, "insulation", "dc-voltage")[:-2]) < 5.0
        assert seen(bench, "insulation", "insulation-resistance").endswith("OHM")  # it stays


WRONG: list[tuple[str, dict[str, Any], str]] = [
    ("set", {"wire": "supply", "amps": 1.0}, "no knob 'amps', only amps_limit"),
    ("set", {"wire": "dmm", "quantity": "pressure"}, "dmm measures no pressure"),
    ("set", {"wire": "dmm", "quantity": "resistance", "range": 1e12}, "no range 1e\\+12"),
    ("set", {"wire": "insulation", "volts": 2}, "insulation refuses: value"),
    ("set", {"wire": "insulation", "volts": "x"}, "volts: a number"),
    ("set", {"wire": "thermometer", "volts": 1.0}, "is operated over its wire"),
    ("switch", {"wire": "dmm", "on": True}, "dmm has no output"),
    ("switch", {"wire": "supply"}, "on: true or false"),
    ("display", {"wire": "supply", "quantity": "resistance"}, "supply shows no resistance"),
    ("display", {"wire": "dmm", "quantity": "resistance"}, "dmm is set to dc-voltage"),
]


@pytest.mark.parametrize(("do", "order", "says"), WRONG)
def test_what_a_front_panel_does_not_have_is_refused(
    do: str, order: dict[str, Any], says: str
) -> None:
    table = {"instruments": {**ALL_BY_HAND["instruments"], "thermometer": {}}}
    with led(Scenario.model_validate(table)) as bench, pytest.raises(BenchProcessError, match=says):
        bench.hand(do, **order)


def test_looking_at_a_meter_in_remote_measures_nothing() -> None:
    with led() as bench:
        assert bench.hand("look", wire="dmm")["seconds"] == 0.0
        bench.advance(2.0)
        assert bench.hand("display", wire="dmm")["text"] == "-.------ V"
