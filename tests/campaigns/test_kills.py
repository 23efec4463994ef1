"""The kill campaign in its short form; the long one is `python -m tests.campaigns.kills`."""

from __future__ import annotations

from tests.campaigns.kills import campaign


def test_random_kills_leave_nothing_on_and_lose_nothing() -> None:
    tally = campaign(kills=6, seed=20260302)
    assert tally.kills == 6
    assert (tally.lost, tally.redone, tally.unsound) == (0, 0, 0)
    assert tally.never_off == []
    assert tally.refused == []
