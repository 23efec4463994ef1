"""How much faster than its own clock a simulated run goes."""

from __future__ import annotations

import time
from pathlib import Path

from acq.runs.journal import read_journal
from tests.bench_watch import BenchWatch
from tests.conducting import Trial


def test_a_simulated_run_takes_a_small_part_of_its_bench_time(tmp_path: Path) -> None:
    """Goal: 1/50 for the plan `returned-cell`; wall time of a loaded machine gets some room."""
    trial = Trial.new(tmp_path / "run")
    began = time.perf_counter()
    assert trial.conduct(plan="returned-cell") == 0
    wall_s = time.perf_counter() - began
    with BenchWatch(trial.control) as watch:
        watch.end()
    bench_s = read_journal(trial.folder.journal)[0][-1].content["t"] / 1e9
    print(f"\nbench time {bench_s:.0f} s, wall time is 1/{bench_s / wall_s:.0f} of it")  # noqa: T201
    assert bench_s > 1000.0
    assert wall_s < bench_s / 10.0
