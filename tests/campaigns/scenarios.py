"""Shipped scenarios through the whole house: does each come out as it expects?

python -m tests.campaigns.scenarios [--short] [NAME ...]    the plan of each one's expectation

With `--short` the plans with the shortest waits are used wherever a scenario needs no other.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acq.errors import BenchFailure
from acq.runs.journal import Line, read_journal
from acq.runs.sequence import find_sequence
from simulated_bench.scenario import Expectation, read_scenario
from tests.bench_watch import BenchWatch
from tests.conducting import Trial
from tests.sequences.quick_chains import quick_chain

TESTS = Path(__file__).parents[1]
SCENARIOS = TESTS.parent / "simulated_bench" / "scenarios"
NAMES = tuple(sorted(path.stem for path in SCENARIOS.glob("*.toml")))
SHORT = {
    "acceptance": "quick.toml",
    "load-series": "quick_load.toml",
    "weighing-chain": "quick_chain.toml",
    "check-standard": "quick_check.toml",
    "creep": "quick_creep.toml",
}


@dataclass(frozen=True, slots=True)
class Found:
    """What came out of one scenario."""

    exit_code: int
    conformity: str | None
    faults: tuple[str, ...] = ()  # the likeliest first
    where: tuple[str, ...] = ()  # the place of the likeliest
    block: str | None = None  # of a weighing chain


def expectation(name: str) -> Expectation:
    """Return what a shipped scenario expects."""
    expected = read_scenario(name)[1].expectation
    assert expected is not None, f"{name} does not say what it expects"
    return expected


def plan_of(expected: Expectation, *, short: bool) -> str:
    """Return the plan by which a scenario is run."""
    if short and not expected.plan and expected.sequence in SHORT:
        return str(TESTS / SHORT[expected.sequence])
    return expected.plan or find_sequence(expected.sequence).default_plan


def conduct(name: str, folder: Path, *, short: bool = False) -> Found:
    """Run the sequence that a scenario expects, on its bench."""
    expected = expectation(name)
    folder.parent.mkdir(parents=True, exist_ok=True)
    quick = short and expected.sequence == "weighing-chain"
    trial = Trial.new(
        folder, quick_chain(name.removeprefix("chain-"), folder.parent) if quick else name
    )
    try:
        code = trial.conduct(
            plan=plan_of(expected, short=short), serial=expected.cell, sequence=expected.sequence
        )
    except BenchFailure:
        return Found(3, None)  # refused before the run was opened
    finally:
        with BenchWatch(trial.control) as watch:
            watch.end()
    lines = read_journal(trial.folder.journal)[0]
    suspects: list[dict[str, Any]] = _last(lines, "diagnosis").get("faults", [])
    return Found(
        code,
        lines[-1].content.get("conformity"),
        tuple(str(suspect["fault"]) for suspect in suspects),
        tuple(suspects[0]["where"]) if suspects else (),
        _last(lines, "isolation").get("block"),
    )


def _last(lines: Sequence[Line], kind: str) -> dict[str, Any]:
    """Return what was concluded last, of this kind."""
    told = [line.content["got"] for line in lines if line.content.get("kind") == kind]
    return dict(told[-1]) if told else {}


def differences(expected: Expectation, found: Found) -> list[str]:
    """Return where the outcome is another than expected; the first fault named must be it."""
    said = []
    if expected.exit_code is not None and found.exit_code != expected.exit_code:
        said.append(f"exit code {found.exit_code}, expected {expected.exit_code}")
    if expected.conformity and found.conformity != expected.conformity:
        said.append(f"{found.conformity}, expected {expected.conformity}")
    if expected.block is not None and (found.block or "") != expected.block:
        said.append(f"names {found.block or 'no block'}, expected {expected.block or 'none'}")
    named = found.faults[0] if found.faults else "nothing"
    if expected.faults and named not in expected.faults:
        said.append(f"names {named}, expected {' or '.join(expected.faults)}")
    # where the readings cannot tell two faults apart the place belongs to the first of them
    if expected.where and named == expected.faults[0] and set(expected.where) != set(found.where):
        place = " ".join(sorted(expected.where))
        said.append(f"at {' '.join(found.where) or 'no place'}, expected {place}")
    return said


def main() -> None:
    """Print one line a scenario; leave with 1 where any is not as expected."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", default=NAMES)
    parser.add_argument("--short", action="store_true")
    given = parser.parse_args()
    wrong = 0
    for name in given.names:
        with tempfile.TemporaryDirectory() as root:
            found = conduct(name, Path(root) / "run", short=given.short)
        said = "; ".join(differences(expectation(name), found))
        wrong += bool(said)
        print(f"{name}: {said or 'as expected'}", flush=True)  # noqa: T201
    print(f"{wrong} of {len(given.names)} not as expected")  # noqa: T201
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
