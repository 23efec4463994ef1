"""Kills at random lines: the run, its guardians, several at once, Ctrl-C storms.

python -m tests.campaigns.kills --kills 1000 --seed 1 --minutes 60    writes kills_table.md

What was still on, and how long? Was a line lost that had been acknowledged, or a finished check
done twice? Every run is taken up until it is finished. With the run and both guardians killed in
the same instant nobody is left to switch off: there the campaign counts how often something was
on, and holds the next start to switching it off.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import shutil
import signal
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from acq.records.records import Records
from acq.runs.journal import Line, read_journal
from tests.bench_watch import BenchWatch
from tests.conducting import Trial

ALL = "run and both guardians"
HOW = (
    "the run",
    "first guardian",
    "second guardian",
    "both guardians",
    "run and first guardian",
    "run and second guardian",
    ALL,
    "Ctrl-C",
    "Ctrl-C storm",
)
TABLE = Path(__file__).with_name("kills_table.md")
PATIENCE_S = 60.0
_LONGEST = 120  # lines of a run of the shortest plan


@dataclass
class Tally:
    """What a campaign found."""

    kills: int = 0
    runs: int = 0
    lost: int = 0  # acknowledged lines that were not there afterwards
    redone: int = 0  # checks that were finished twice though their result still held
    unsound: int = 0  # runs whose records did not verify
    left_on: int = 0  # something was on after run and both guardians were killed
    by_kind: dict[str, int] = field(default_factory=dict)
    longest_s: dict[str, float] = field(default_factory=dict)  # wall time until all was off
    never_off: list[str] = field(default_factory=list)  # what was on beyond all patience
    refused: list[str] = field(default_factory=list)  # runs that could not be taken up
    behind: int = 0  # blows that struck when the run was finished: only its delivery was left

    @property
    def longest_to_off_s(self) -> float:
        return max(self.longest_s.values(), default=0.0)


def campaign(kills: int, seed: int, until: float = math.inf, evidence: Path | None = None) -> Tally:
    """Kill runs until so many kills have struck; every run is taken up until it is finished.

    No new run is begun after `until` (`time.monotonic`). The folder of a run in which
    something stayed on, or that could not be taken up, is copied to `evidence`.
    """
    draw, tally = random.Random(seed), Tally()
    sockets = shutil.ignore_patterns("*.sock")
    with tempfile.TemporaryDirectory() as root:
        while tally.kills < kills and time.monotonic() < until:
            tally.runs += 1
            folder = Path(root) / str(tally.runs) / "run"
            wrong = len(tally.never_off + tally.refused)
            _one_run(folder, draw, tally, kills)
            if evidence is not None and len(tally.never_off + tally.refused) > wrong:
                shutil.copytree(folder, evidence / f"run{tally.runs}", ignore=sockets)
    return tally


def _one_run(folder: Path, draw: random.Random, tally: Tally, kills: int) -> None:
    trial = Trial.new(folder)
    with BenchWatch(trial.control) as watch:
        try:
            while tally.kills < kills:
                before = _journal(trial)
                lines = before.count(b"\n")
                how = draw.choice(HOW)
                mark = folder.parent / f"blow{tally.kills}"
                at = draw.randint(1, _LONGEST)
                code = trial.in_child(_blow(how, lines + at, mark))
                if code == 0:
                    break
                if not mark.exists():
                    tally.refused.append(f"exit {code} without a blow, after {lines} lines")
                    break
                tally.kills += 1
                tally.by_kind[how] = tally.by_kind.get(how, 0) + 1
                _look(how, watch, tally)
                tally.lost += not _journal(trial).startswith(before)
                if _finished(trial):
                    tally.behind += 1
                    _deliver(trial)  # as `bridgebench records deliver` does
                    break
            else:
                if (code := trial.in_child()) != 0:
                    tally.refused.append(f"exit {code} at the end")
            _inspect(trial, tally)
        finally:
            watch.end()


def _look(how: str, watch: BenchWatch, tally: Tally) -> None:
    if how == ALL:
        tally.left_on += bool(watch.energised())
        return
    try:
        seconds = watch.seconds_until_off(PATIENCE_S)
    except AssertionError as still_on:
        tally.never_off.append(f"{how}: {still_on}")
        return
    tally.longest_s[how] = max(tally.longest_s.get(how, 0.0), seconds)


def _blow(how: str, at: int, mark: Path) -> Callable[[Line], int]:
    """Return what strikes at that line of the journal, once or from then on; it leaves a mark.

    The blow is struck in the run's own process, so that the mark is a file.
    """

    def strike(line: Line) -> int:
        if line.number < at or (mark.exists() and how != "Ctrl-C storm"):
            return 0
        mark.touch()
        if how.startswith("Ctrl-C"):
            return signal.SIGINT
        for guardian in _struck_guardians(how):
            os.kill(guardian, signal.SIGKILL)
        return signal.SIGKILL if "run" in how else 0

    return strike


def _struck_guardians(how: str) -> list[int]:
    """Return the guardians that this blow strikes; none before the bench is opened."""
    both = guardians()
    if "both" in how:
        return both
    return [pid for pid, name in zip(both, ("first", "second"), strict=False) if name in how]


def _journal(trial: Trial) -> bytes:
    return trial.folder.journal.read_bytes() if trial.folder.journal.exists() else b""


def _finished(trial: Trial) -> bool:
    last = read_journal(trial.folder.journal)[0][-1:]
    return bool(last) and last[0].content.get("state") == "finished"


def _deliver(trial: Trial) -> None:
    with Records.open(f"sqlite:///{trial.folder.path / 'records.sqlite'}", simulated=True) as kept:
        kept.deliver([line.raw for line in read_journal(trial.folder.journal)[0]])


def _inspect(trial: Trial, tally: Tally) -> None:
    with Records.open(f"sqlite:///{trial.folder.path / 'records.sqlite'}", simulated=True) as kept:
        tally.unsound += bool(kept.verify().problems)
        run = kept.run(trial.folder.number)
        tally.unsound += run.journal != _journal(trial)
        repeated = {check.name for check in run.replaced}
        again = {line.content["check"] for line in run.lines if line.what == "measured-again"}
        tally.redone += len(repeated - again)


def children(of: int | None = None) -> list[int]:
    """The child processes of a process, of this one by default: of a run, its guardian."""
    parent = os.getpid() if of is None else of
    listed = Path(f"/proc/{parent}/task/{parent}/children")
    return [int(text) for text in listed.read_text().split()] if listed.exists() else []


def guardians() -> list[int]:
    """The guardians of the run that this process is: its child, and that one's child."""
    first = children()
    return first + [second for one in first for second in children(one)]


HEADING = """# Kills

Written by `python -m tests.campaigns.kills` on {date} (seed {seed}): {kills} kills of {runs} runs
in {minutes:.0f} min; each run was taken up until it was finished. A line of the journal is
acknowledged once it is on the disk. Times are wall time from the end of the run's process until
every display shows off, on a busy machine with two cores.

* Acknowledged lines lost: **{lost}**. Finished checks done twice: **{redone}**. Runs whose records
  do not verify: **{unsound}**.
* Longest time to proven off: **{longest:.2f} s**; still on after {patience:.0f} s: **{never}**.
* Runs that could not be taken up: **{refused}**. Blows that fell when a run had just finished, so
  that only its delivery was left: {behind}.
* Run and both guardians killed in the same instant: nobody is left. Something was then on in
  {left_on} of {all_three}; it stays on until the next run on this bench is opened, which
  switches off before it does anything else.

| killed | times | longest time to off |
|---|---|---|
"""


def table(tally: Tally, seed: int, minutes: float) -> str:
    """Return the campaign's table."""
    heading = HEADING.format(
        date=datetime.now(UTC).date(),
        seed=seed,
        minutes=minutes,
        kills=tally.kills,
        runs=tally.runs,
        lost=tally.lost,
        redone=tally.redone,
        unsound=tally.unsound,
        longest=tally.longest_to_off_s,
        patience=PATIENCE_S,
        never=len(tally.never_off),
        refused=len(tally.refused),
        behind=tally.behind,
        left_on=tally.left_on,
        all_three=tally.by_kind.get(ALL, 0),
    )
    rows = [
        f"| {how} | {tally.by_kind.get(how, 0)} | "
        + (f"{tally.longest_s[how]:.2f} s |" if how in tally.longest_s else "at the next start |")
        for how in HOW
        if how in tally.by_kind
    ]
    return heading + "\n".join(rows) + "\n"


def main() -> None:
    """Run a long campaign and write its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=math.inf)
    parser.add_argument(
        "--evidence", type=Path, help="a folder for runs in which something went wrong"
    )
    given = parser.parse_args()
    began = time.monotonic()
    tally = campaign(given.kills, given.seed, began + 60.0 * given.minutes, given.evidence)
    minutes = (time.monotonic() - began) / 60.0
    TABLE.write_text(table(tally, given.seed, minutes), encoding="utf-8")
    print(tally)  # noqa: T201


if __name__ == "__main__":
    main()
