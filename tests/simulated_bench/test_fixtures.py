"""Several cells in fixtures of one scanner: one circuit, so that what is joined adds up."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from simulated_bench.on_the_bench import true_papers
from simulated_bench.process import BenchProcessError, Leader
from simulated_bench.scenario import Scenario, ScenarioError, checked
from simulated_bench.scenario_lot import piece_of
from simulated_bench.served import ServedBench
from tests.simulated_bench.serving import channel, lead, led, ohms, serving

LEADS = ("Ex+", "Ex-", "Se+", "Se-", "S+", "S-")


def lot(fault: Sequence[object] = (), **keys: object) -> Scenario:
    return checked("test", {"lot": {"cells": 5, "positions": 3, **keys}, "fault": list(fault)})


def join_at(leader: Leader, *joins: tuple[int, str, str]) -> None:
    """Open every relay and close those of (fixture, terminal, lead)."""
    channels = ",".join(str(10_000 * (at - 1) + channel(t, lead_)) for at, t, lead_ in joins)
    leader.say("scanner", "ROUT:OPEN:ALL", 0.05)
    leader.say("scanner", f"ROUT:CLOS (@{channels})", 0.05)


def reading(leader: Leader, quantity: str = "FRES") -> float:
    return float(leader.ask("dmm", f"MEAS:{quantity}?", 5.0))


def true_output(scenario: Scenario, number: int, seed: int = 1) -> float:
    return true_papers(piece_of(scenario, number).cell, seed).output_ohms


def test_each_fixture_holds_its_own_piece_and_reads_it() -> None:
    scenario = lot(piece=[{"number": 2, "output_ohms": 352.6}])
    with led(scenario) as leader:
        for at in (1, 2, 3):
            join_at(leader, *((at, *join) for join in ohms("S+", "S-")))
            assert reading(leader) == pytest.approx(true_output(scenario, at), abs=0.05)
        assert true_output(scenario, 2) == 352.6


def test_insulation_of_joined_cells_is_the_parallel_of_theirs() -> None:
    """Ohm's law: conductances of joined cells add; the scanner's isolation adds to them."""
    scenario = lot(piece=[{"number": 3, "insulation_ohms": 2e8}])
    told = {}
    with led(scenario) as leader:
        for joined in ((1,), (3,), (1, 2, 3)):
            join_at(
                leader,
                *((at, "insulation +", x) for at in joined for x in LEADS),
                *((at, "insulation -", x) for at in joined for x in ("shield", "housing")),
            )
            told[joined] = insulation(leader)
    alone = 2.0 / told[(1,)] + 1.0 / told[(3,)]
    assert told[(3,)] == pytest.approx(2e8, rel=0.05)
    assert 1.0 / told[(1, 2, 3)] == pytest.approx(alone, rel=0.03)


def insulation(leader: Leader) -> float:
    assert leader.ask("insulation", "VOLT 50") == "OK"
    assert leader.ask("insulation", "START") == "OK"
    leader.advance(60.0)
    said = leader.ask("insulation", "READ?")
    assert leader.ask("insulation", "STOP") == "OK"
    leader.advance(2.0)
    return float(said[3:12])


def test_one_supply_excites_all_fixtures_and_gives_the_sum_of_their_currents() -> None:
    with led(lot()) as leader:
        supply = [("supply +", "Ex+"), ("supply -", "Ex-")]
        join_at(
            leader,
            *((at, *join) for at in (1, 2, 3) for join in supply),
            *((3, *join) for join in (("dmm HI", "Ex+"), ("dmm LO", "Ex-"))),
        )
        leader.say("supply", "VOLT 10;CURR 0.2", 0.1)
        leader.say("supply", "OUTP ON", 2.0)
        amps = float(leader.ask("supply", "MEAS:CURR?", 5.0))
        volts = reading(leader, "VOLT:DC")
    assert amps == pytest.approx(3 * 10.0 / 385.7, rel=0.01)  # two relays of 0.3 ohm in each
    assert volts == pytest.approx(10.0 * 385.1 / 385.7, abs=0.01)


def test_a_fixture_that_nothing_is_joined_to_is_the_same_by_its_whole_cell() -> None:
    """An idle fixture counts as three nodes: the reading beside it must not tell."""
    whole = lot(
        fault=[{"kind": "leak", "between": ["S+", "S-"], "ohms": 1e12, "piece": n} for n in (2, 3)]
    )  # a cell with a fault is never left out
    told = []
    for scenario in (lot(), whole):
        with led(scenario) as leader:
            join_at(
                leader,
                *((1, "insulation +", x) for x in LEADS),
                *((1, "insulation -", x) for x in ("shield", "housing")),
            )
            ohms_read = insulation(leader)
            join_at(leader, *((1, *join) for join in ohms("S+", "S-")))
            told.append((ohms_read, reading(leader)))
    assert told[0][0] == pytest.approx(told[1][0], rel=2e-3)
    assert told[0][1] == pytest.approx(told[1][1], abs=1e-5)


def test_a_fault_of_nobody_is_refused() -> None:
    with pytest.raises(ScenarioError, match="a piece from 1 to 5"):
        checked("test", {"lot": {"cells": 5}, "fault": [{"kind": "open", "element": "arm A"}]})


def test_another_piece_is_laid_in_and_taken_out() -> None:
    scenario = lot()
    with serving(scenario) as served:
        leader = lead(served)
        leader.hand("fixture", position=2, serial="EX26-05")
        join_at(leader, *((2, *join) for join in ohms("S+", "S-")))
        assert reading(leader) == pytest.approx(true_output(scenario, 5), abs=0.05)
        leader.hand("fixture", position=2, serial=None)
        assert reading(leader) > 1e9
        leader.close()


def test_the_bench_file_tells_the_fixture_of_every_relay_but_those_of_the_first() -> None:
    with ServedBench("test", lot()) as served:
        text = served.bench_file()
    assert text.count("position = 3") == text.count("position = 2") == 11 * 8
    assert text.count("[[connections.relay]]") == 3 * 11 * 8


def test_hands_clip_cells_that_lie_side_by_side() -> None:
    """The supply's clips stay on the leads of others, the meter's are where they were put last."""
    scenario = checked(
        "test", {"lot": {"cells": 3, "positions": 3}, "instruments": {"scanner": {"missing": True}}}
    )
    with serving(scenario) as served:
        leader = lead(served)
        for position in (1, 2):
            for terminal, lead_ in (("supply +", "Ex+"), ("supply -", "Ex-")):
                leader.hand("clip", terminal=terminal, lead=lead_, position=position)
        for position in (1, 3, 2):
            for terminal in ("dmm HI", "dmm sense HI"):
                leader.hand("clip", terminal=terminal, lead="S+", position=position)
            for terminal in ("dmm LO", "dmm sense LO"):
                leader.hand("clip", terminal=terminal, lead="S-", position=position)
        clips = dict(served.bench.clips)
        assert clips["supply +"] == ("Ex+", "position 2 Ex+")
        assert clips["dmm HI"] == ("position 2 S+",)
        assert reading(leader) == pytest.approx(true_output(scenario, 2), abs=0.05)
        leader.hand("clip", terminal="supply +", lead="Ex+", position=2, off=True)
        assert dict(served.bench.clips)["supply +"] == ("Ex+",)
        with pytest.raises(BenchProcessError, match="position: where a cell lies"):
            leader.hand("clip", terminal="dmm HI", lead="S+", position=9)
        leader.close()
