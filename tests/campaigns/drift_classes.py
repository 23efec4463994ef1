"""How often the main cause of a drift is told right: many drawn logs, one table.

python -m tests.campaigns.drift_classes            writes tests/campaigns/drift_table.md
python -m tests.campaigns.drift_classes --records 40    a short look
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from acq.analysis.drift import classify
from acq.analysis.drift_columns import Cause
from tests.campaigns.drawn_drift import LIMIT, OTHERS, draw

TABLE = Path(__file__).parent / "drift_table.md"


@dataclass
class Tally:
    """Counts of (drawn, told), and what was told wrong."""

    told: Counter[tuple[Cause, Cause]] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    @property
    def total(self) -> int:
        """Records judged."""
        return sum(self.told.values())

    @property
    def right(self) -> int:
        """Records with the right main cause."""
        return sum(count for (drawn, told), count in self.told.items() if drawn is told)


def run(records: int, seed: int) -> Tally:
    """Draw and judge this many records, every cause equally often."""
    tally = Tally()
    causes = list(Cause)
    for number in range(records):
        rng = np.random.default_rng([seed, number])
        cause = causes[number % len(causes)]
        record = draw(rng, cause).record
        report = classify(record)
        tally.told[cause, report.cause] += 1
        if report.cause is not cause:
            hours = float(record.times_s[-1]) / 3600.0
            tally.wrong.append(f"{cause.value} over {hours:.1f} h: {report.because}")
    return tally


def table(tally: Tally, seed: int) -> str:
    """Return the campaign's table: drawn causes down, told causes across."""
    causes = list(Cause)
    share = tally.right / tally.total
    lines = [
        "# Why a reading drifts",
        "",
        f"Written by `python -m tests.campaigns.drift_classes` (seed {seed}). Invented logs of 1",
        "to 24 h, every cause equally often, drawn by stepping room, body, water, creep in time;",
        "each log has white noise, a wandering zero and a slow temperature effect of up to",
        f"{OTHERS:.0%} of the smallest main cause. Detection limit: {LIMIT}.",
        "Humidity and the time of switching on are in half of the logs, the temperature in all.",
        "",
        f"* Right main cause: **{tally.right} of {tally.total} = {share:.1%}**.",
        "",
        "| drawn \\ told | " + " | ".join(cause.value for cause in causes) + " |",
        "|---" * (len(causes) + 1) + "|",
    ]
    for drawn in causes:
        counts = [tally.told[drawn, told] for told in causes]
        cells = " | ".join(str(count) if count else "" for count in counts)
        lines.append(f"| {drawn.value} | {cells} |")
    lines += ["", "## Told wrong", ""]
    lines += [f"* {text}" for text in tally.wrong] or ["None."]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run the campaign and write its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--records", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=20260303)
    given = parser.parse_args()
    TABLE.write_text(table(run(given.records, given.seed), given.seed))


if __name__ == "__main__":
    main()
