"""What every command tells the shell, and which word wins when several hold."""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of every command."""

    DONE = 0
    FAILED = 1  # a finding fails or conditionally fails
    WRONG_INPUT = 2  # input, file or script
    BENCH = 3  # bench, instrument or records
    UNDECIDED = 4  # something is undecided or withheld
    OUR_BUG = 5  # a report file is named
    STOPPED = 130  # by the person


PRECEDENCE = (
    ExitCode.STOPPED,
    ExitCode.OUR_BUG,
    ExitCode.BENCH,
    ExitCode.WRONG_INPUT,
    ExitCode.FAILED,
    ExitCode.UNDECIDED,
    ExitCode.DONE,
)


def worst(codes: Iterable[ExitCode]) -> ExitCode:
    """Return the code that wins; DONE when there are none."""
    return min(codes, key=PRECEDENCE.index, default=ExitCode.DONE)
