"""The short form of the campaign `drift_classes`; its full table is drift_table.md."""

from __future__ import annotations

from acq.analysis.drift_columns import Cause
from tests.campaigns.drift_classes import run, table


def test_the_main_cause_of_drawn_logs_is_told() -> None:
    tally = run(records=48, seed=21)

    assert tally.total == 48
    assert tally.right >= 45
    assert tally.told[Cause.FROZEN, Cause.FROZEN] == 6
    assert f"{tally.right} of 48" in table(tally, 21)
