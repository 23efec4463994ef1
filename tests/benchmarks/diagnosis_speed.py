"""One process of the benchmark of diagnosis: `python -m tests.benchmarks.diagnosis_speed CORE`
prints what identifying and ranking a cell took, and what one general fit took.

Ours identifies the arms of each cell and ranks every fault; the general fit only identifies the
arms. Half of the cells have a fault. The tables of a type are made once, before the clock.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass
from time import perf_counter, process_time

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from acq.analysis.arms import Assumption, identify
from acq.analysis.leads import lead_pairs
from acq.analysis.network import Floats
from acq.analysis.ranking import CellReadings, Ranker
from tests.campaigns.drawn_cells import POPULATION, CellType, draw, read
from tests.campaigns.drawn_faults import possible, spoil

CORES = 2
DRAWN = 1500
CELLS = 100_000  # of both cores together
PART = 10_000  # at a time, so that memory stays flat
FITS = 60
TYPE = CellType(
    wires=4,
    nominal_ohms=350.0,
    legs_ohms=(17.5, 17.5),
    length_m=5.0,
    area_mm2=0.25,
    celsius=22.0,
    papers="data sheet",
)
ASSUMPTION = Assumption(
    split_ohms=0.35, conductor_ohms=TYPE.conductor_ohms, conductor_uncertainty=0.01
)


def cells() -> CellReadings:
    """Return CELLS cells, half of them with a fault; drawn ones are taken several times."""
    rng = np.random.default_rng(7)
    drawn = draw(rng, TYPE, DRAWN, POPULATION)
    for cell in range(DRAWN // 2):
        faults = possible(drawn)
        spoil(rng, drawn, cell, faults[rng.integers(len(faults))])
    readings = read(rng, drawn, POPULATION)
    return some(readings, rng.integers(DRAWN, size=CELLS))


def some(readings: CellReadings, which: NDArray[np.int64]) -> CellReadings:
    assert readings.zero is not None
    assert readings.emf is not None
    assert readings.insulation is not None
    assert readings.scatter is not None
    assert readings.mean is not None
    insulation = type(readings.insulation)(
        readings.insulation.decades[which], readings.insulation.above[which]
    )
    return CellReadings(
        pairs=readings.pairs[which],
        zero=readings.zero[which],
        emf=readings.emf[which],
        insulation=insulation,
        scatter=readings.scatter[which],
        mean=readings.mean[which],
    )


def general_fit(ohms: Floats) -> Floats:
    """Fit arms, legs and conductor of one cell to its six pairs, as a general solver does it."""

    def rest(unknowns: Floats) -> Floats:
        a, b, c, d, legs, conductor = unknowns
        total = a + b + c + d
        before = 0.5 * legs + 2.0 * conductor
        read = np.array(
            [
                (a + c) * (b + d) / total + legs + 2.0 * conductor,
                a * (total - a) / total + before,
                c * (total - c) / total + before,
                d * (total - d) / total + before,
                b * (total - b) / total + before,
                (a + b) * (c + d) / total + 2.0 * conductor,
            ]
        )
        return np.append((read - ohms) / 0.006, (conductor - TYPE.conductor_ohms) / 0.01)

    start = [350.0, 350.0, 350.0, 350.0, 35.0, TYPE.conductor_ohms]
    return np.asarray(least_squares(rest, start).x)


@dataclass(frozen=True, slots=True)
class Timing:
    """Of one process: when it began and ended, and processor time per cell and per fit."""

    began: float
    ended: float
    ours: float
    general: float


def work(core: int) -> Timing:
    """Identify and rank one core's share of the cells, then fit some of them one by one."""
    mine = some(cells(), np.arange(core, CELLS, CORES))
    count = len(mine.pairs)
    parts = [some(mine, np.arange(x, min(x + PART, count))) for x in range(0, count, PART)]
    ranker = Ranker(TYPE.expected, POPULATION, lead_pairs(4))

    def identify_and_rank(part: CellReadings) -> None:
        ranker.rank(part)
        identify(lead_pairs(4), part.pairs, ASSUMPTION)

    identify_and_rank(parts[0])
    began, before = perf_counter(), process_time()
    for part in parts:
        identify_and_rank(part)
    ended, ours = perf_counter(), (process_time() - before) / count
    usable = np.isfinite(mine.pairs).all(-1) & (mine.pairs > 1.0).all(-1)
    before = process_time()
    for cell in np.flatnonzero(usable)[:FITS]:
        general_fit(mine.pairs[cell])
    return Timing(began, ended, ours, (process_time() - before) / FITS)


if __name__ == "__main__":
    print(json.dumps(asdict(work(int(sys.argv[1])))))  # noqa: T201
