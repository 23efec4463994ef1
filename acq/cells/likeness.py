"""Limits from what else is known: earlier findings of the serial, or the rest of its lot."""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from acq.readings.rules import Limit


def robust_limits(values: Sequence[float], sigmas: float, unit: str, source: str) -> Limit | None:
    """Return median ± so many robust sigma (1.4826 MAD) of a lot or a history; None below 5.

    For a piece that is inside its tolerance and still unlike its lot.
    """
    if len(values) < 5:
        return None
    middle = statistics.median(values)
    spread = 1.4826 * statistics.median([abs(value - middle) for value in values])
    text = f"{source}: {len(values)} values, ± {sigmas:g} robust sigma"
    if not spread:
        return None
    return Limit(middle - sigmas * spread, middle + sigmas * spread, unit, text)
