"""The short form of the load-path campaign: what counts where, and what the kept table says."""

from __future__ import annotations

from sequences.creep import record_of
from sequences.outputs import SWING
from tests.campaigns.load_path_campaign import TABLE, Day, _plan


def test_a_creep_record_counts_noise_within_its_scatter_and_swing_and_drift_beside_it() -> None:
    day = Day(1, "normal")
    day.wait(900.0)
    rest, load = day.applied(0.0), day.applied(1.0)
    taken = [day.taken(rest) for _ in range(3)]
    for applied in (load, rest):
        taken.append(day.point(applied))
        for _ in range(4):
            day.wait(150.0)
            taken.append(day.taken(applied))
    readings, sources = record_of(day.scale, taken, rest.value, load.value, _plan().load.reading)
    assert [each.load for each in readings] == [rest.value] * 3 + [load.value] * 5 + [
        rest.value
    ] * 5
    within = {getattr(each, "name"): each.within_runs for each in sources}  # noqa: B009
    assert within["dmm scatter, dc-voltage 100 mV range"]
    assert not within[SWING]
    assert not within["EMF drift within the record"]
    assert not within["dmm gain, dc-voltage 100 mV range"]


def test_the_kept_table_covers_as_often_as_it_says() -> None:
    """Of figures whose errors are as the budget states them: near 95 of 100, none always."""
    text = TABLE.read_text(encoding="utf-8")
    stated, _, flat = text.partition("## Errors as the simulator draws them")
    for part, least, most in ((stated, 93.0, 97.0), (flat, 94.0, 100.0)):
        covered = {}
        for line in part.splitlines():
            *cells, last = line.strip("|").split("|")
            if last.strip().endswith(" %"):
                covered[cells[0].strip()] = float(last.strip(" %"))
        assert len(covered) == 15
        assert all(least <= percent <= most for percent in covered.values()), covered
