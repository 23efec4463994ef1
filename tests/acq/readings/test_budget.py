"""Budgets of whatever comes out of a calculation, the odd cases included."""

from __future__ import annotations

import math

import GTC
import pytest

from acq.readings.budget import budget, expanded
from acq.readings.measured import Bound, Contribution


def test_a_single_influence_is_its_own_budget() -> None:
    one = GTC.ureal(1.0, 0.1, 5, label="scatter")
    assert budget(one) == (Contribution("scatter", 0.1, 5.0),)
    assert expanded(one).dof == pytest.approx(5.0)


def test_influences_of_one_name_are_one_line_with_their_dof_together() -> None:
    total = GTC.ureal(1.0, 3.0, 4, label="scatter") + GTC.ureal(1.0, 4.0, 9, label="scatter")
    (line,) = budget(total)
    assert line.standard_uncertainty == pytest.approx(5.0)
    # GUM G.2b: 625 / (81 / 4 + 256 / 9)
    assert line.dof == pytest.approx(625.0 / (81.0 / 4.0 + 256.0 / 9.0))
    assert expanded(total).dof == pytest.approx(line.dof)


def test_what_cancels_leaves_nothing_and_no_doubt_about_it() -> None:
    one = GTC.ureal(2.0, 0.1, 5, label="scatter")
    for nothing in (one - one, one * 0.0 + 2.0, GTC.constant(3.0)):
        assert budget(nothing) == ()
        assert expanded(nothing).U == 0.0
        assert math.isinf(expanded(nothing).dof)


def test_a_bound_carries_the_accuracy_of_the_tester_at_its_end() -> None:
    bound = Bound(20e9, "above", 1e9, "insulation gain")
    assert budget(bound) == (Contribution("insulation gain", 1e9, math.inf),)
    assert abs(expanded(bound).U - 1.96e9) < 1e6
    assert budget(Bound(20e9, "above")) == ()
