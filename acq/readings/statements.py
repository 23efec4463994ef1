"""Decision rules on whole arrays: the same words as `conformity.judge`, many results at a time."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from acq.errors import WrongInput
from acq.readings.judgement import Conformity
from acq.readings.rules import Limit, Rule, RuleName

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]

WORDS: tuple[Conformity, ...] = (
    Conformity.PASS,
    Conformity.CONDITIONAL_PASS,
    Conformity.CONDITIONAL_FAIL,
    Conformity.FAIL,
    Conformity.UNDECIDED,
)
PASS, CONDITIONAL_PASS, CONDITIONAL_FAIL, FAIL, UNDECIDED = range(5)


def margins(values: Floats, limit: Limit) -> Floats:
    """Return how far inside the nearer limit each value lies; any shape."""
    lower = -math.inf if limit.lower is None else limit.lower
    upper = math.inf if limit.upper is None else limit.upper
    return np.minimum(values - lower, upper - values)


def statements(values: Floats, U: float, limit: Limit, rule: Rule, share: float | None) -> Codes:
    """Return the places in `WORDS` of results that share one expanded uncertainty; any shape.

    Raises WrongInput for the normalised error, which compares with a reference instead.
    """
    if rule.name is RuleName.NORMALISED_ERROR:
        raise WrongInput("the normalised error has no risk of a limit: name another rule")
    d = margins(values, limit)
    codes = _by_rule(d, rule.guard_band(U), rule.name)
    if share is not None and share * limit.tolerance < U:
        codes[(d >= -U) & (d < U)] = UNDECIDED
    return codes


def _by_rule(d: Floats, w: float, name: RuleName) -> Codes:
    if name is RuleName.FOUR_STATEMENTS:
        edges = [d >= w, d >= 0.0, d >= -w]
        return np.select(edges, [PASS, CONDITIONAL_PASS, CONDITIONAL_FAIL], FAIL).astype(np.int8)
    edge = {RuleName.GUARDED_ACCEPTANCE: w, RuleName.GUARDED_REJECTION: -w}.get(name, 0.0)
    return np.where(d >= edge, PASS, FAIL).astype(np.int8)
