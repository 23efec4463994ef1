"""A short form of the day at the load rig: its readings tell the papers of the cell again."""

from __future__ import annotations

import numpy as np
import pytest

from tests.campaigns.load_and_creep_day import RESPONSE, run


def test_a_shortened_day_at_the_rig_gives_back_what_the_papers_say() -> None:
    day, found = run(scale=0.1)
    assert day.readings > 600
    rising = np.array([np.median(found[f"run 1 up {step}"][-5:]) for step in range(11)])
    falling = np.array([np.median(found[f"run 1 down {step}"][-5:]) for step in range(10)])
    zero, span = rising[0], rising[-1] - rising[0]
    # 4 uV/V of warm-up and room are left in the zero, a few 1e-5 in the span; creep has no time.
    assert zero == pytest.approx(RESPONSE.zero, abs=1e-6)
    assert span == pytest.approx(RESPONSE.rated_output, rel=1.5e-4)
    shares = np.linspace(0, 1, 11)
    bent = (rising - zero - shares * span) / span
    assert bent[5] == pytest.approx(RESPONSE.nonlinearity, abs=2e-5)
    assert (falling[5] - rising[5]) / span == pytest.approx(RESPONSE.hysteresis, abs=2e-5)


def test_the_same_seed_gives_the_same_day() -> None:
    one, other = run(scale=0.02)[1], run(scale=0.02)[1]
    assert one == other
