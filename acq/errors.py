"""What can go wrong in a person's hands, cut by what the person can do about it.

The exit codes of every command follow from these classes, in one place: `desk.exit_codes`.
Instrument failures come from `drivers.errors`, file mistakes from `drivers.written_file`.
"""

from __future__ import annotations


class WrongInput(Exception):  # noqa: N818  (a state of the input, not of the program)
    """An argument, name, plan or script is wrong: one line that says what to do. Exit code 2."""


class BenchFailure(Exception):  # noqa: N818
    """The bench, its records or another process cannot do what is needed. Exit code 3."""


class Stopped(Exception):  # noqa: N818
    """The person stopped the run. Exit code 130."""


class Skipped(Stopped):
    """A person skips the check that is under way, with a reason; both are kept.

    A script that can go on without it catches this; from any other the run is stopped.
    """

    def __init__(self, by: str, reason: str) -> None:
        self.by, self.reason = by, reason
        super().__init__(f"skipped by {by}: {reason or 'no reason given'}")


class RepeatAsked(Exception):  # noqa: N818
    """A person wants a finished check measured again, and all that was built on it."""

    def __init__(self, check: str, by: str, reason: str) -> None:
        self.check = check
        self.because = f"repeated by {by}: {reason or 'no reason given'}"
        super().__init__(f"{check}: {self.because}")


class PauseAsked(Exception):  # noqa: N818
    """A person wants a pause while a test voltage is on: it ends now, its check begins anew."""
