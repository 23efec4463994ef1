"""Readings that contradict each other, whatever the cell is: each against what the others say."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from acq.analysis.candidates import Candidate
from acq.analysis.leads import FOUR_WIRE_PAIRS, INPUT
from acq.analysis.network import predicted_zero
from acq.analysis.network_evidence import covariance
from acq.analysis.observed import Observed
from acq.analysis.population import Meters
from acq.analysis.wording import millivolts, ohms, tidy

GAIN = 5e-4  # of a large zero: two meters, or two ranges
FAR = 3.0  # standard deviations


def zero_from_pairs(seen: Observed, meters: Meters) -> tuple[float, float] | None:
    """Return the zero that six pairs demand and its standard uncertainty in V/V.

    None while one of the six is open or missing. The meter's offset cancels, and its gain where
    one range has read them all.
    """
    if not all(p in seen.pairs and np.isfinite(seen.pairs[p].ohms) for p in FOUR_WIRE_PAIRS):
        return None
    pairs = {p: seen.pairs[p].ohms for p in FOUR_WIRE_PAIRS}
    if pairs[INPUT] <= 0.0:
        return None
    zero, double = float(predicted_zero(pairs)), 2.0 * pairs[INPUT]
    slopes = np.array([-2.0 * zero, -1.0, 1.0, -1.0, 1.0, 0.0]) / double
    total = seen.errors_of(FOUR_WIRE_PAIRS, meters).covariance(np.arange(len(FOUR_WIRE_PAIRS)))
    return zero, float(np.sqrt(slopes @ total @ slopes))


def disagreements(candidate: Candidate, seen: Observed) -> tuple[str, ...]:
    """Return one sentence per contradiction; nothing when all readings agree."""
    return (*_zeros(candidate, seen), *_each_against_the_others(candidate, seen))


def _zeros(candidate: Candidate, seen: Observed) -> Iterator[str]:
    ranker = candidate.ranker
    demanded = zero_from_pairs(seen, ranker.population.meters)
    if demanded is None or seen.zero is None:
        return
    own = float(ranker.errors.own[-1]) / (2.0 * seen.pairs[INPUT].ohms)
    spread = float(np.hypot(np.hypot(demanded[1], own), GAIN * demanded[0]))
    difference = seen.zero.ratio - demanded[0]
    if abs(difference) > FAR * spread:
        yield (
            f"The measured zero {millivolts(seen.zero.ratio)} is not the one that the six pairs "
            f"demand, {millivolts(demanded[0])} ± {2e3 * spread:.2g} mV/V: an EMF, a leak to "
            "earth, a load on the cell or a lead exchanged between the two measurements."
        )


def _each_against_the_others(candidate: Candidate, seen: Observed) -> Iterator[str]:
    """A reading against what all others lead to, under the answer's model."""
    ranker = candidate.ranker
    if len(candidate.lines) != 1 or candidate.predicted is None:
        return
    (line, size), pairs = candidate.lines[0], ranker.pairs
    read = np.array([seen.pairs[p].ohms if p in seen.pairs else np.nan for p in pairs])
    rows = np.flatnonzero(np.isfinite(read) & np.isfinite(candidate.predicted[:-1]))
    total = covariance(line, rows, ranker.errors, np.array([size]), ranker.root)[0]
    if not line.point:
        free = line.step[rows] * 1e3 / max(np.abs(line.step[rows]).max(), 1e-9)
        total = total + np.outer(free, free)
    weight = np.linalg.inv(total)
    pull = weight @ (read[rows] - candidate.predicted[rows])
    for place, row in enumerate(rows.tolist()):
        variance = 1.0 / weight[place, place]
        away = pull[place] * variance
        if abs(away) > FAR * np.sqrt(variance) and len(rows) > 2:
            yield (
                f"{pairs[row]} reads {ohms(float(read[row]))}; the other readings lead to "
                f"{tidy(float(read[row] - away))} ± {2.0 * np.sqrt(variance):.2g} ohm."
            )
