"""The shipped lot of twenty by the shipped plan: is the outlier held, and how long takes a cell?

python -m tests.campaigns.lot_of_twenty

Bench time is the simulated bench's own; the hands that load the fixtures are in it.
"""

from __future__ import annotations

import argparse
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from acq.desk.lot_report import bench_minutes_per_cell, pieces_of
from acq.records.records import Records
from tests.bench_watch import BenchWatch
from tests.campaigns.scenarios import expectation
from tests.conducting import Trial

TABLE = Path(__file__).with_name("lot_of_twenty_table.md")
GOAL_MINUTES = 2.0
HEADING = """# A lot of twenty

Written by `python -m tests.campaigns.lot_of_twenty` on {date}: scenario `lot-20`
(ten fixtures), the plan `lot` with {dwell:g} s of insulation dwell and its warm-up.

| what | found | expected |
|---|---|---|
| exit code | {code} | {expected_code} |
| not accepted | {held} | {outlier} |
| bench minutes per cell | {minutes:.2f} | <= {goal:g} |
"""


def table() -> str:
    """Run it; return what came out."""
    expected = expectation("lot-20")
    with tempfile.TemporaryDirectory() as root:
        trial = Trial.new(Path(root) / "run", "lot-20")
        try:
            code = trial.conduct(plan="lot", serial=expected.cell, sequence="lot")
        finally:
            with BenchWatch(trial.control) as watch:
                watch.end()
        address = f"sqlite:///{trial.folder.path / 'records.sqlite'}"
        with Records.open(address, simulated=True) as records:
            lot = records.run("run")
            held = [p.serial for p in pieces_of(records, lot) if p.proposed != "accept"]
    return HEADING.format(
        date=datetime.now(UTC).date(),
        dwell=lot.opened["plan"]["insulation"]["dwell_s"],
        code=code,
        expected_code=expected.exit_code,
        held=", ".join(held) or "none",
        outlier=", ".join(expected.where),
        minutes=bench_minutes_per_cell(lot),
        goal=GOAL_MINUTES,
    )


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=TABLE)
    given = parser.parse_args()
    text = table()
    given.out.write_text(text, encoding="utf-8")
    print(text)  # noqa: T201


if __name__ == "__main__":
    main()
