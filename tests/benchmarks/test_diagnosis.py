"""The speed of identifying and ranking many cells, against one general fit per cell."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from time import perf_counter, process_time

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from acq.analysis.arms import Assumption, identify
from acq.analysis.leads import lead_pairs
from acq.analysis.network import BridgeElements, Floats, pair_resistances
from acq.analysis.ranking import CellReadings, Ranker
from tests.campaigns.drawn_cells import POPULATION, CellType, draw, read
from tests.campaigns.drawn_faults import possible, spoil

CORES = 2
DRAWN = 1500
CELLS = 20_000
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


def test_the_general_fit_models_the_same_bridge() -> None:
    elements = BridgeElements(
        np.array([351.0, 349.0, 350.5, 350.0]),
        np.array([17.0, 17.0]),
        np.full(6, TYPE.conductor_ohms),
    )
    found = general_fit(pair_resistances(elements, lead_pairs(4)))
    assert np.allclose(found[:4], [351.0, 349.0, 350.5, 350.0], atol=1e-3)


WORK: list[tuple[Ranker, CellReadings]] = []
"""One share of the cells per core; processes that are forked find it here."""


def work(core: int) -> None:
    ranker, readings = WORK[core]
    ranker.rank(readings)
    identify(lead_pairs(4), readings.pairs, ASSUMPTION)


def test_cells_are_identified_and_ranked_far_faster_than_one_general_fit_each() -> None:
    readings = cells()
    for core in range(CORES):
        ranker = Ranker(TYPE.expected, POPULATION, lead_pairs(4))
        WORK.append((ranker, some(readings, np.arange(core, CELLS, CORES))))
        work(core)  # the tables of a type are made once
    before = process_time()
    for core in range(CORES):
        work(core)
    ours = (process_time() - before) / CELLS
    with ProcessPoolExecutor(CORES, mp_context=get_context("fork")) as pool:
        list(pool.map(abs, range(CORES)))  # both processes are there
        before = perf_counter()
        list(pool.map(work, range(CORES)))
        together = (perf_counter() - before) / CELLS
    usable = np.flatnonzero(np.isfinite(readings.pairs).all(-1) & (readings.pairs > 1.0).all(-1))
    before, wall = process_time(), perf_counter()
    for cell in usable[:FITS]:
        general_fit(readings.pairs[cell])
    theirs, wall = (process_time() - before) / FITS, (perf_counter() - wall) / FITS
    print(f"general fit {1e6 * theirs:.0f} us per cell; ours {1e6 * ours:.1f} us")  # noqa: T201
    print(f"processor time on one core: {theirs / ours:.0f} times")  # noqa: T201
    print(f"by the clock, ours on {CORES} cores: {wall / together:.0f} times")  # noqa: T201
    assert theirs / ours > 20
