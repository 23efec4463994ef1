"""Judging: whole arrays against one result at a time. A ratio within one run."""

from __future__ import annotations

import math
from time import perf_counter

import numpy as np

from acq.readings.conformity import judge
from acq.readings.measured import Expanded
from acq.readings.rules import Limit, Rule
from acq.readings.statements import WORDS, statements

LIMIT = Limit(373.0, 397.0, "ohm", "data sheet")
RULE = Rule.named("four statements")
U = 1.0


def test_a_million_results_are_judged_much_faster_together_than_alone() -> None:
    values = np.random.default_rng(1).normal(385.0, 6.0, 1_000_000)
    statements(values, U, LIMIT, RULE, 1.0 / 3.0)  # warm
    start = perf_counter()
    codes = statements(values, U, LIMIT, RULE, 1.0 / 3.0)
    together = (perf_counter() - start) / values.size
    few = values[:2000]
    start = perf_counter()
    words = [judge(Expanded(float(v), U, 2.0, math.inf), LIMIT, RULE) for v in few]
    alone = (perf_counter() - start) / few.size
    assert [WORDS[code] for code in codes[:2000]] == [word.conformity for word in words]
    # goal 100; measured in thousands on two cores
    assert alone / together >= 100.0
