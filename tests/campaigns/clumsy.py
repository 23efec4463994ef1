"""Clumsy hands at the bench: is a slip ever a wrong verdict?

python -m tests.campaigns.clumsy --runs 60 --seed 1 [--out FILE]

Cells are clipped by hands (no scanner) that land on another lead now and then, or everything is
read and typed by a person who confuses digits. A sound cell may not fail and a broken one may not
pass: that would be a slip that became a verdict.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from acq.errors import BenchFailure
from acq.runs.journal import read_journal
from tests.bench_watch import BenchWatch
from tests.campaigns.scenarios import SCENARIOS
from tests.conducting import QUICK, Trial

BY_HAND = "a person reads"
STEADY = "steady hands clip"
CLIPPED = "a person clips"
WRONG_CLIPS = 0.05
MISREAD = 0.02
HANDS = {
    STEADY: "[instruments.scanner]\nmissing = true\n",
    CLIPPED: f"[instruments.scanner]\nmissing = true\n[hands]\nwrong_clips = {WRONG_CLIPS}\n",
    BY_HAND: f"[instruments.dmm]\nby_hand = true\n[hands]\nmisread = {MISREAD}\n",
}
TABLE = Path(__file__).with_name("clumsy_table.md")
CELLS = {"healthy": "pass", "open-arm-b": "fail", "leak-1m": "fail"}
UNDECIDED = "undecided or withheld"
VERDICTS = {0: "pass", 1: "fail", 3: "stopped", 4: UNDECIDED}  # by exit code
ALLOWED = {verdict: (verdict, "stopped", UNDECIDED) for verdict in CELLS.values()}


@dataclass
class Tally:
    """What came of one kind of hands at one cell."""

    runs: int = 0
    noticed: int = 0  # clips that were asked for again
    verdicts: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


def scenario(cell: str, hands: str, seed: int, folder: Path) -> Path:
    """Write the scenario of a cell with these hands."""
    text = (SCENARIOS / f"{cell}.toml").read_text(encoding="utf-8").split("[expectation]")[0]
    path = folder / f"{cell}.toml"
    path.write_text(f"seed = {seed}\n{text}\n{HANDS[hands]}", encoding="utf-8")
    return path


def conduct(cell: str, hands: str, seed: int, folder: Path) -> tuple[str, int]:
    """Run the shortest acceptance test; return its verdict and how many clips it asked again."""
    trial = Trial.new(folder / "run", str(scenario(cell, hands, seed, folder)))
    try:
        code = trial.conduct(plan=str(QUICK))
    except BenchFailure:
        code = 3
    finally:
        with BenchWatch(trial.control) as watch:
            watch.end()
    lines = read_journal(trial.folder.journal)[0]
    prompts = [str(line.content.get("prompt", "")) for line in lines if line.what == "prompt"]
    again = [text for text in prompts if "you are on" in text or "clip them anew" in text]
    return VERDICTS[code], len(again)


def campaign(runs: int, seed: int) -> dict[tuple[str, str], Tally]:
    """Run every kind of hands at every cell in turn; return what came of it."""
    tallies = {(hands, cell): Tally() for hands in HANDS for cell in CELLS}
    kinds = list(tallies)
    for number in range(runs):
        hands, cell = kinds[number % len(kinds)]
        with tempfile.TemporaryDirectory() as root:
            verdict, again = conduct(cell, hands, seed + number, Path(root))
        tally = tallies[hands, cell]
        tally.runs += 1
        tally.noticed += again
        tally.verdicts[verdict] = tally.verdicts.get(verdict, 0) + 1
        if verdict not in ALLOWED[CELLS[cell]]:
            tally.wrong.append(f"{cell}, {hands}, seed {seed + number}: {verdict}")
    return tallies


HEADING = """# Clumsy hands

Written by `python -m tests.campaigns.clumsy --runs {runs} --seed {seed}` on {date}. Of the clips
{clips:.0%} land on another lead, of the typed readings {typed:.0%} have two digits exchanged.
Allowed: a sound cell passes, a broken one fails, or nothing is decided.
Wrong verdicts: **{wrong}**.

| hands | cell | runs | clips asked for again | verdicts |
|---|---|---|---|---|
"""


def table(tallies: dict[tuple[str, str], Tally], seed: int) -> str:
    """Return the campaign's table."""
    wrong = [each for tally in tallies.values() for each in tally.wrong]
    rows = [
        f"| {hands} | {cell} | {tally.runs} | {tally.noticed} | "
        + ", ".join(f"{count} {verdict}" for verdict, count in sorted(tally.verdicts.items()))
        + " |"
        for (hands, cell), tally in tallies.items()
    ]
    heading = HEADING.format(
        runs=sum(tally.runs for tally in tallies.values()),
        seed=seed,
        date=datetime.now(UTC).date(),
        clips=WRONG_CLIPS,
        typed=MISREAD,
        wrong=len(wrong),
    )
    said = "".join(f"\n* {each}" for each in wrong)
    return heading + "\n".join(rows) + "\n" + said + ("\n" if said else "")


def main() -> None:
    """Run the campaign and write its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=TABLE)
    given = parser.parse_args()
    text = table(campaign(given.runs, given.seed), given.seed)
    given.out.write_text(text, encoding="utf-8")
    print(text)  # noqa: T201


if __name__ == "__main__":
    main()
