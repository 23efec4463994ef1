"""An hour of log at the meter's fastest rate: what is lost, what memory and processor it takes.

python -m tests.campaigns.log_hour                  writes tests/campaigns/log_table.md
python -m tests.campaigns.log_hour --seconds 120    a short look
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from acq.desk.log_drift import read_run_log
from acq.runs.control_socket import Told
from acq.runs.logged import blocks, rows_of
from acq.runs.reading_log import Kind
from tests.benchmarks.test_live_latency import INTERVAL_S, reading_to_screen_s
from tests.benchmarks.test_reading_log import against_executemany
from tests.conducting import Trial

TABLE = Path(__file__).parent / "log_table.md"
PLAN = """
description = "a log at the fastest rate"
[resistance]
readings = 1
power_line_cycles = 1
gate_source = "of the campaign"
[excitation]
stable_source = "of the campaign"
[zero]
emf_source = "of the campaign"
[log]
seconds = {seconds}
part_s = 600.0
"""
NEAR = 1.9  # of the usual distance between two readings: more is a hole


@dataclass
class Sampler:
    """A desk that looks at this process whenever something is on the disk."""

    memory_kib: list[int] = field(default_factory=list)

    def show(self, picture: Mapping[str, Any]) -> None:  # noqa: ARG002
        """Note the resident memory now."""
        status = Path("/proc/self/status").read_text().splitlines()
        line = next(line for line in status if line.startswith("VmRSS"))
        self.memory_kib.append(int(line.split()[1]))

    def order(self) -> Told | None:
        """Nobody orders anything."""
        return None


@dataclass(frozen=True)
class Figures:
    """What an hour has shown; memory in KiB, times in s."""

    seconds: float
    rows: int
    per_second: float
    holes: int
    gaps: int
    counted_on: bool
    bytes_per_row: float
    growth_kib: int
    processor_share: float
    drift_s: float
    drift_growth_kib: int


def run(seconds: float) -> Figures:
    """Log so long on the simulated bench, in this process."""
    with tempfile.TemporaryDirectory() as name:
        plan = Path(name) / "plan.toml"
        plan.write_text(PLAN.format(seconds=float(seconds)))
        trial, sampler = Trial.new(Path(name) / "SIM-log"), Sampler()
        began = time.process_time()
        code = trial.conduct(plan=str(plan), sequence="log", desk=sampler)
        spent = time.process_time() - began
        assert code == 0, f"the log ended with {code}"
        path = trial.folder.path / "readings.log"
        rows, holes, gaps, counted, span_s = _looked_through(path)
        before = _memory_kib()
        start = time.perf_counter()
        read_run_log(path)
        drift_s = time.perf_counter() - start
        tenth = max(len(sampler.memory_kib) // 10, 1)
        return Figures(
            seconds, rows, rows / span_s, holes, gaps, counted, path.stat().st_size / rows,
            max(sampler.memory_kib[-tenth:]) - max(sampler.memory_kib[:tenth]), spent / seconds,
            drift_s, _memory_kib() - before,
        )  # fmt: skip


def _memory_kib() -> int:
    sampler = Sampler()
    sampler.show({})
    return sampler.memory_kib[0]


def _looked_through(path: Path) -> tuple[int, int, int, bool, float]:
    """Return rows of the signal, untold holes, gaps, whether counts go on, and seconds."""
    rows = holes = gaps = 0
    next_count, counted = 0, True
    last_ns: int | None = None
    first_ns, usual_ns, told_ns = 0, 0, 0
    for block in blocks(path):
        if block.kind is Kind.GAP:
            gaps += 1
            told_ns = block.to_ns
        if block.kind is not Kind.BURST:
            next_count += block.rows
            continue
        found = rows_of(block)
        counted &= found.first == next_count
        next_count += block.rows
        usual_ns = usual_ns or int(found.started_ns[1] - found.started_ns[0])
        if last_ns is None:
            first_ns = int(found.started_ns[0])
        elif found.started_ns[0] - last_ns > NEAR * usual_ns and told_ns < found.started_ns[0]:
            holes += 1
        holes += int(np.count_nonzero(np.diff(found.started_ns) > NEAR * usual_ns))
        last_ns = int(found.started_ns[-1])
        rows += block.rows
    assert last_ns is not None
    return rows, holes, gaps, counted, (last_ns - first_ns) / 1e9


def table(figures: Figures) -> str:
    """Return the page."""
    lines = [
        "# A log at the meter's fastest rate",
        "",
        "Written by `python -m tests.campaigns.log_hour`: 0.02 power line cycles, automatic zero",
        "off, blocks of 500; excitation by the supply each minute. The processor's share is that",
        "of the run's own process; the simulated bench is another one.",
        "",
        "| figure | measured |",
        "|---|---|",
        f"| bench time | {figures.seconds:.0f} s |",
        f"| readings of the signal | {figures.rows} ({figures.per_second:.1f}/s) |",
        f"| lost: holes that no gap tells of | {figures.holes} |",
        f"| gaps | {figures.gaps} |",
        f"| counts go on without a hole | {'yes' if figures.counted_on else 'NO'} |",
        f"| bytes per reading on the disk | {figures.bytes_per_row:.2f} |",
        f"| memory, last tenth against first tenth | {figures.growth_kib:+d} KiB |",
        f"| processor per second of bench time | {figures.processor_share:.2%} |",
        f"| drift report's reading of the log | {figures.drift_s:.1f} s,"
        f" {figures.drift_growth_kib:+d} KiB |",
    ]
    with tempfile.TemporaryDirectory() as folder:
        share, fast = against_executemany(Path(folder))
    drawn_s = reading_to_screen_s()
    lines += [
        f"| rows per second over bare `sqlite3.executemany`, one by one | {share:.2f} |",
        f"| the same, in bursts | {fast:.1f} |",
        f"| live display: from a reading to the screen | {1e3 * drawn_s:.1f} ms,"
        f" {drawn_s / INTERVAL_S:.2f} of the interval of readings |",
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=3600.0)
    chosen = parser.parse_args().seconds
    text = table(run(chosen))
    print(text)  # noqa: T201
    if chosen == 3600.0:
        TABLE.write_text(text)
