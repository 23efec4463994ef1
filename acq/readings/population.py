"""What a decision rule does to a population: global risks and operating curve, by Monte Carlo.

Each trial draws a true value from the stated population and a measurement error, and judges the
result as the plan does (JCGM 106:2012 9.5; its integrals done by drawing). Consumer's risk: the
probability that an item is accepted and does not conform; producer's risk: that it is rejected
and conforms. An undecided item is neither accepted nor rejected; its share is told beside them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from acq.errors import WrongInput
from acq.readings.rules import Limit, Rule
from acq.readings.statements import (
    CONDITIONAL_PASS,
    PASS,
    UNDECIDED,
    WORDS,
    Codes,
    Floats,
    margins,
    statements,
)

CHUNK = 250_000  # trials at a time, so that memory stays flat
SHAPES = ("normal", "rectangular", "log-normal")


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """True values of the items: `deviation` is the standard deviation, in the limit's unit.

    Of a "log-normal" one `mean` is the median and `deviation` that of log10, in decades.
    """

    mean: float
    deviation: float
    shape: str = "normal"

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            raise WrongInput(f"population {self.shape!r}: allowed are {', '.join(SHAPES)}")
        if not (math.isfinite(self.mean) and 0.0 <= self.deviation < math.inf):
            raise WrongInput("a population needs a mean and a standard deviation of 0 or more")
        if self.shape == "log-normal" and self.mean <= 0.0:
            raise WrongInput("a log-normal population needs a median above 0")

    def draw(self, rng: np.random.Generator, count: int) -> Floats:
        """Return true values, shape (count,)."""
        if self.shape == "normal":
            return rng.normal(self.mean, self.deviation, count)
        if self.shape == "log-normal":
            return np.asarray(self.mean * 10.0 ** rng.normal(0.0, self.deviation, count))
        half = self.deviation * math.sqrt(3.0)
        return rng.uniform(self.mean - half, self.mean + half, count)


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionPlan:
    """How results are judged: expanded uncertainty U with its k, limit, rule, share."""

    limit: Limit
    U: float
    rule: Rule
    k: float = 2.0
    share: float | None = 1.0 / 3.0

    def __post_init__(self) -> None:
        if not (self.U >= 0.0 and self.k > 0.0):
            raise WrongInput("the expanded uncertainty must be 0 or more, its k above 0")

    @property
    def u(self) -> float:
        """The standard uncertainty."""
        return self.U / self.k

    def judged(self, results: Floats) -> Codes:
        """Return the statements about results, any shape."""
        return statements(results, self.U, self.limit, self.rule, self.share)


@dataclass(frozen=True, slots=True)
class Risks:
    """Shares of all items; each is uncertain by `standard_error` of a drawn share."""

    conforming: float
    consumers: float
    producers: float
    undecided: float
    words: dict[str, float]
    trials: int

    def standard_error(self, share: float) -> float:
        """Return the standard uncertainty that drawing leaves on a share."""
        return math.sqrt(max(share * (1.0 - share), 1.0 / self.trials) / self.trials)


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """The operating curve at one true value: probability of acceptance and of each word."""

    true_value: float
    accepted: float
    words: dict[str, float]


def risks(plan: DecisionPlan, population: Population, trials: int, seed: int) -> Risks:
    """Return the global risks of a plan over a population. Raises WrongInput below 1000 trials."""
    if trials < 1000:
        raise WrongInput(f"{trials} trials tell nothing: take 1000 at least")
    rng = np.random.default_rng(seed)
    # rows: conforms or not, columns: the words
    counts = np.zeros((2, len(WORDS)))
    for count in _chunks(trials):
        true = population.draw(rng, count)
        codes = plan.judged(true + rng.normal(0.0, plan.u, count))
        conforms = margins(true, plan.limit) >= 0.0
        for row in (0, 1):
            counts[row] += np.bincount(codes[conforms == bool(row)], minlength=len(WORDS))
    return _risks(counts / trials, trials)


def _risks(shares: Floats, trials: int) -> Risks:
    accepted = shares[:, [PASS, CONDITIONAL_PASS]].sum(axis=1)
    rejected = shares.sum(axis=1) - accepted - shares[:, UNDECIDED]
    words = {word.value: float(shares[:, i].sum()) for i, word in enumerate(WORDS)}
    return Risks(
        conforming=float(shares[1].sum()),
        consumers=float(accepted[0]),
        producers=float(rejected[1]),
        undecided=float(shares[:, UNDECIDED].sum()),
        words=words,
        trials=trials,
    )


def operating_curve(
    plan: DecisionPlan, true_values: Floats, trials: int, seed: int
) -> list[CurvePoint]:
    """Return P(accepted) at each true value, shape (n,); the same errors serve every point."""
    rng = np.random.default_rng(seed)
    errors = rng.normal(0.0, plan.u, min(trials, CHUNK))
    return [_point(plan, float(true), errors) for true in true_values]


def _point(plan: DecisionPlan, true: float, errors: Floats) -> CurvePoint:
    counts = np.bincount(plan.judged(true + errors), minlength=len(WORDS)) / errors.size
    words = {word.value: float(counts[i]) for i, word in enumerate(WORDS)}
    return CurvePoint(true, float(counts[PASS] + counts[CONDITIONAL_PASS]), words)


def curve_values(plan: DecisionPlan, points: int) -> Floats:
    """Return so many true values about each limit, ascending: acceptance changes there only."""
    sides = [side for side in (plan.limit.lower, plan.limit.upper) if side is not None]
    reach = max(3.0 * plan.U, 1e-9 * max(abs(side) for side in sides))
    about = [np.linspace(side - reach, side + reach, points) for side in sides]
    return np.unique(np.concatenate(about))


def _chunks(trials: int) -> Iterator[int]:
    for start in range(0, trials, CHUNK):
        yield min(CHUNK, trials - start)
