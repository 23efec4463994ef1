"""How a run ends: signals while it goes on, and the exit code that its findings make."""

from __future__ import annotations

import signal
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from types import FrameType

from acq.desk.exit_codes import ExitCode
from acq.errors import Stopped
from acq.readings.conformity import Conformity

# worst first
_WORST = (
    Conformity.FAIL,
    Conformity.CONDITIONAL_FAIL,
    Conformity.UNDECIDED,
    Conformity.WITHHELD,
    Conformity.CONDITIONAL_PASS,
    Conformity.PASS,
)
_STOPPING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def worst_conformity(conformities: Iterable[Conformity]) -> Conformity | None:
    """Return the statement that speaks for the whole run; None when nothing was stated."""
    return min(conformities, key=_WORST.index, default=None)


@contextmanager
def stopping_once() -> Iterator[None]:
    """Raise Stopped at the first Ctrl-C (or TERM, or a closed terminal) and ignore all others.

    Whoever presses it ten times in anger must not break the switching off that the first began.
    """

    def stop(number: int, frame: FrameType | None) -> None:  # noqa: ARG001
        for each in _STOPPING:
            signal.signal(each, signal.SIG_IGN)
        raise Stopped(f"stopped by {signal.Signals(number).name}")

    before = {number: signal.signal(number, stop) for number in _STOPPING}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def exit_code_of(conformities: Iterable[Conformity]) -> ExitCode:
    """Return what the findings of a finished run tell the shell."""
    word = worst_conformity(conformities)
    if word is None or word.accepted:
        return ExitCode.DONE
    return ExitCode.FAILED if word.rejected else ExitCode.UNDECIDED
