"""The bench that the fixture `simulated_bench` hands to one test, and what its mark may say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from simulated_bench.process import BenchProcess

MARK = "simulated_bench"
KEYS = ("scenario", "seed", "faults", "wire_faults", "pace")


class SimulatedBench(BenchProcess):
    """The bench of one test: `bench_file` is its bench file, `control` where time is led from."""

    def __init__(self, scenario: str, seed: int | None, pace: float | None, folder: Path) -> None:
        super().__init__(scenario, seed, [] if pace is None else ["--pace", str(pace)])
        self.bench_file = folder / "bench.toml"
        self.bench_file.write_text(self.bench, encoding="utf-8")
        self.scenario = scenario
        self.seed = seed

    @classmethod
    def asked_for(cls, asked: Mapping[str, Any], seed: int | None, folder: Path) -> SimulatedBench:
        """Start the bench that the marks of a test ask for; `seed` stands above theirs."""
        return cls(
            str(asked.get("scenario", "healthy")),
            asked.get("seed") if seed is None else seed,
            asked.get("pace"),
            folder,
        )

    def spoil(self, asked: Mapping[str, Any]) -> None:
        """Put in the faults that the marks of a test ask for, before time begins."""
        for fault in _tables(asked, "faults"):
            self.hand("fault", **fault)
        for fault in _tables(asked, "wire_faults"):
            self.hand("wire-fault", **fault)

    def how_to_repeat(self) -> str:
        """Return the command that serves this very bench."""
        seed = "" if self.seed is None else f" --seed {self.seed}"
        return f"python -P -m simulated_bench --scenario {self.scenario}{seed}"


def asked_by(node: pytest.Item) -> dict[str, Any]:
    """Return the keys of all marks of a test, those nearest to it first."""
    asked: dict[str, Any] = {}
    for mark in reversed(list(node.iter_markers(MARK))):
        if mark.args:
            raise pytest.UsageError(f"{MARK}: keys only, such as scenario=..., got {mark.args!r}")
        asked |= mark.kwargs
    for key in asked:
        if key not in KEYS:
            raise pytest.UsageError(f"{MARK}: no key {key!r}; there are {', '.join(KEYS)}")
    return asked


def _tables(asked: Mapping[str, Any], key: str) -> Sequence[Mapping[str, Any]]:
    tables = asked.get(key, ())
    if not isinstance(tables, Sequence) or isinstance(tables, str):
        raise pytest.UsageError(f"{MARK}: {key} is a list of tables, got {tables!r}")
    return tables
