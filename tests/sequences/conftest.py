"""Trials that end with their test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bench_watch import BenchWatch
from tests.conducting import Trial
from tests.sequences.trials import Begin


@pytest.fixture
def trials() -> Iterator[list[Trial]]:
    """The trials that a test has begun; after it each of their benches is ended."""
    begun: list[Trial] = []
    yield begun
    for trial in begun:
        with BenchWatch(trial.control) as watch:
            watch.end()


@pytest.fixture
def begin(tmp_path: Path, trials: list[Trial]) -> Begin:
    """Return a maker of trials, each on a bench of its own."""

    def new(scenario: str = "healthy") -> Trial:
        trials.append(Trial.new(tmp_path / f"run{len(trials)}", scenario))
        return trials[-1]

    return new
