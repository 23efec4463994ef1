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
