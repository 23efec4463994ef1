"""Log evidence of what is seen on one cell under load, by hand and with the current reversed.

No network model reaches these: a fault shows in them in a stated share of its cases, and then
by a size that may be anything over two decades. The shares are assumptions of this program.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np

from acq.analysis.expectation import PLACE
from acq.analysis.fault_lines import Line
from acq.analysis.faults import Fault, FaultAt
from acq.analysis.observed import Observed
from acq.analysis.sizes import SizePrior, log_uniform

UNDER_LOAD: Mapping[str, Mapping[Fault, float]] = {
    "non-linearity": {
        Fault.PLASTIC_SET: 0.5,
        Fault.SIDE_LOAD_SET: 0.3,
        Fault.FATIGUE_CRACK: 0.5,
        Fault.BOND_FAILURE: 0.4,
    },
    "hysteresis": {
        Fault.PLASTIC_SET: 0.5,
        Fault.FATIGUE_CRACK: 0.8,
        Fault.BOND_FAILURE: 0.4,
        Fault.LOOSE_JOINT: 0.2,
    },
    "creep": {
        Fault.FATIGUE_CRACK: 0.7,
        Fault.BOND_FAILURE: 0.95,
        Fault.NOT_SOAKED: 0.3,
        Fault.MOISTURE_IN_CELL: 0.2,
    },
    "zero return": {
        Fault.FATIGUE_CRACK: 0.9,
        Fault.BOND_FAILURE: 0.8,
        Fault.PLASTIC_SET: 0.2,
        Fault.NOT_SOAKED: 0.4,
        Fault.LOOSE_JOINT: 0.3,
    },
    "off-centre error": {Fault.SIDE_LOAD_SET: 0.9, Fault.PLASTIC_SET: 0.1},
    "zero drift": {
        Fault.NOT_SOAKED: 0.95,
        Fault.MOISTURE_IN_CELL: 0.7,
        Fault.MOISTURE_IN_CABLE: 0.4,
        Fault.LOOSE_JOINT: 0.5,
        Fault.THERMAL_EMF: 0.4,
        Fault.FATIGUE_CRACK: 0.5,
    },
}
"""Share of the cases of each fault in which a finding exceeds its limit, by finding."""

FLEXING: Mapping[str, Mapping[Fault, float]] = {
    "cable": {Fault.DAMAGED_CABLE: 0.9, Fault.LOOSE_JOINT: 0.2, Fault.OPEN_LEAD: 0.3},
    "gland": {Fault.DAMAGED_CABLE: 0.4, Fault.LOOSE_JOINT: 0.5, Fault.OPEN_LEAD: 0.3},
    "body": {Fault.LOOSE_JOINT: 0.8, Fault.OPEN_ARM: 0.2, Fault.FATIGUE_CRACK: 0.1},
}
"""Share of the cases in which a reading moves when that place is flexed or tapped."""

BY_CHANCE = 0.002
USUAL_OF_LIMIT = 0.4  # standard deviation of a sound cell's findings, in parts of their limits
STEADY_OHMS = 0.005
LARGE_OF_LIMIT = log_uniform(0.7, 30.0, lambda x: x, signs=(1,))
LARGE_OHMS = log_uniform(0.02, 100.0, lambda x: x, signs=(1,))
POLARITY_SHARE = 1e-4  # of a resistance: EMFs of some microvolts at a milliampere
LARGE_POLARITY = log_uniform(0.003, 2.0, lambda x: x)

SPAN_LOSS = log_uniform(0.01, 0.4, lambda x: -x, signs=(1,))
SPAN_CHANGE = log_uniform(0.002, 0.3, lambda x: x)
SPAN_ELSEWHERE: Mapping[Fault, SizePrior] = {
    Fault.BOND_FAILURE: SPAN_LOSS,
    Fault.FATIGUE_CRACK: SPAN_CHANGE,
    Fault.WRONG_PAPERS: log_uniform(0.01, 0.7, lambda x: x),
    Fault.BUILT_IN_ELECTRONICS: log_uniform(0.01, 0.7, lambda x: x),
    Fault.UNKNOWN: log_uniform(0.002, 2.0, lambda x: x),
}
"""Change of the span of faults that no network model reaches."""


def log_further(seen: Observed, faults: Collection[FaultAt], span: float) -> float:
    """Return the log evidence of what is seen beside the network, for these faults at once.

    `span` is the output under load, as a share of a sound cell's, that their networks give.
    """
    kinds = {place.fault for place in faults}
    total = 0.0
    for place, ohms in seen.flexing.items():
        shares = FLEXING.get(place, {})
        total += _shows(abs(ohms), STEADY_OHMS, LARGE_OHMS, _share(shares, kinds))
    total += _polarity(seen, kinds)
    if seen.loaded is not None:
        for name, part in seen.loaded.of_limit.items():
            share = _share(UNDER_LOAD[name], kinds)
            total += _shows(abs(part), USUAL_OF_LIMIT, LARGE_OF_LIMIT, share)
        if seen.loaded.span_ratio is not None:
            sigma = float(np.hypot(seen.loaded.span_uncertainty, 1e-3))
            total += _span(seen.loaded.span_ratio / span - 1.0, sigma, kinds)
    return total


def span_of(line: Line, pairs_input: int, size: float) -> float:
    """Return the span of a cell on a line, as a share of a sound cell's (signed).

    `pairs_input` is the place of the pair Ex+ Ex- among the readings.
    """
    at, zero = PLACE["zero"], -1
    slope = line.base_slopes[zero, at] + size * line.step_slopes[zero, at]
    ohms = line.base[pairs_input] + size * line.step[pairs_input]
    return float(slope / ohms) if abs(ohms) > 1e-6 else 0.0


def _share(shares: Mapping[Fault, float], kinds: Collection[Fault]) -> float:
    hidden = 1.0 - BY_CHANCE
    for kind in kinds:
        hidden *= 1.0 - shares.get(kind, 0.3 if kind is Fault.UNKNOWN else 0.0)
    return 1.0 - hidden


def _shows(size: float, usual: float, large: SizePrior, share: float) -> float:
    """Density of a size that is small by nature, and large in a share of the cases."""
    small = np.log(2.0) + _normal(size, usual)
    much = _smoothed(size, usual / 4.0, large)
    return float(np.logaddexp(np.log(1.0 - share) + small, np.log(share) + much))


def _polarity(seen: Observed, kinds: Collection[Fault]) -> float:
    total = 0.0
    share = 0.97 if Fault.BUILT_IN_ELECTRONICS in kinds else 1e-4
    for pair in seen.pairs.values():
        if pair.polarity_ohms is None or not 0.0 < pair.ohms < np.inf:
            continue
        part = pair.polarity_ohms / pair.ohms
        usual = float(np.hypot(POLARITY_SHARE, 0.01 / pair.ohms))
        small, much = _normal(part, usual), _smoothed(part, usual, LARGE_POLARITY)
        total += float(np.logaddexp(np.log(1.0 - share) + small, np.log(share) + much))
    return total


def _span(change: float, sigma: float, kinds: Collection[Fault]) -> float:
    for kind, prior in SPAN_ELSEWHERE.items():
        if kind in kinds:
            return _smoothed(change, sigma, prior)
    return _normal(change, sigma)


def _normal(x: float, sigma: float) -> float:
    return float(-0.5 * (x / sigma) ** 2 - np.log(sigma) - 0.5 * np.log(2.0 * np.pi))


def _smoothed(x: float, sigma: float, prior: SizePrior) -> float:
    integral = float(prior.log_integral(np.array(x), np.array(sigma)))
    return integral - float(np.log(sigma) + 0.5 * np.log(2.0 * np.pi))
