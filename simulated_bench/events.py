"""Bench time: an event queue in integer nanoseconds. Nothing else moves the clock."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Generator

NS = 1_000_000_000

Action = Callable[[], None]
Steps = Generator[int, None, None]
"""A process: each value that it yields is a wait in nanoseconds."""


def nanoseconds(seconds: float) -> int:
    """Return whole nanoseconds, the nearest."""
    return round(seconds * NS)


class Events:
    """What will happen, in order of time and, within one instant, in order of booking."""

    def __init__(self) -> None:
        self.now = 0
        self.nobody_until = 0
        """Nobody looks at anything before this instant: a leader just waits until then."""
        self._queue: list[tuple[int, int, Action]] = []
        self._booked = 0

    def at(self, when: int, action: Action) -> None:
        """Book an action; one in the past happens at the present instant."""
        heapq.heappush(self._queue, (max(when, self.now), self._booked, action))
        self._booked += 1

    def after(self, wait: int, action: Action) -> None:
        """Book an action `wait` nanoseconds from now."""
        self.at(self.now + wait, action)

    def unwatched(self, margin: int, grid: int) -> int:
        """Return how long nobody looks, less a margin, in whole steps of a grid (ns)."""
        return max(0, (self.nobody_until - self.now - margin) // grid * grid)

    def next_at(self) -> int | None:
        """Return when the next action is due, None when nothing is booked."""
        return self._queue[0][0] if self._queue else None

    def run(self, until: int, stop: Callable[[], bool] = bool) -> None:
        """Let everything happen up to and including `until`, or until `stop` says so."""
        while self._queue and self._queue[0][0] <= until:
            self.now, _, action = heapq.heappop(self._queue)
            action()
            if stop():
                return
        self.now = max(self.now, until)


class Process:
    """Steps that take bench time; cancelling one leaves its booked wake-up without effect."""

    def __init__(self, events: Events, steps: Steps) -> None:
        self._events = events
        self._steps = steps
        self._inside = False
        self.running = True
        self._advance()

    def cancel(self) -> None:
        """End the process where it stands; one that cancels itself ends at its next wait."""
        if self.running:
            self.running = False
            if not self._inside:
                self._steps.close()

    def _advance(self) -> None:
        if not self.running:
            return
        self._inside = True
        try:
            wait = next(self._steps)
        except StopIteration:
            self.running = False
            return
        finally:
            self._inside = False
        if self._cancelled():
            self._steps.close()
        else:
            self._events.after(wait, self._advance)

    def _cancelled(self) -> bool:
        return not self.running
