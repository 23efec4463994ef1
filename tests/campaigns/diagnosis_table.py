"""Run the diagnosis campaign and write its outcome as a table.

python -m tests.campaigns.diagnosis_table [--types N] [--cells N] [--seed N] [--out FILE]
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from acq.analysis.faults import NONE_FOUND
from tests.campaigns.diagnosis import Results, run
from tests.campaigns.revision import revision

HERE = Path(__file__).parent
EDGES = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99, 0.999, 1.0)


def table(results: Results, seed: int, command: str = "") -> str:
    """Return the table as markdown."""
    return "\n".join(
        [
            *_head(results, seed, command),
            *_by_fault(results),
            *_by_papers(results),
            *_reliability(results),
            *_coverage(results),
            *_limits(results),
            "",
        ]
    )


def _head(results: Results, seed: int, command: str) -> Iterator[str]:
    outcomes = results.outcomes
    faulty = [x for x in outcomes if x.truth != NONE_FOUND]
    above = [x for x in faulty if x.detectable]
    sound = [x for x in outcomes if x.truth == NONE_FOUND]
    yield "# Diagnosis of drawn cells"
    yield ""
    yield f"Drawn {datetime.now(UTC):%Y-%m-%d}, seed {seed}, at {revision()}."
    yield f"Written by `python -m tests.campaigns.diagnosis_table{_asked(command)}`; every number"
    yield "holds for the population of `tests/campaigns/drawn_cells.py` and `drawn_faults.py`."
    yield "A fault is beyond its limit where it stands first on 98 % of cells drawn of that size"
    yield "and of all larger ones (`acq/analysis/detection.py`); `analyse leads --limits` tells the"
    yield "limits of a cell."
    yield ""
    yield "| what | found | goal |"
    yield "|---|---|---|"
    yield f"| cells | {len(outcomes)} | >= 10000 |"
    yield f"| faults beyond the stated limit: right fault first | {_share(x.right for x in above)} | >= 97 % |"  # noqa: E501
    yield f"| the same: right place first | {_share(x.placed for x in above)} | >= 97 % |"
    yield f"| sound cells answered with a fault | {_share(not x.right for x in sound)} | <= 0.5 % |"
    yield f"| all faults, however small: right fault first | {_share(x.right for x in faulty)} | |"
    yield ""


def _asked(command: str) -> str:
    return f" {command}" if command else ""


def _share(hits: Iterator[bool]) -> str:
    every = list(hits)
    return f"{100.0 * sum(every) / len(every):.2f} % of {len(every)}" if every else "none"


def _by_fault(results: Results) -> Iterator[str]:
    yield "## By fault"
    yield ""
    yield "| fault | cells | beyond the limit | right fault | right place | all sizes: right | taken for |"  # noqa: E501
    yield "|---|---|---|---|---|---|---|"
    kinds = sorted({x.truth.fault for x in results.outcomes})
    for kind in kinds:
        every = [x for x in results.outcomes if x.truth.fault is kind]
        above = [x for x in every if x.detectable and x.truth != NONE_FOUND]
        wrong = Counter(str(x.answer.fault) for x in every if not x.right).most_common(3)
        taken = ", ".join(f"{name} {count}" for name, count in wrong)
        yield (
            f"| {kind} | {len(every)} | {len(above)} | {_share(x.right for x in above)} | "
            f"{_share(x.placed for x in above)} | {_share(x.right for x in every)} | {taken} |"
        )
    yield ""


def _by_papers(results: Results) -> Iterator[str]:
    yield "## By papers, wires and nominal"
    yield ""
    yield "| cells with | beyond the limit: right fault | right place | false alarms |"
    yield "|---|---|---|---|"
    groups = {
        **{x.papers: "papers" for x in results.outcomes},
        **{f"{x.wires} wires": "wires" for x in results.outcomes},
        **{f"{x.nominal:g} ohm": "nominal" for x in results.outcomes},
    }
    for name in sorted(groups):
        mine = [
            x
            for x in results.outcomes
            if name in (x.papers, f"{x.wires} wires", f"{x.nominal:g} ohm")
        ]
        above = [x for x in mine if x.detectable and x.truth != NONE_FOUND]
        sound = [x for x in mine if x.truth == NONE_FOUND]
        yield (
            f"| {name} | {_share(x.right for x in above)} | {_share(x.placed for x in above)} | "
            f"{_share(not x.right for x in sound)} |"
        )
    yield ""


def _reliability(results: Results) -> Iterator[str]:
    yield "## Probability stated for the answer, against how often it was right"
    yield ""
    yield "| stated | answers | mean stated | right (fault and place) |"
    yield "|---|---|---|---|"
    for low, high in pairwise(EDGES):
        mine = [x for x in results.outcomes if low <= x.chance < high or x.chance == high == 1.0]
        if mine:
            mean = float(np.mean([x.chance for x in mine]))
            hits = float(np.mean([x.placed for x in mine]))
            yield f"| {low:g} to {high:g} | {len(mine)} | {mean:.4f} | {hits:.4f} |"
    yield ""


def _coverage(results: Results) -> Iterator[str]:
    yield "## Coverage of stated 95 % intervals (goal 93 to 97 %)"
    yield ""
    yield "| interval | held the truth |"
    yield "|---|---|"
    for name, count in sorted(results.intervals.items()):
        yield f"| {name} | {100.0 * results.covered[name] / count:.2f} % of {count} |"
    yield ""


def _limits(results: Results) -> Iterator[str]:
    yield "## Stated detection limits, over all drawn types: best, median, worst"
    yield ""
    yield "| fault | papers | unit | best | median | worst |"
    yield "|---|---|---|---|---|---|"
    for key in sorted(results.limits):
        fault, papers, unit = key.split("|")
        never = [x for x in results.limits[key] if x == "never"]
        known = sorted(float(x) for x in results.limits[key] if x != "never")
        if "ohm" in unit and fault in ("lead-short", "moisture-in-cell"):
            known = known[::-1]  # a path is worse the smaller it is
        ordered = [f"{x:.3g}" for x in known] + ["never"] * len(never)
        middle = ordered[len(ordered) // 2]
        yield f"| {fault} | {papers} | {unit} | {ordered[0]} | {middle} | {ordered[-1]} |"


def main() -> None:
    """Draw, diagnose, write the table."""
    parser = argparse.ArgumentParser(description="Run the diagnosis campaign.")
    parser.add_argument("--types", type=int, default=72)
    parser.add_argument("--cells", type=int, default=260, help="of each type")
    parser.add_argument("--records", type=int, default=24, help="of types with earlier records")
    parser.add_argument("--seed", type=int, default=20260302)
    parser.add_argument("--out", type=Path, default=HERE / "diagnosis_table.md")
    asked = parser.parse_args()
    results = run(asked.seed, asked.types, asked.cells, asked.records)
    asked.out.write_text(table(results, asked.seed, " ".join(sys.argv[1:])), encoding="utf-8")


if __name__ == "__main__":
    main()
