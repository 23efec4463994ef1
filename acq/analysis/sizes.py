"""How large a fault may be: the prior of a size, and its integral against a measured size.

A size is the position s on a fault's line (0: nothing, 1: its extreme, such as an open arm), so
that all faults share one way of counting. The prior is piecewise constant in s.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from acq.analysis.network import Floats

Mask = NDArray[np.bool_]

BINS = 30
FEW_BINS = 12
FAR = 4.0  # standard deviations within which the prior is flat enough to stand before the integral
REACH = 12.0  # standard deviations around 0 where the interpolation of `SizeIntegral` is finest


def log_sum(logs: Floats) -> Floats:
    """Return ln of the sum of exponentials over the last axis; scipy's takes its time."""
    first = np.ascontiguousarray(np.moveaxis(logs, -1, 0))  # numpy reduces long rows fastest
    most = first.max(0)
    with np.errstate(divide="ignore"):
        total: Floats = most + np.log(np.exp(first - most).sum(0))
    return total


@dataclass(frozen=True, slots=True, eq=False)
class SizePrior:
    """Bins of s that do not overlap: lower ends, upper ends, and shares that add to 1."""

    lower: Floats
    upper: Floats
    share: Floats

    @property
    def at_end(self) -> bool:
        """Whether sizes reach the extreme of the line, where its slopes are its own."""
        return bool(0.9 < self.upper.max() < 1.00001)

    @property
    def ends(self) -> Floats:
        """The ends of all ranges of sizes, where the density drops to nothing."""
        lower, upper = np.sort(self.lower), np.sort(self.upper)
        gap = lower[1:] - upper[:-1] > 1e-9 * np.abs(upper[:-1])
        return np.concatenate([lower[:1], upper[:-1][gap], lower[1:][gap], upper[-1:]])

    def log_density(self, s: Floats) -> Floats:
        """Return the logarithm of the density at s; -inf outside."""
        order = np.argsort(self.lower)
        lower, upper, share = self.lower[order], self.upper[order], self.share[order]
        place = np.clip(np.searchsorted(lower, s, side="right") - 1, 0, len(lower) - 1)
        inside = (s >= lower[place]) & (s <= upper[place])
        density = np.log(share / (upper - lower))
        return np.where(inside, density[place], -np.inf)

    def log_far(self, estimate: Floats, sigma: Floats) -> tuple[Floats, Mask, Mask]:
        """Return `log_integral` (cells,) by the density at the estimate.

        That is right where the prior is flat over the likelihood; the masks say where it is not:
        near 0, and outside of all sizes.
        """
        total: Floats = self.log_density(estimate) + np.log(sigma) + 0.5 * np.log(2.0 * np.pi)
        near = np.abs(estimate) < FAR * sigma
        return total, near, ~np.isfinite(total) & ~near

    def log_integral(self, estimate: Floats, sigma: Floats) -> Floats:
        """Return ln of the integral of p(s) exp(-(s - estimate)^2 / (2 sigma^2)) ds.

        `estimate` and `sigma` broadcast against each other.
        """
        at, width = np.asarray(estimate)[..., None], np.asarray(sigma)[..., None]
        low, high = (self.lower - at) / width, (self.upper - at) / width
        flip = low > 0  # keep to the tail where log_ndtr has all its digits
        low, high = np.where(flip, -high, low), np.where(flip, -low, high)
        tail = log_ndtr(high)
        with np.errstate(divide="ignore"):
            inside = tail + np.log1p(-np.exp(np.minimum(log_ndtr(low) - tail, -1e-16)))
        per_bin = inside + np.log(width) + np.log(self.share / (self.upper - self.lower))
        return np.asarray(log_sum(per_bin) + 0.5 * np.log(2.0 * np.pi))


@dataclass(frozen=True, slots=True, eq=False)
class SizeIntegral:
    """`SizePrior.log_integral` for one sigma, by interpolation: for many cells of one type."""

    estimates: Floats
    values: Floats
    sigma: float

    @classmethod
    def of(cls, prior: SizePrior, sigma: float) -> SizeIntegral:
        """Tabulate the integral for this sigma over all estimates that can matter."""
        far = 1.3 * max(float(np.max(np.abs(prior.lower))), float(np.max(np.abs(prior.upper))))
        near = np.arange(0.0, REACH, 0.25) * sigma
        steps = max(2, int(np.ceil(np.log(max(far / near[-1], 1.1)) / np.log(1.12))))
        outer = np.geomspace(near[-1], max(far, 1.1 * near[-1]), steps)[1:]
        half = np.concatenate([near, outer])
        steep = prior.ends[:, None] + sigma * np.linspace(-REACH, REACH, 49)
        estimates = np.unique(np.concatenate([-half, half, steep.ravel()]))
        values = prior.log_integral(estimates, np.full_like(estimates, sigma))
        return cls(estimates, values, sigma)

    def __call__(self, estimate: Floats) -> Floats:
        """Return ln of the integral at each estimate."""
        beyond = np.maximum(np.abs(estimate) - self.estimates[-1], 0.0) / self.sigma
        return np.asarray(np.interp(estimate, self.estimates, self.values) - 0.5 * beyond**2)


def log_uniform(
    low: float,
    high: float,
    position: Callable[[Floats], Floats],
    *,
    signs: Sequence[int] = (1, -1),
    bins: int = BINS,
) -> SizePrior:
    """Return the prior of a size whose logarithm is uniform between two ends, for each sign.

    `position` takes sizes to s and is monotonic.
    """
    edges = np.geomspace(low, high, bins + 1)
    halves = [position(sign * edges) for sign in signs]
    lower = np.concatenate([np.minimum(half[:-1], half[1:]) for half in halves])
    upper = np.concatenate([np.maximum(half[:-1], half[1:]) for half in halves])
    return SizePrior(lower, upper, np.full(len(lower), 1.0 / len(lower)))


def mixture(*parts: tuple[float, SizePrior]) -> SizePrior:
    """Return several priors, each with its share, as one; where bins overlap they add."""
    total = sum(share for share, _ in parts)
    ends = np.unique(np.concatenate([x for _, prior in parts for x in (prior.lower, prior.upper)]))
    lower, upper = ends[:-1], ends[1:]
    share = np.zeros(len(lower))
    for weight, prior in parts:
        density = weight / total * prior.share / (prior.upper - prior.lower)
        middle = 0.5 * (lower + upper)
        within = (middle[:, None] > prior.lower) & (middle[:, None] < prior.upper)
        share += (within * density).sum(-1) * (upper - lower)
    return SizePrior(lower[share > 0], upper[share > 0], share[share > 0])


def exactly(s: float = 1.0) -> SizePrior:
    """Return the prior of a size that is known: a line that is only a point."""
    half = 1e-6 * max(abs(s), 1e-3)
    return SizePrior(np.array([s - half]), np.array([s + half]), np.array([1.0]))
