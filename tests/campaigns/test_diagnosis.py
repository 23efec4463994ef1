"""The short form of the campaign: few cells, wide margins; the long one writes the table."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from acq.analysis.faults import NONE_FOUND
from tests.campaigns.diagnosis import Results, run
from tests.campaigns.diagnosis_table import table


@cache
def results() -> Results:
    return run(seed=11, types=5, cells=80, records=4)


def test_faults_beyond_the_stated_limit_are_named_first_with_their_place() -> None:
    above = [x for x in results().outcomes if x.detectable and x.truth != NONE_FOUND]
    assert len(above) > 60
    assert np.mean([x.right for x in above]) >= 0.95
    assert np.mean([x.placed for x in above]) >= 0.95


def test_sound_cells_are_hardly_ever_answered_with_a_fault() -> None:
    sound = [x for x in results().outcomes if x.truth == NONE_FOUND]
    assert len(sound) > 100
    assert sum(not x.right for x in sound) <= 2


def test_probabilities_mean_what_they_say() -> None:
    for low, high in ((0.0, 0.7), (0.7, 0.95), (0.95, 1.01)):
        mine = [x for x in results().outcomes if low <= x.chance < high]
        stated, found = (
            np.mean([x.chance for x in mine]),
            np.mean([x.placed for x in mine]),
        )
        slack = 4.0 * np.sqrt(stated * (1.0 - stated) / len(mine)) + 0.01
        assert found == pytest.approx(stated, abs=slack)


def test_stated_intervals_hold_the_truth() -> None:
    counts = results()
    for name, intervals in counts.intervals.items():
        # four arms of a cell are right or wrong together
        slack = 4.0 * np.sqrt(0.05 * 0.95 / (intervals / 4.0))
        assert abs(counts.covered[name] / intervals - 0.95) <= slack + 0.01, name


def test_the_table_tells_every_fault_and_every_goal() -> None:
    text = table(results(), seed=11)
    for fault in {x.truth.fault for x in results().outcomes}:
        assert f"| {fault} |" in text
    for goal in (">= 10000", ">= 97 %", "<= 0.5 %"):
        assert goal in text
    assert "seed 11" in text
