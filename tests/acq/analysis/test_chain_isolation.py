"""Which block is at fault, on chains whose readings are written down here by hand or drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from acq.analysis.chain_faults import hypotheses
from acq.analysis.chain_hypotheses import Population
from acq.analysis.chain_isolation import Answer, Isolation, isolate
from acq.analysis.chain_papers import Block, ChainReadings, Kind, LoadState, Row
from tests.campaigns.chain_faults import (
    cable_open,
    control_from_zero,
    crossed,
    loop_open,
    sense_missing,
    terminal,
)
from tests.campaigns.drawn_chains import Drawn, draw_sound, read


def drawn(seed: int, *, sensed: bool = True) -> Drawn:
    rng = np.random.default_rng([99, seed])
    while True:
        found = draw_sound(rng)
        if found.chain.sensed is sensed and 1 - found.chain.cable_share > 0.005:
            return found


def judged(one: Drawn, seed: int = 1) -> Isolation:
    return isolate(one.chain, read(one, np.random.default_rng(seed)))


def test_a_sound_chain_is_none_found() -> None:
    found = judged(drawn(1))

    assert found.answer is Answer.NONE_FOUND
    assert found.named is None
    assert found.unchecked == ()
    assert not any(c.outcome == "outside" for c in found.comparisons)


@pytest.mark.parametrize("names", [("S+", "S-"), ("S-",), ("Ex+",)])
def test_a_loose_terminal_in_the_box_is_told_from_an_open_cell_wire(names: tuple[str, ...]) -> None:
    one = drawn(2)
    terminal(*names)(one, np.random.default_rng(1), 1)
    found = judged(one)

    assert found.named is not None
    assert found.named.block is Block.BOX
    assert found.named.cell == 1


def test_a_crossed_signal_pair_is_a_fault_of_that_cell() -> None:
    one = drawn(3)
    crossed(one, np.random.default_rng(1), 2)
    found = judged(one)

    assert found.named is not None
    assert (found.named.block, found.named.cell) == (Block.CELL, 2)
    assert "crossed" in found.named.what


def test_sense_links_at_the_transmitter_are_found_with_their_numbers() -> None:
    one = drawn(4)
    sense_missing(one, np.random.default_rng(1), 0)
    found = judged(one)

    assert found.named is not None
    assert found.named.block is Block.CABLE
    assert "sense" in found.named.what
    assert any("sense voltage" in line and "outside" in line for line in found.evidence)


def test_an_input_card_scaled_from_zero_is_named_as_such() -> None:
    one = drawn(5)
    control_from_zero(one, np.random.default_rng(1), 0)
    found = judged(one)

    assert found.named is not None
    assert "0 to 20 mA" in found.named.what
    assert found.next_steps[0].interface == "I7"


@pytest.mark.parametrize(("fault", "block"), [(loop_open, Block.LOOP), (cable_open, Block.CABLE)])
def test_a_dead_chain_is_still_a_block(fault: object, block: Block) -> None:
    one = drawn(6)
    assert callable(fault)
    fault(one, np.random.default_rng(1), 0)
    found = judged(one)

    assert found.named is not None
    assert found.named.block is block


def test_two_faults_at_once_are_unknown_and_not_a_confident_half_truth() -> None:
    one = drawn(7)
    control_from_zero(one, np.random.default_rng(1), 0)
    sense_missing(one, np.random.default_rng(1), 0)
    crossed(one, np.random.default_rng(1), 1)

    assert judged(one).answer is Answer.UNKNOWN


def test_a_block_is_not_named_where_nothing_was_read_at_it() -> None:
    # a fifth of the span with an empty vessel is just what 0 to 20 mA scaling shows
    one = drawn(8)
    control_from_zero(one, np.random.default_rng(1), 0)
    readings = read(one, np.random.default_rng(1))
    kept = tuple(row for row in readings.rows if row.kind is Kind.SHOWN and row.state == "as found")
    found = isolate(one.chain, ChainReadings(states=readings.states, rows=kept))

    assert found.suspects[0].block is Block.CONTROL
    assert found.answer is Answer.UNDECIDED
    assert "no reading was taken at it" in found.because
    assert "mA" in found.next_steps[0].what


def test_only_a_display_leaves_every_block_open_and_says_what_to_do_first() -> None:
    one = drawn(8)
    state = LoadState(name="as found", live=0.0, u_live=0.1)
    row = Row(kind=Kind.SHOWN, value=0.13 * one.chain.upper, u=0.1, state="as found")
    found = isolate(one.chain, ChainReadings(states={"as found": state}, rows=(row,)))

    assert found.answer in (Answer.UNDECIDED, Answer.UNKNOWN)
    assert len([s for s in found.suspects if s.probability > 0.02]) >= 3
    assert set(found.unchecked) == set(Block)
    assert all(step.cautions for step in found.next_steps)
    total = sum(s.probability for s in found.suspects) + found.none + found.unknown
    assert total == pytest.approx(1.0)


def test_each_further_reading_narrows_it_down_to_the_block() -> None:
    one = drawn(9)
    control_from_zero(one, np.random.default_rng(1), 0)
    readings = read(one, np.random.default_rng(1))
    some = tuple(
        row
        for row in readings.rows
        if row.kind in (Kind.SHOWN, Kind.FED_CURRENT_SHOWN) and row.state in (None, "as found")
    )
    found = isolate(one.chain, replace(readings, rows=some))

    assert found.named is not None
    assert found.named.block is Block.CONTROL


def test_an_open_reading_counts_as_open_and_is_no_number() -> None:
    one = drawn(10)
    terminal("S+", "S-")(one, np.random.default_rng(1), 0)
    one.plant.terminals.clear()
    one.plant.wires[0, "S+"] = float("inf")
    readings = read(one, np.random.default_rng(1))
    rows = tuple(
        replace(row, value=None) if row.kind is Kind.CELL_RATIO and row.cell == 0 else row
        for row in readings.rows
    )
    found = isolate(one.chain, replace(readings, rows=rows))

    assert found.named is not None
    assert (found.named.block, found.named.cell) == (Block.CELL, 0)


def test_the_population_decides_where_the_readings_do_not() -> None:
    one = drawn(11)
    state = LoadState(name="as found", live=0.0, u_live=0.1)
    shown = 0.05 * one.chain.upper
    rows = (Row(kind=Kind.SHOWN, value=shown, u=0.1, state="as found"),)
    readings = ChainReadings(states={"as found": state}, rows=rows)
    weights = dict.fromkeys(Block, 0.001)
    mostly_loop = Population(weights | {Block.LOOP: 10.0}, none=0.01, source="test")

    assert isolate(one.chain, readings).suspects[0].block is not Block.LOOP
    assert isolate(one.chain, readings, mostly_loop).suspects[0].block is Block.LOOP


def test_no_reading_is_refused() -> None:
    one = drawn(12)
    with pytest.raises(ValueError, match="no reading"):
        isolate(one.chain, ChainReadings(states={}, rows=()))


def test_the_shares_of_all_hypotheses_of_a_block_add_up_to_one() -> None:
    for sensed in (True, False):
        thought = hypotheses(drawn(13, sensed=sensed).chain)
        for block in Block:
            own = [item.share for item in thought if item.block is block]
            assert sum(own) == pytest.approx(1.0)


def test_a_sound_chain_that_stands_at_its_lower_limit_raises_no_alarm() -> None:
    one = drawn(14)
    one.plant.dead -= 0.03 * one.live  # lighter than when it was commissioned, and known so
    lighter = replace(one.chain, dead_load=one.chain.dead_load - 0.03 * one.live)
    readings = read(Drawn(lighter, one.plant, one.live, one.corner_load), np.random.default_rng(2))
    found = isolate(lighter, readings)

    assert found.named is None
