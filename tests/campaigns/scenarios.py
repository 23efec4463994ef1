"""Shipped scenarios through the whole house: does the test find what the scenario expects?

python -m tests.campaigns.scenarios [NAME ...]
"""

from __future__ import annotations

import sys
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acq.errors import BenchFailure
from acq.runs.journal import read_journal
from tests.bench_watch import BenchWatch
from tests.conducting import Trial

SCENARIOS = Path(__file__).parents[2] / "simulated_bench" / "scenarios"


@dataclass(frozen=True, slots=True)
class Found:
    """What came out of one scenario."""

    exit_code: int
    conformity: str | None
    faults: tuple[str, ...] = ()  # the likeliest first
    where: tuple[str, ...] = ()  # the place of the likeliest


def expectation(name: str) -> dict[str, Any]:
    """Return what a scenario expects of the sequence `acceptance`; empty when of another."""
    table = tomllib.loads((SCENARIOS / f"{name}.toml").read_text(encoding="utf-8"))
    expected: dict[str, Any] = table.get("expectation", {})
    return expected if expected.get("sequence") == "acceptance" else {}


def conduct(name: str, folder: Path, serial: str, plan: str = "returned-cell") -> Found:
    """Run a plan, the shipped one or a file, on one scenario's bench."""
    trial = Trial.new(folder, name)
    try:
        code = trial.conduct(plan=plan, serial=serial)
    except BenchFailure:
        return Found(3, None)  # refused before the run was opened
    finally:
        with BenchWatch(trial.control) as watch:
            watch.end()
    lines = read_journal(trial.folder.journal)[0]
    told = [line.content["got"] for line in lines if line.content.get("kind") == "diagnosis"]
    suspects: list[dict[str, Any]] = told[-1]["faults"] if told else []
    return Found(
        code,
        lines[-1].content.get("conformity"),
        tuple(str(suspect["fault"]) for suspect in suspects),
        tuple(suspects[0]["where"]) if suspects else (),
    )


def differences(expected: dict[str, Any], found: Found) -> list[str]:
    """Return where the outcome is another than expected; the first fault named must be it."""
    said = []
    if found.exit_code != expected.get("exit_code", found.exit_code):
        said.append(f"exit code {found.exit_code}, expected {expected['exit_code']}")
    if "conformity" in expected and found.conformity != expected["conformity"]:
        said.append(f"{found.conformity}, expected {expected['conformity']}")
    wanted = expected.get("faults", [])
    if wanted and found.faults and found.faults[0] not in wanted:
        said.append(f"names {found.faults[0]}, expected {' or '.join(wanted)}")
    elif wanted and not found.faults and "conformity" in expected:
        said.append(f"names nothing, expected {' or '.join(wanted)}")
    place = set(expected.get("where", found.where))
    # where the readings cannot tell two faults apart the place belongs to the first of them
    if found.faults and found.faults[0] in wanted[:1] and place != set(found.where):
        said.append(f"at {' '.join(found.where) or 'no place'}, expected {' '.join(sorted(place))}")
    return said


def main(names: list[str]) -> None:
    """Print one line a scenario; leave with 1 where any is not as expected."""
    wrong = 0
    for name in names or sorted(path.stem for path in SCENARIOS.glob("*.toml")):
        expected = expectation(name)
        if not expected:
            continue
        with tempfile.TemporaryDirectory() as root:
            found = conduct(name, Path(root) / "run", expected["cell"])
        said = "; ".join(differences(expected, found))
        wrong += bool(said)
        print(f"{name}: {said or 'as expected'}", flush=True)  # noqa: T201
    print(f"{wrong} not as expected")  # noqa: T201
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main(sys.argv[1:])
