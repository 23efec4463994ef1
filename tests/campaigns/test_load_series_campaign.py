"""The short form of the load-series campaign: few cells, wide bounds."""

from __future__ import annotations

import pytest
from scipy.stats import binom

from tests.campaigns.load_series_campaign import TABLE, Tallies, campaign

CELLS = 30


@pytest.fixture(scope="module")
def tallies() -> Tallies:
    return campaign(CELLS)


def test_stated_intervals_cover_the_truth_as_often_as_they_say(tallies: Tallies) -> None:
    """No figure misses more often than one campaign in ten thousand would at 93 %."""
    fewest = binom.ppf(1e-4, CELLS, 0.93) / CELLS
    low = {name: tally.coverage for name, tally in tallies.items() if tally.coverage < fewest}
    assert not low


def test_stated_intervals_are_not_far_too_wide(tallies: Tallies) -> None:
    """All linear figures together: at 97 % some must miss."""
    together = [tally for name, tally in tallies.items() if "time constant" not in name]
    hits = sum(tally.coverage for tally in together) / len(together)
    assert 0.92 < hits < 0.985


def test_no_figure_is_biased_beyond_what_chance_gives(tallies: Tallies) -> None:
    for name, tally in tallies.items():
        if "1980" not in name:  # longer than the record: its estimate is skewed, see the table
            assert abs(tally.bias) < 4.5 * tally.bias_error, name


def test_the_kept_table_holds_what_is_claimed() -> None:
    """Coverage of every figure in the long campaign lies between 93 and 97 %."""
    covered = {}
    for line in TABLE.read_text(encoding="utf-8").splitlines():
        *cells, last = line.strip("|").split("|")
        if last.strip().endswith(" %"):
            covered[cells[0].strip()] = float(last.strip(" %"))
    assert len(covered) > 20
    assert all(93.0 <= percent <= 97.0 for percent in covered.values()), covered
