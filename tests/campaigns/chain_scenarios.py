"""Chains with one fault each through the whole visit: is the right block named?

python -m tests.campaigns.chain_scenarios [NAME ...]    names of tests/sequences/chains
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from acq.runs.journal import read_journal
from tests.bench_watch import BenchWatch
from tests.conducting import Trial

ROOT = Path(__file__).parents[1]
CHAINS = ROOT / "sequences" / "chains"
BLOCKS: dict[str, str | None] = {
    "healthy": None,
    "two_wire": None,
    "open_pair": "junction box",
    "leak": "junction box",
    "sense_missing": "home-run cable",
    "forced": "transmitter",
    "loop_leak": "loop",
    "scaled": "control system",
    "piping": "mechanics",
}


def named(name: str, folder: Path) -> str | None:
    """Return the block that a visit to this chain names, None when none is."""
    trial = Trial.new(folder, str(CHAINS / f"{name}.toml"))
    try:
        trial.conduct(
            plan=str(ROOT / "quick_chain.toml"), serial="hopper-3", sequence="weighing-chain"
        )
    finally:
        with BenchWatch(trial.control) as watch:
            watch.end()
    lines = read_journal(trial.folder.journal)[0]
    kept = [line.content["got"] for line in lines if line.content.get("kind") == "isolation"]
    block: str | None = kept[-1]["block"]
    return block


def main(names: list[str]) -> None:
    """Print one line a chain."""
    for name in names or BLOCKS:
        with tempfile.TemporaryDirectory() as root:
            found = named(name, Path(root) / "run")
        right = "as expected" if found == BLOCKS[name] else f"expected {BLOCKS[name]}"
        print(f"{name}: {found}: {right}", flush=True)  # noqa: T201


if __name__ == "__main__":
    main(sys.argv[1:])
