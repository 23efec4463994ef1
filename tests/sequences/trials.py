"""Trials for the tests of sequences, and how to read what they left."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from acq.runs.journal import Line, read_journal
from tests.conducting import Trial

Begin = Callable[..., Trial]
"""Begins a trial on a bench of its own, of a scenario: the fixture `begin`."""


def lines_of(trial: Trial) -> list[Line]:
    """Return the lines of its journal."""
    return read_journal(trial.folder.journal)[0]


def stricter(plan: Path, folder: Path) -> Path:
    """Write a plan that allows 50.0 V and nothing else: that of seed 6 applies 50.4 V."""
    strict = folder / "stricter.toml"
    shares = "[insulation]\nlowest_volts_share = 1.0\nhighest_volts_share = 1.0\n"
    strict.write_text(plan.read_text(encoding="utf-8").replace("[insulation]\n", shares))
    return strict
