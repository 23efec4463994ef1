"""How fast the simulated bench is, as a table: a solve, a batch of cells, a day of load and creep,
and the same day as the command for a certificate, with all its processes.

python -m tests.campaigns.bench_speed [--cells N] [--out FILE]

Processor time, so that a busy machine does not count as a slow program; for the batch two
processes are started, one per core, and their rates are added.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from time import process_time

import numpy as np

from simulated_bench import batch
from simulated_bench.batch import Cells
from simulated_bench.cell import Bridge, CellDescription
from tests.campaigns import load_and_creep_day
from tests.simulated_bench.reference import bench, cell, supply, voltmeter
from tests.whole_command import CERTIFICATE, simulated_run

CORES = 2
SEED = 7


def seconds_of(do: Callable[[], object], repeats: int) -> float:
    """Return the median processor time of a call."""
    spent = []
    for _ in range(repeats):
        began = process_time()
        do()
        spent.append(process_time() - began)
    return median(spent)


def cells_per_second(count: int) -> float:
    """Return how many drawn cells a second of processor gives: six pairs, zero, insulation."""
    rng = np.random.default_rng(SEED)
    arms = {arm: 350.0 * (1.0 + 1e-3 * rng.normal(size=count)) for arm in "ABCD"}

    def all_of_it() -> None:
        cells = Cells(CellDescription(bridges=(Bridge(arms),)))
        batch.six_pairs_and_zero(cells)
        batch.insulation(cells)

    all_of_it()
    return count / seconds_of(all_of_it, 3)


def table(count: int) -> str:
    """Return the figures as a table."""
    circuit = bench(cell(), supply(), voltmeter())
    circuit.solve()
    solve_s = seconds_of(circuit.solve, 30)
    with ProcessPoolExecutor(CORES) as pool:
        rates = list(pool.map(cells_per_second, [count] * CORES))
    began = process_time()
    day, _ = load_and_creep_day.run()
    day_s = process_time() - began
    with tempfile.TemporaryDirectory(prefix="certificate-") as home:
        whole = simulated_run(Path(home), *CERTIFICATE)
    return "\n".join(
        [
            "# How fast the simulated bench is",
            "",
            f"{datetime.now(UTC):%Y-%m-%d}, seed {SEED}. Written by"
            " `python -m tests.campaigns.bench_speed`;",
            "processor time, other work on the machine.",
            "",
            "| what | found | goal |",
            "|---|---|---|",
            f"| one solve of the whole bench (6-wire cell, supply, voltmeter) |"
            f" {1e3 * solve_s:.2f} ms | |",
            f"| batch, six pairs, zero and insulation, {count} cells a process |"
            f" {sum(rates):.0f} cells/s on {CORES} cores | >= 20000 |",
            f"| load and creep, {day.seconds / 3600:.1f} h, {day.readings} readings |"
            f" {day.seconds / day_s:.0f} bench s per s | >= 1000 |",
            f"| `run load-series --plan load-certificate`, {whole.bench_s / 3600:.1f} h,"
            f" to its PDF, all processes | {whole.processor_s:.1f} s,"
            f" {whole.bench_s / whole.processor_s:.0f} bench s per s | 30 s, >= 500 |",
            "",
        ]
    )


def main() -> None:
    """Print the table, and write it where asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cells", type=int, default=20_000)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    said = table(asked.cells)
    print(said)  # noqa: T201
    if asked.out is not None:
        asked.out.write_text(said, encoding="utf-8")


if __name__ == "__main__":
    main()
