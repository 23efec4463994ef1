"""Every wire fault at every point of a measuring sequence, for every shipped dialect, on two links.

    python -m tests.campaigns.wire_faults               12 000 cases drawn from all
    python -m tests.campaigns.wire_faults 0             all of them
    ... --minutes 10                                    what can be had in that time

The long form writes tests/campaigns/wire_faults_table.md. The cases stand in `wire_fault_cases`,
the instruments in `wire_subjects`.

The driver goes through its sequence with one fault; after an error it goes on, as a run that
repeats would. Outcomes: every value is the right one; or an error was told and what came after is
right again; or, the only forbidden one, a number or a state that is wrong. What was switched on
must be off at the end.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

from tests.campaigns.wire_fault_cases import Case, Outcome, all_cases, run_case

TABLE = Path(__file__).with_name("wire_faults_table.md")
CASES = 12_000
SEED = 20260302

Tallies = dict[tuple[str, str], Counter[str]]


def campaign(
    cases: list[Case], until: float = math.inf
) -> tuple[Tallies, list[tuple[Case, Outcome]]]:
    """Run cases until they or the time (`time.monotonic`) are over.

    Returns the tallies by dialect and link, and the forbidden outcomes.
    """
    tallies: Tallies = {}
    forbidden = []
    for case in cases:
        if time.monotonic() > until:
            break
        outcome = run_case(case)
        _count(tallies.setdefault((case.dialect, case.link), Counter()), outcome)
        if outcome.wrong or outcome.left_on:
            forbidden.append((case, outcome))
    return tallies, forbidden


def _count(tally: Counter[str], outcome: Outcome) -> None:
    tally["cases"] += 1
    tally["right values"] += outcome.right
    tally["wrong values"] += len(outcome.wrong)
    tally["errors told"] += len(outcome.errors)
    tally["left on"] += outcome.left_on
    if not outcome.errors:
        tally["unharmed"] += 1
    elif outcome.right:
        tally["recovered"] += 1
    else:
        tally["refused"] += 1


COLUMNS = ("cases", "unharmed", "recovered", "refused", "errors told", "right values",
           "wrong values", "left on")  # fmt: skip


def table(tallies: Tallies, heading: str) -> str:
    """Return the tallies by dialect and link, and their sum, as a table."""
    rows = [("dialect", "link", *COLUMNS), ("---",) * (2 + len(COLUMNS))]
    total: Counter[str] = Counter()
    for (dialect, link), tally in sorted(tallies.items()):
        total += tally
        rows.append((dialect, link, *(str(tally[column]) for column in COLUMNS)))
    rows.append(("**all**", "", *(f"**{total[column]}**" for column in COLUMNS)))
    return heading + "\n".join("| " + " | ".join(row) + " |" for row in rows) + "\n"


def drawn(cases: list[Case], count: int, seed: int = SEED) -> list[Case]:
    """Return `count` cases, the same for the same seed; all when `count` is 0."""
    if not count or count >= len(cases):
        return cases
    return random.Random(seed).sample(cases, count)


HEADING = """# Wire faults

Written by `python -m tests.campaigns.wire_faults` on {date} (seed {seed}): {run} of the
{every} cases that exist, drawn at random, in {seconds:.0f} s. One fault a case; what each is
`wire_fault_cases.py` says. *Unharmed*: every value right and no error told. *Recovered*: an
error was told and right values came too. *Refused*: an error, and no value at all. *Left on*:
still on after the guardian's attempt.

"""


def main() -> None:
    """Run the long form, write its table and print what was forbidden."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cases", type=int, nargs="?", default=CASES)
    parser.add_argument("--minutes", type=float, default=math.inf)
    given = parser.parse_args()
    every = all_cases()
    started = time.monotonic()
    cases = drawn(every, given.cases)
    tallies, forbidden = campaign(cases, started + 60.0 * given.minutes)
    heading = HEADING.format(
        date=datetime.now(UTC).date(),
        seed=SEED,
        run=sum(tally["cases"] for tally in tallies.values()),
        every=len(every),
        seconds=time.monotonic() - started,
    )
    TABLE.write_text(table(tallies, heading), encoding="utf-8")
    said = [f"{case} {outcome.wrong} {outcome.left_on}" for case, outcome in forbidden[:50]]
    sys.stdout.write("\n".join([str(TABLE), *said]) + "\n")


if __name__ == "__main__":
    main()
