"""pytest: a simulated bench for a test, in a process of its own.

    @pytest.mark.simulated_bench(scenario="open-arm-a", seed=7)
    def test_my_sequence(simulated_bench):
        run_my_sequence(bench_file=simulated_bench.bench_file)

The mark's keys: `scenario` (a shipped name or a file), `seed`, `faults` and `wire_faults` (tables
as in a scenario file, put in before time begins), `pace`. Each test has its own process, ports and
folder, so that tests may run in parallel. A failing test prints scenario and seed; `--bench-seed`
runs everything with another one.

pytest loads this file by itself wherever bridgebench is installed, in runs that never heard of it
too: so it imports nothing before the fixture is used.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from simulated_bench.bench_of_a_test import SimulatedBench


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--bench-seed`: the seed of every simulated bench, above what marks and scenarios say."""
    group = parser.getgroup("bridgebench", "simulated bench")
    group.addoption(
        "--bench-seed", type=int, default=None, metavar="N", help="seed of every simulated bench"
    )


def pytest_configure(config: pytest.Config) -> None:
    """Make the mark known."""
    config.addinivalue_line(
        "markers",
        "simulated_bench(scenario, seed, faults, wire_faults, pace):"
        " what the simulated bench of this test is like",
    )


@pytest.fixture
def simulated_bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[SimulatedBench]:
    """A simulated bench that serves for the time of one test."""
    from simulated_bench.bench_of_a_test import SimulatedBench, asked_by

    asked = asked_by(request.node)
    seed = request.config.getoption("--bench-seed")
    with SimulatedBench.asked_for(asked, seed, tmp_path) as bench:
        bench.spoil(asked)
        request.node.add_report_section("setup", "simulated bench", bench.how_to_repeat())
        yield bench
