"""Bias and coverage of what a load series and a creep record state, over seeded invented cells.

    python -m tests.campaigns.load_series_campaign            writes load_series_table.md beside it
    python -m tests.campaigns.load_series_campaign 500        fewer series, printed only

Truth is made here from the shapes that the trade describes (quadratic and cubic non-linearity,
a hysteresis loop, two-term creep) and shares no code with the analysis. Every error that is
drawn has the size that the analysis is told, normally distributed; the run's own sensitivity and
drift, and in the second kind the noise too, are told to nobody and must show in the scatter.
"""

from __future__ import annotations

import math
import sys
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from acq.analysis.calibration_data import calibration_data
from acq.analysis.creep import CreepReading, creep_record, creep_results
from acq.analysis.load_results import load_results
from acq.analysis.load_series import Direction, LoadReading, LoadSeries, load_series
from acq.analysis.oiml_r60 import AccuracyClass
from acq.analysis.oiml_r60_results import load_test
from acq.analysis.polynomial import fit_polynomial
from acq.analysis.propagation import Influence, Result, Shared
from acq.analysis.reference_lines import Line

TABLE = Path(__file__).with_name("load_series_table.md")
SERIES = 2000
SEED = 20260302
CAPACITY = 500.0
STEPS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
RUNS = 3
N = 3000  # class C3


@dataclass(frozen=True)
class Cell:
    """One invented cell: everything relative to the rated output except `rated` and `zero`."""

    rated: float
    zero: float
    curve: float
    cubic: float
    loop: float
    returned: float

    def net(self, u: float, falling: bool) -> float:
        """Return the true net output at a load fraction, V/V."""
        shape = u + 4 * self.curve * u * (1 - u) + self.cubic * u * (1 - u) * (1 - 2 * u)
        if falling:
            shape += 4 * self.loop * u * (1 - u) + self.returned * (1 - u)
        return self.rated * shape


@dataclass(frozen=True)
class Errors:
    """Standard deviations of the errors; relative to the output, or V/V where said so."""

    gain: float = 30e-6
    loads: float = 29e-6
    linearity: float = 2e-9  # V/V, one per load
    noise: float = 6e-9  # V/V, every reading
    offset: float = 3e-8  # V/V, one for all
    run_sensitivity: float = 25e-6
    run_drift: float = 1.5e-8  # V/V from the start of a run to its end


def draw_cell(rng: np.random.Generator) -> Cell:
    sign = rng.choice([-1.0, 1.0], size=4)
    size = rng.uniform([5e-5, 1e-5, 5e-5, 2e-5], [3e-4, 5e-5, 3e-4, 1e-4])
    curve, cubic, loop, returned = sign * size
    rated = 2e-3 * (1 + rng.uniform(-1e-3, 1e-3))
    return Cell(rated, rng.uniform(-2e-5, 2e-5), curve, cubic, loop, returned)


def path() -> list[tuple[float, bool]]:
    return [(u, False) for u in STEPS] + [(u, True) for u in STEPS[-2::-1]]


def measured(cell: Cell, errors: Errors, rng: np.random.Generator) -> tuple[LoadSeries, float]:
    """Return a measured series, and the gain of the indicator that made it."""
    gain, offset = 1 + errors.gain * rng.normal(), errors.offset * rng.normal()
    loads = 1 + errors.loads * rng.normal()
    bent = {u: errors.linearity * rng.normal() for u in STEPS}
    readings = []
    for run in range(1, RUNS + 1):
        own = 1 + errors.run_sensitivity * rng.normal()
        drift = errors.run_drift * rng.normal()
        for place, (u, falling) in enumerate(path()):
            true = cell.zero + own * loads * cell.net(u, falling)
            true += drift * place / (len(path()) - 1)
            output = gain * true + offset + bent[u] + errors.noise * rng.normal()
            way = Direction.DOWN if falling else Direction.UP
            readings.append(LoadReading(run=run, direction=way, load=u * CAPACITY, output=output))
    return load_series(readings, capacity=CAPACITY), gain


def stated(errors: Errors, *, noise: bool) -> list[Influence]:
    """Return what the analysis is told."""
    found = [
        Influence(
            name="gain", standard_uncertainty=errors.gain, relative=True, shared=Shared.SERIES
        ),
        Influence(
            name="loads",
            standard_uncertainty=errors.loads,
            on="load",
            relative=True,
            shared=Shared.SERIES,
        ),
        Influence(name="linearity", standard_uncertainty=errors.linearity, shared=Shared.LEVEL),
        Influence(name="offset", standard_uncertainty=errors.offset, shared=Shared.SERIES),
    ]
    if noise:
        found.append(Influence(name="noise", standard_uncertainty=errors.noise))
    return found


@dataclass
class Tally:
    """Errors and hits of one figure over the series."""

    errors: list[float] = field(default_factory=list)
    expanded: list[float] = field(default_factory=list)

    def add(self, result: Result, truth: float) -> None:
        assert result.expanded is not None
        self.errors.append(result.value - truth)
        self.expanded.append(result.expanded)

    @property
    def coverage(self) -> float:
        return float(np.mean(np.abs(self.errors) <= np.array(self.expanded)))

    @property
    def bias(self) -> float:
        return float(np.mean(self.errors))

    @property
    def bias_error(self) -> float:
        return float(np.std(self.errors, ddof=1) / math.sqrt(len(self.errors)))

    @property
    def typical(self) -> float:
        return float(np.median(self.expanded))


Tallies = dict[str, Tally]


def true_deviations(cell: Cell) -> dict[tuple[float, bool], float]:
    """Return true deviations from the terminal line, of the rated output."""
    return {
        (u, falling): cell.net(u, falling) / cell.rated - u
        for u, falling in path()
        if (u, falling) != (0.0, True)
    }


def largest(values: Iterable[float]) -> float:
    return max(values, key=abs)


def true_error_v(cell: Cell, u: float, falling: bool) -> float:
    """Return the true E_L in v: the 75 % point lies between the loads 60 % and 80 %."""
    at_75 = 0.25 * cell.net(0.6, False) + 0.75 * cell.net(0.8, False)
    factor = at_75 / (0.75 * N)
    return (cell.net(u, falling) - u / 0.75 * at_75) / factor


def add_series(tallies: Tallies, kind: str, rng: np.random.Generator, *, noise: bool) -> None:
    errors, cell = Errors(), draw_cell(rng)
    series, gain = measured(cell, errors, rng)
    sources = stated(errors, noise=noise)
    found = load_results(series, line=Line.TERMINAL, capacity=CAPACITY, sources=sources)
    deviations = true_deviations(cell)
    rising = [value for (_, falling), value in deviations.items() if not falling]
    loop = largest(cell.net(u, True) - cell.net(u, False) for u in STEPS[1:-1])
    assert found.hysteresis is not None
    assert found.zero_return is not None
    truths = (
        (found.rated_output, cell.rated),
        (found.zero_balance, cell.zero),
        (found.zero_return, cell.net(0.0, True) / cell.rated),
        (found.non_linearity, largest(rising)),
        (found.hysteresis, loop / cell.rated),
        (found.combined_error, largest(deviations.values())),
    )
    for result, truth in truths:
        tallies[f"{kind}: {result.name}"].add(result, truth)
    middle = next(p for p in found.points if p.load == 200.0 and p.direction is Direction.UP)
    tallies[f"{kind}: deviation at 40 % rising"].add(middle.deviation, deviations[0.4, False])
    _add_class(tallies, kind, series, sources, cell)
    _add_curve(tallies, kind, series, sources, cell, gain, rng)


def _add_class(
    tallies: Tallies, kind: str, series: LoadSeries, sources: list[Influence], cell: Cell
) -> None:
    test = load_test(series, AccuracyClass("C", N), CAPACITY, sources=sources)
    for each in test.errors:
        u, falling = each.load / CAPACITY, each.direction is Direction.DOWN
        if (u, falling) in ((1.0, False), (0.4, True)):
            branch = "falling" if falling else "rising"
            name = f"{kind}: error E_L at {100 * u:.0f} % {branch}"
            tallies[name].add(each.result, true_error_v(cell, u, falling))


def _add_curve(
    tallies: Tallies,
    kind: str,
    series: LoadSeries,
    sources: list[Influence],
    cell: Cell,
    gain: float,
    rng: np.random.Generator,
) -> None:
    """A new reading with the same indicator, so that its gain cancels in the load."""
    errors, u = Errors(), 0.5
    own = 1 + errors.run_sensitivity * rng.normal()
    new = gain * own * cell.net(u, False) + errors.noise * math.sqrt(2) * rng.normal()
    curve = fit_polynomial(calibration_data(series), 3)
    on_loads = [source for source in sources if source.name != "gain"]
    tallies[f"{kind}: load solved at 50 %"].add(curve.load_for(new, on_loads), u * CAPACITY)


CREEP_TERMS = ((0.4, 120.0), (0.6, 1980.0))


def true_creep(size: float, seconds: float) -> float:
    return size * sum(part * (1 - math.exp(-seconds / tau)) for part, tau in CREEP_TERMS)


def add_creep(tallies: Tallies, rng: np.random.Generator) -> None:
    """A record with a reading every 30 s; nothing is told, the fit must show the noise."""
    size, rated, noise = rng.choice([-1, 1]) * rng.uniform(1e-4, 4e-4), 2e-3, 4e-9
    initial, change = 30.0, 1890.0
    times = np.arange(0.0, 1801.0, 30.0)
    readings = [CreepReading(time_s=-60.0, load=0.0, output=noise * rng.normal())]
    for t in times:
        output = rated * (1 + true_creep(size, initial + t)) + noise * rng.normal()
        readings.append(CreepReading(time_s=t, load=CAPACITY, output=output))
    for t in times:
        since = initial + t
        left = true_creep(size, change + since) - true_creep(size, since)
        output = rated * left + noise * rng.normal()
        readings.append(CreepReading(time_s=change + t, load=0.0, output=output))
    found = creep_results(creep_record(readings))
    _add_creep_truths(tallies, found, size, initial, change)


def _add_creep_truths(
    tallies: Tallies, found: object, size: float, initial: float, change: float
) -> None:
    from acq.analysis.creep import CreepResults

    assert isinstance(found, CreepResults)
    assert found.creep_20_to_30_min is not None
    assert found.minimum_load_return is not None
    assert found.recovery_30_min is not None

    def at(seconds: float) -> float:
        return true_creep(size, initial + seconds)

    def left(seconds: float) -> float:
        since = initial + seconds
        return true_creep(size, change + since) - true_creep(size, since)

    applied = 1 + at(0.0)
    for result, truth in (
        (found.creep_30_min, (at(1800) - at(0)) / applied),
        (found.creep_20_to_30_min, (at(1800) - at(1200)) / applied),
        (found.minimum_load_return, left(0) / applied),
        (found.recovery_30_min, (left(1800) - left(0)) / applied),
    ):
        tallies[f"creep: {result.name}"].add(result, truth)
    if found.fit is not None and len(found.fit.terms) == 2:
        for term, (_, tau) in zip(found.fit.terms, CREEP_TERMS, strict=True):
            tallies[f"creep: time constant {tau:.0f} s"].add(term.time_constant, tau)


def campaign(series: int, seed: int = SEED) -> Tallies:
    """Return the tallies of so many series of each kind."""
    tallies: Tallies = defaultdict(Tally)
    for number in range(series):
        add_series(tallies, "noise stated", np.random.default_rng([seed, 1, number]), noise=True)
        add_series(tallies, "noise unknown", np.random.default_rng([seed, 2, number]), noise=False)
        add_creep(tallies, np.random.default_rng([seed, 3, number]))
    return tallies


def table(tallies: Tallies) -> str:
    """Return the tallies as a table; bias is in the unit of the figure."""
    rows = [
        "| figure | series | bias | bias / its own error | median U | coverage of U (95 %) |",
        "|---|---|---|---|---|---|",
    ]
    for name, tally in tallies.items():
        rows.append(
            f"| {name} | {len(tally.errors)} | {tally.bias:+.2e} | "
            f"{tally.bias / tally.bias_error:+.1f} | {tally.typical:.2e} | "
            f"{100 * tally.coverage:.1f} % |"
        )
    return "\n".join(rows)


def main(arguments: list[str], write: Callable[[str], object] = sys.stdout.write) -> None:
    series = int(arguments[0]) if arguments else SERIES
    text = table(campaign(series))
    write(text + "\n")
    if not arguments:
        TABLE.write_text(HEADING + text + "\n", encoding="utf-8")


HEADING = f"""# Bias and coverage of load series and creep

Written by `python -m tests.campaigns.load_series_campaign`: {SERIES} invented cells of each kind,
seed {SEED}; truth and errors as the head of that file says. "Noise unknown" leaves the noise of
a reading to the scatter of three runs; in both kinds nobody is told of each run's own sensitivity
and drift. Figures of the rated output are fractions, loads are of 500 kg, E_L is in v of C3.
Of {SERIES} series, coverage is known to about 0.5 %. A time constant longer than the record is
estimated too long on average; its interval covers it all the same.

"""

if __name__ == "__main__":
    main(sys.argv[1:])
