"""pytest: a simulated bench for a test, in a process of its own.

    @pytest.mark.simulated_bench(scenario="open-arm-a", seed=7)
    def test_my_sequence(simulated_bench):
        run_my_sequence(bench_file=simulated_bench.bench_file)

The mark's keys: `scenario` (a shipped name or a file), `seed`, `faults` and `wire_faults` (tables
as in a scenario file, put in before time begins), `pace`. Each test has its own process, ports and
folder, so that tests may run in parallel. A failing test prints scenario and seed; `--bench-seed`
runs everything with another one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
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

    def how_to_repeat(self) -> str:
        """Return the command that serves this very bench."""
        seed = "" if self.seed is None else f" --seed {self.seed}"
        return f"python -P -m simulated_bench --scenario {self.scenario}{seed}"


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--bench-seed`: the seed of every simulated bench, above what marks and scenarios say."""
    group = parser.getgroup("bridgebench", "simulated bench")
    group.addoption(
        "--bench-seed", type=int, default=None, metavar="N", help="seed of every simulated bench"
    )


def pytest_configure(config: pytest.Config) -> None:
    """Make the mark known."""
    config.addinivalue_line(
        "markers", f"{MARK}({', '.join(KEYS)}): what the simulated bench of this test is like"
    )


@pytest.fixture
def simulated_bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[SimulatedBench]:
    """A simulated bench that serves for the time of one test."""
    asked = _asked(request.node)
    seed = request.config.getoption("--bench-seed")
    with SimulatedBench(
        str(asked.get("scenario", "healthy")),
        asked.get("seed") if seed is None else seed,
        asked.get("pace"),
        tmp_path,
    ) as bench:
        for fault in _tables(asked, "faults"):
            bench.hand("fault", **fault)
        for fault in _tables(asked, "wire_faults"):
            bench.hand("wire-fault", **fault)
        request.node.add_report_section("setup", "simulated bench", bench.how_to_repeat())
        yield bench


def _asked(node: pytest.Item) -> dict[str, Any]:
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
