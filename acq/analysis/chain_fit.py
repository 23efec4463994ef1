"""How well each hypothesis fits the readings of a chain: its evidence, in natural logarithm.

Readings = prediction + what sound blocks may be off (tolerances, sharing, dead load) + what the
instruments may be off. The last two are taken as Gaussian and summed up in one covariance; the
size of a fault is integrated over its range with equal weight per decade, so a hypothesis that
could explain anything pays for it. Missing readings are simply not there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import log_ndtr

from acq.analysis.chain_bridges import Array
from acq.analysis.chain_hypotheses import Change, Hypothesis
from acq.analysis.chain_model import Predicted, Variants, on_paper, predict
from acq.analysis.chain_papers import Chain, ChainReadings, Kind
from acq.analysis.chain_sound import instrument_covariance, load_columns, sound_changes

NO_NUMBER = -12.0  # log likelihood of "no number came" where one should come
GRID = 9  # trial sizes per sign
ROUNDS = 8  # refinements of the size at most
KEPT = 24  # hypotheses that are refined: the best so far
FAR = 1e9  # standard deviations: beyond this a misfit is hopeless however large
STEP = 0.05  # of a standard deviation, for derivatives


@dataclass(frozen=True, slots=True)
class Fit:
    """One hypothesis against the readings: log evidence, most likely size, chi squared.

    `expected` holds every row as the hypothesis has it at that size.
    """

    hypothesis: Hypothesis
    evidence: float
    size: float
    misfit: float
    expected: Array


def fit_all(
    chain: Chain, readings: ChainReadings, thought: Sequence[Hypothesis]
) -> tuple[Fit, ...]:
    """Return a fit for every hypothesis, in their order.

    Raises ValueError when there is no reading at all.
    """
    if not readings.rows:
        raise ValueError("there is no reading to judge")
    fitting = _Fitting(chain, readings)
    sizes, asides = fitting.first_sizes(thought), np.zeros(len(thought))
    best: dict[int, Fit] = {}
    active = list(range(len(thought)))
    for _ in range(ROUNDS):
        found, *better = fitting.judge([thought[i] for i in active], sizes[active], asides[active])
        moved = np.abs(better[0] / sizes[active] - 1.0) > 1e-3
        for index, fit in zip(active, found, strict=True):
            if index not in best or fit.evidence > best[index].evidence:
                best[index] = fit
        sizes[active], asides[active] = better
        ranked = sorted(best, key=lambda index: -best[index].evidence)[:KEPT]
        going = {index for index, on in zip(active, moved, strict=True) if on}
        active = [index for index in ranked if index in going and thought[index].sized]
        if not active:
            break
    return tuple(best[index] for index in range(len(thought)))


def evidence_of_anything(chain: Chain, readings: ChainReadings) -> float:
    """Log evidence when nothing is known of the readings but the order of their size."""
    return _Fitting(chain, readings).anything()


NOTHING = Hypothesis(block=None, what="every block within its tolerance", changes=())


def variants_of(
    chain: Chain, thought: Sequence[Hypothesis], sizes: Array, asides: Array
) -> Variants:
    """Return one variant of the chain for each hypothesis at its (signed) size.

    `asides` are the sizes of what may come with it, in its standard deviations.
    """
    variants = on_paper(chain, len(thought))
    for index, item in enumerate(thought):
        for change in item.changes:
            _apply(variants, index, change, float(sizes[index]))
        for change, sigma in item.loose:
            _apply(variants, index, change, float(asides[index]) * sigma)
    return variants


def _apply(variants: Variants, index: int, change: Change, size: float) -> None:
    whole = change.name in variants.whole
    array = variants.whole[change.name] if whole else variants.cell[change.name]
    # a number of the cells without the number of a cell: all cells are of one type
    place = index if change.cell is None else (index, change.cell)
    if change.how == "set":
        array[place] = change.value
    elif change.how == "add":
        array[place] += size * change.value
    else:
        array[place] *= 1.0 + size * change.value


class _Fitting:
    """The readings, and all that does not depend on the hypothesis."""

    def __init__(self, chain: Chain, readings: ChainReadings) -> None:
        self.chain, self.readings = chain, readings
        rows = readings.rows
        self.there = np.array([row.value is not None for row in rows])
        self.observed = np.array([0.0 if row.value is None else row.value for row in rows])
        self.scale = np.array([row.u for row in rows])
        self.instruments = instrument_covariance(readings)
        self.sound = sound_changes(chain)
        self.columns = load_columns(chain, readings)
        self.capacity = np.array([c.capacity for c in chain.cells])

    def first_sizes(self, thought: Sequence[Hypothesis]) -> Array:
        """Choose for each hypothesis the trial size that fits best, with a sound covariance."""
        trials = [_trials(item) for item in thought]
        owners = [item for item, sizes in zip(thought, trials, strict=True) for _ in sizes]
        flat = np.concatenate(trials)
        seen = predict(
            self.chain, self.readings, variants_of(self.chain, owners, flat, np.zeros(len(flat)))
        )
        _, jacobian = self._derivatives([NOTHING], np.ones(1), np.zeros(1))
        factor = np.linalg.cholesky(self._scaled(jacobian, np.zeros((1, len(self.observed))))[0])
        rest = ((self.observed - seen.values) / self.scale)[:, self.there]
        half = solve_triangular(factor, np.clip(rest, -FAR, FAR).T, lower=True)
        misfit = np.sum(half**2, axis=0)
        ends = np.cumsum([len(sizes) for sizes in trials])
        return np.array(
            [
                sizes[int(np.argmin(misfit[end - len(sizes) : end]))]
                for sizes, end in zip(trials, ends, strict=True)
            ]
        )

    def judge(
        self, thought: Sequence[Hypothesis], sizes: Array, asides: Array
    ) -> tuple[list[Fit], Array, Array]:
        """Return a fit for each hypothesis about its present size, a better size and aside."""
        seen, jacobian = self._derivatives(thought, sizes, asides)
        factor = np.linalg.cholesky(self._scaled(jacobian[:, :, :-1], seen.loose))
        rest = self.observed - seen.values + jacobian[:, :, -2] * asides[:, None]
        columns = np.stack([rest, jacobian[:, :, -1], jacobian[:, :, -2]], axis=2)
        scaled = np.clip((columns / self.scale[:, None])[:, self.there], -FAR, FAR)
        y, e, a = (np.linalg.solve(factor, scaled)[:, :, k] for k in range(3))
        base = -np.sum(np.log(np.diagonal(factor, axis1=1, axis2=2)), axis=1)
        base -= 0.5 * y.shape[1] * math.log(2.0 * math.pi)
        base += NO_NUMBER * np.sum(~self.there[None, :] & ~seen.open, axis=1)
        fits, better, beside = [], np.array(sizes), np.zeros(len(thought))
        for i, item in enumerate(thought):
            gain, best = 0.0, float(sizes[i])
            if item.sized:
                gain, best = _over_sizes(item, best, float(e[i] @ y[i]), float(e[i] @ e[i]))
            chi = float(y[i] @ y[i])
            fits.append(Fit(item, float(base[i]) - 0.5 * chi + gain, best, chi, seen.values[i]))
            better[i], beside[i] = best, a[i] @ (y[i] - e[i] * (best - sizes[i]))
        return fits, better, beside

    def anything(self) -> float:
        """Log evidence with every row free by the order of its size."""
        seen, jacobian = self._derivatives([NOTHING], np.ones(1), np.zeros(1))
        loose = np.array([[self._order(row.kind) for row in self.readings.rows]])
        factor = np.linalg.cholesky(self._scaled(jacobian[:, :, :-1], loose)[0])
        rest = np.clip(((self.observed - seen.values[0]) / self.scale)[self.there], -FAR, FAR)
        half = solve_triangular(factor, rest, lower=True)
        constant = 0.5 * len(rest) * math.log(2.0 * math.pi)
        return float(-0.5 * half @ half - np.sum(np.log(np.diag(factor))) - constant)

    def _order(self, kind: Kind) -> float:
        chain = self.chain
        if "mA read" in kind.value or kind in (Kind.SENT, Kind.RECEIVED):
            return 3e-3
        if "display" in kind.value:
            return 0.2 * abs(chain.span_shown)
        if "resistance" in kind.value:
            return 0.2 * chain.cells[0].input_ohms
        if "excitation" in kind.value:
            return 0.2 * (chain.excitation_volts if kind is Kind.EXCITATION else 1.0)
        return 0.2 * abs(chain.span_ratio)

    def _derivatives(
        self, thought: Sequence[Hypothesis], sizes: Array, asides: Array
    ) -> tuple[Predicted, Array]:
        """Predictions, and their changes (hypotheses, rows, causes).

        The last cause is the size itself, the one before it what may come with it.
        """
        steps = len(self.sound) + 3
        base = variants_of(self.chain, thought, sizes, asides)
        spread = base.repeated(steps)
        for h in range(len(thought)):
            for k, (change, sigma) in enumerate(self.sound):
                _apply(spread, h * steps + 1 + k, change, STEP * sigma)
            for change, sigma in thought[h].loose[:1]:
                _apply(spread, (h + 1) * steps - 2, change, STEP * sigma)
        resized = variants_of(self.chain, thought, sizes * (1.0 + 1e-4), asides)
        for part, source in ((spread.cell, resized.cell), (spread.whole, resized.whole)):
            for name in part:
                part[name][steps - 1 :: steps] = source[name]
        seen = predict(self.chain, self.readings, spread)
        values = seen.values.reshape(len(thought), steps, -1)
        first = Predicted(values[:, 0], seen.loose[::steps], seen.open[::steps])
        change_ = (values[:, 1:] - values[:, :1]).transpose(0, 2, 1)
        change_[:, :, :-1] /= STEP
        change_[:, :, -1] /= sizes[:, None] * 1e-4
        zeros = np.array([sigma for _, sigma in self.sound[: len(self.chain.cells)]])
        per_kg = change_[:, :, : len(zeros)] / zeros * base.cell["rated_output"][:, None, :]
        per_kg = per_kg / self.capacity
        gain = base.whole["live_gain"][:, None] * base.cell["load_gain"]
        loads = np.einsum("hrn,rnk->hrk", per_kg, self.columns.dead)
        loads += np.einsum("hrn,rnk->hrk", per_kg * gain[:, None, :], self.columns.live)
        return first, np.concatenate([loads, change_], axis=2)

    def _scaled(self, jacobian: Array, loose: Array) -> Array:
        """Covariance (hypotheses, rows, rows) of the rows that are numbers, per their u."""
        there, scale = self.there, self.scale
        reduced = (jacobian / scale[None, :, None])[:, there]
        total = reduced @ reduced.transpose(0, 2, 1)
        total += (self.instruments / np.outer(scale, scale))[np.ix_(there, there)]
        free = (loose / scale)[:, there] ** 2
        diagonal = np.arange(total.shape[1])
        total[:, diagonal, diagonal] += free + 1e-9
        return np.asarray(total)


def _trials(item: Hypothesis) -> Array:
    if not item.sized:
        return np.ones(1)
    sizes = np.geomspace(item.smallest, item.largest, GRID + 2)[1:-1]
    return np.concatenate([sign * sizes for sign in item.signs])


def _over_sizes(item: Hypothesis, size: float, ey: float, ee: float) -> tuple[float, float]:
    """Return what integrating over the size adds to the log evidence, and the best size.

    The readings see the size as Gaussian about size + ey/ee with variance 1/ee; the prior is
    flat in the logarithm of its magnitude.
    """
    sign = math.copysign(1.0, size)
    if len(item.signs) > 1 and ee > 0.0 and sign * (size + ey / ee) < 0.0:
        sign = -sign  # the trial had the wrong sign
    decades = len(item.signs) * math.log(item.largest / item.smallest)
    if ee <= 0.0 or not math.isfinite(ee):
        return 0.0, size
    spread = 1.0 / math.sqrt(ee)
    peak = sign * (size + ey / ee)
    best = min(max(peak, item.smallest, 0.05 * abs(size)), item.largest, 20.0 * abs(size))
    held = min(max(peak, item.smallest), item.largest)
    inside = _log_between((item.smallest - peak) / spread, (item.largest - peak) / spread)
    prior = -math.log(held * decades) + math.log(spread * math.sqrt(2.0 * math.pi))
    return 0.5 * ey * ey / ee + min(prior + inside, 0.0), sign * best


def _log_between(low: float, high: float) -> float:
    """Logarithm of the standard normal's share between two bounds, far tails included."""
    if low > 0.0:
        low, high = -high, -low
    upper, lower = float(log_ndtr(high)), float(log_ndtr(low))
    if upper == lower:
        return upper
    return upper + math.log(-math.expm1(lower - upper)) if lower < upper else upper
