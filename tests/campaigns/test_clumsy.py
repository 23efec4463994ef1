"""A slip of the hand is noticed and asked for again; it does not become a verdict."""

from __future__ import annotations

from pathlib import Path

from tests.campaigns.clumsy import ALLOWED, BY_HAND, CLIPPED, Tally, conduct, table


def test_clips_on_wrong_leads_are_asked_for_again_and_the_sound_cell_passes(tmp_path: Path) -> None:
    verdict, again = conduct("healthy", CLIPPED, 13, tmp_path)
    assert verdict == "pass"
    assert again >= 2


def test_a_broken_cell_does_not_pass_by_exchanged_digits(tmp_path: Path) -> None:
    verdict, _ = conduct("open-arm-b", BY_HAND, 2, tmp_path)
    assert verdict in ALLOWED["fail"]


def test_the_table_names_every_wrong_verdict() -> None:
    tally = Tally(2, 1, {"pass": 2}, ["open-arm-b, a person reads, seed 2: pass"])
    text = table({(BY_HAND, "open-arm-b"): tally}, 1)
    assert "Wrong verdicts: **1**" in text
    assert "* open-arm-b, a person reads, seed 2: pass" in text
