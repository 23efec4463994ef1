"""How much bench time a cell takes on a scanner bench beyond what measuring itself takes."""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

from acq.runs.journal import read_journal
from tests.bench_watch import BenchWatch
from tests.conducting import Trial

GOAL = 1.15


def test_a_cell_takes_little_more_bench_time_than_its_readings_and_settling(
    tmp_path: Path,
) -> None:
    """Waits of the plan (dwell, soak, warm-up, fast logs) are left out on both sides.

    Left over are switching, set-up of instruments and reading back; outputs that come up and
    run down until they are proven are settling.
    """
    trial = Trial.new(tmp_path / "run")
    assert trial.conduct(plan="returned-cell") == 0
    with BenchWatch(trial.control) as watch:
        watch.end()
    lines: list[Any] = [line.content for line in read_journal(trial.folder.journal)[0]]
    waits = sum(line["seconds"] for line in lines if line["what"] == "waiting")
    whole = (lines[-1]["t"] - lines[0]["t"]) / 1e9 - waits
    reading = sum(_seconds(line["got"]) for line in lines if line.get("kind") == "read")
    settling = sum(
        (line["t"] - before["t"]) / 1e9
        for before, line in itertools.pairwise(lines)
        if line["what"] == "state"
    )
    ratio = whole / (reading + settling)
    print(  # noqa: T201
        "\n"
        + json.dumps(
            {
                "bench_s": round(whole, 1),
                "readings_s": round(reading, 1),
                "settling_s": round(settling, 1),
                "ratio": round(ratio, 3),
            }
        )
    )
    assert ratio <= GOAL


def _seconds(reading: dict[str, Any]) -> float:
    return float(reading["ended_ns"] - reading["started_ns"]) / 1e9
