"""Whose clock the drivers obey: the wall's on a real bench, the simulator's in a stepped run.

Every deadline in this package is a `now_ns()` value of one of these clocks, so that the same
driver waits for copper or for an event queue without knowing which.
"""

from __future__ import annotations

import time
from typing import Protocol


class Time(Protocol):
    """What a wire asks of the bench's clock."""

    def now_ns(self) -> int:
        """Return bench time in ns; only differences and deadlines mean anything here."""
        ...

    def wait(self, seconds: float) -> None:
        """Let bench time pass."""
        ...

    def opened(self, wire: str, local_port: int | None) -> None:
        """Say that a connection stands, told apart by its local TCP port; None: a serial line."""
        ...

    def sent(self, wire: str, count: int) -> None:
        """Say that `count` bytes were written to that wire."""
        ...

    def arrived(self, wire: str, have: int, deadline_ns: int) -> int | None:
        """Return how many bytes this connection has been sent so far: more than `have`.

        None: this clock cannot know, the operating system must be asked until the deadline.
        Raises TimeoutError when nothing came in time, ConnectionError when the peer is gone.
        """
        ...


class WallTime:
    """The clock of a real bench: monotonic, set to UTC when it is made."""

    def __init__(self) -> None:
        self._offset_ns = time.time_ns() - time.monotonic_ns()

    def now_ns(self) -> int:
        return time.monotonic_ns() + self._offset_ns

    def wait(self, seconds: float) -> None:
        time.sleep(max(0.0, seconds))

    def opened(self, wire: str, local_port: int | None) -> None:
        """Nothing to tell: on a real bench nobody counts."""

    def sent(self, wire: str, count: int) -> None:
        """Nothing to tell: bytes travel by themselves."""

    def arrived(self, wire: str, have: int, deadline_ns: int) -> int | None:  # noqa: ARG002
        return None
