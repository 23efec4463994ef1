"""The speed of identifying and ranking many cells, against one general fit per cell."""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pytest

from acq.analysis.leads import lead_pairs
from acq.analysis.network import BridgeElements, pair_resistances
from tests.benchmarks.diagnosis_speed import CELLS, CORES, TYPE, Timing, general_fit


def test_the_general_fit_models_the_same_bridge() -> None:
    elements = BridgeElements(
        np.array([351.0, 349.0, 350.5, 350.0]),
        np.array([17.0, 17.0]),
        np.full(6, TYPE.conductor_ohms),
    )
    found = general_fit(pair_resistances(elements, lead_pairs(4)))
    assert np.allclose(found[:4], [351.0, 349.0, 350.5, 350.0], atol=1e-3)


def timings() -> list[Timing]:
    """Return what as many processes as cores take at the same time."""
    command = [sys.executable, "-m", "tests.benchmarks.diagnosis_speed"]
    processes = [
        subprocess.Popen([*command, str(core)], stdout=subprocess.PIPE, text=True)
        for core in range(CORES)
    ]
    return [Timing(**json.loads(process.communicate()[0])) for process in processes]


def test_cells_are_identified_and_ranked_far_faster_than_one_general_fit_each(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # each process has a core of its own; a second thread of the matrix library only waits for it
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "1")
    # memory that was used once is kept: giving it back and asking anew costs a quarter of the time
    monkeypatch.setenv("MALLOC_TRIM_THRESHOLD_", str(2**32))
    monkeypatch.setenv("MALLOC_MMAP_THRESHOLD_", str(2**30))
    each = timings()
    ours = float(np.mean([x.ours for x in each]))
    general = float(np.mean([x.general for x in each]))
    clock = max(x.ended for x in each) - min(x.began for x in each)
    together = clock / CELLS
    print(f"general fit {1e6 * general:.0f} us per cell; ours {1e6 * ours:.1f} us")  # noqa: T201
    print(f"processor time on one core: {general / ours:.0f} times")  # noqa: T201
    both = CORES * general / ours
    print(f"processor time, {CORES} cores that nobody shares: {both:.0f} times")  # noqa: T201
    print(f"by the clock on {CORES} cores: {general / together:.0f} times")  # noqa: T201
    assert general / ours > 30
