"""Trials for the tests of sequences, and how to read what they left."""

from __future__ import annotations

from collections.abc import Callable

from acq.runs.journal import Line, read_journal
from tests.conducting import Trial

Begin = Callable[..., Trial]
"""Begins a trial on a bench of its own, of a scenario: the fixture `begin`."""


def lines_of(trial: Trial) -> list[Line]:
    """Return the lines of its journal."""
    return read_journal(trial.folder.journal)[0]
