"""Probabilities that a statement is wrong: of one result, and of a rule over a population.

Specific risk (JCGM 106:2012 7.3, 7.4, equation 7): the measured value is the only knowledge.
"""

from __future__ import annotations

import math

from acq.readings.measured import Expanded
from acq.readings.rules import Limit


def conformance_probability(result: Expanded, limit: Limit) -> float:
    """Return the probability that the measured quantity itself lies within the limits.

    Normal for infinite degrees of freedom (JCGM 106:2012 equation 7), else the scaled and
    shifted t distribution that a type A evaluation leaves (JCGM 101:2008 6.4.9).
    """
    if not result.u:
        return 1.0 if limit.margin(result.value) >= 0.0 else 0.0
    above, below = 1.0, 0.0
    if limit.upper is not None:
        above = normal_or_t((limit.upper - result.value) / result.u, result.dof)
    if limit.lower is not None:
        below = normal_or_t((limit.lower - result.value) / result.u, result.dof)
    return max(0.0, above - below)


def normal_or_t(z: float, dof: float) -> float:
    """Return the distribution function at z of the standard normal or Student's t."""
    from scipy import special

    if math.isinf(dof):
        return float(special.ndtr(z))
    return float(special.stdtr(dof, z))
