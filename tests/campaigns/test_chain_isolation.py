"""The short form of the campaign `chain_isolation`; its full table is chain_table.md."""

from __future__ import annotations

from acq.analysis.chain_papers import Block
from tests.campaigns.chain_isolation import run


def test_drawn_faults_are_found_in_their_block_and_sound_chains_raise_no_alarm() -> None:
    score = run(per_block=2, sound=4, seed=11)

    assert score.wrong("none-found") == 0
    assert sum(score.hits(block.value) for block in Block) >= 13  # of 14
    assert sum(score.wrong(block.value) for block in Block) == 0


def test_on_a_partly_measured_chain_the_right_block_is_named_or_still_listed() -> None:
    score = run(per_block=1, sound=1, seed=12, part=True)

    assert sum(score.listed[block.value] for block in Block) >= 6  # of 7
    assert sum(score.wrong(block.value) for block in Block) == 0
