"""A load is seen by the output alone: that it came, whether it went too far, when it rests."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from acq.readings.reading import Reading
from sequences.load_plan import Watching
from sequences.load_watch import LoadWatch

PLAN = Watching(source="of the test")
FULL = 20e-3


def watch(before: float | None = 0.0, step: float = 4e-3) -> LoadWatch:
    return LoadWatch(PLAN, what="100 kg", before_volts=before, step_volts=step, full_volts=FULL)


def feed(
    each: LoadWatch, volts: Callable[[float], float | None], until_s: float = 1000.0
) -> float | None:
    """Feed a reading each second; return when it has seen enough, s."""
    second = 0.0
    while second <= until_s:
        at = round(second * 1e9)
        value = volts(second)
        reading = Reading(
            quantity="dc-voltage",
            value=value,
            limit=None if value is not None else "above",
            unit="V",
            instrument="dmm",
            range_=0.1,
            plc=1.0,
            started_ns=at,
            ended_ns=at + 20_000_000,
            raw=repr(value),
        )
        if each.see(reading):
            return second
        second += 1.0
    return None


def test_a_hung_weight_is_seen_coming_and_waited_for_until_it_hangs_still() -> None:
    one = watch()

    def swinging(t: float) -> float:
        if t < 20.5:
            return 0.0
        swing = 0.02 * math.exp(-(t - 20.5) / 12.0) * math.cos(3.0 * (t - 20.5))
        return 4e-3 * (1.0 + swing)

    assert feed(one, lambda _: 0.0, 10.0) is None
    assert "waiting for the load: 100 kg" in one.because
    one = watch()
    seconds = feed(one, swinging)
    seen = one.seen()
    assert seen["outcome"] == "at rest"
    # between the last quiet look at 20 s and the next one at 21 s
    assert seen["started_ns"] / 1e9 == pytest.approx(20.5, abs=0.05)
    assert seconds is not None
    # 2 % of the step swings down to 0.2 % in 12 s ln 10 = 28 s, peak to peak in some 35 s
    assert 40.0 < seconds < 65.0
    assert seen["volts"] == pytest.approx(4e-3, rel=3e-3)


def test_why_it_still_waits_is_said_with_a_figure_when_it_takes_long() -> None:
    one = watch()
    feed(one, lambda t: 4e-3 * (1.0 + 0.05 * (-1) ** int(t)) if t > 3 else 0.0, 40.0)
    assert "still moves, by more than 1 % of full output" in one.because
    assert "does somebody touch it?" in one.because


def test_what_went_beyond_its_new_load_shows_as_overshoot() -> None:
    one = watch(before=8e-3, step=-4e-3)
    feed(one, lambda t: 8e-3 if t < 5 else 3.2e-3 if t < 7 else 4e-3)
    assert one.seen()["overshoot"] == pytest.approx(0.8e-3, rel=1e-6)
    one = watch(before=8e-3, step=-4e-3)
    feed(one, lambda t: 8e-3 if t < 5 else 6e-3 if t < 7 else 4e-3)
    assert one.seen()["overshoot"] == pytest.approx(0.0, abs=1e-9)


def test_nothing_that_comes_is_told_after_the_patience() -> None:
    one = watch()
    assert feed(one, lambda t: 1e-6 * (t % 2)) == pytest.approx(600.0, abs=1.0)
    assert one.seen()["outcome"] == "nothing came"
    over = watch()
    assert feed(over, lambda _: None) == pytest.approx(600.0, abs=1.0)
    assert over.seen()["outcome"] == "over range"


def test_an_unknown_output_before_means_that_only_rest_is_awaited() -> None:
    one = watch(before=None, step=0.0)
    assert feed(one, lambda _: 7e-3) == pytest.approx(2.0, abs=1.0)
    assert one.seen()["outcome"] == "at rest"
