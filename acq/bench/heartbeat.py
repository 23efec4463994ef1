"""Two processes that watch one another by beats over a pipe: a dead one, and one that hangs.

A dead process closes its end. A hanging one (stopped, swapped out, blocked) goes silent: beats
come from a thread of their own, so that a slow instrument does not silence them.
"""

from __future__ import annotations

import math
import os
import select
import threading
import time
from collections.abc import Callable

BEAT = b"."
BEAT_S = 0.5


def beat(pipe: int) -> None:
    """Beat into a pipe until nobody reads it or this process ends; in the background."""

    def go_on() -> None:
        try:
            while True:
                os.write(pipe, BEAT)
                time.sleep(BEAT_S)
        except OSError:
            return  # the other one is gone

    threading.Thread(target=go_on, name="heartbeat", daemon=True).start()


class Twin:
    """The other process, as its pipe tells of it."""

    def __init__(self, pipe: int) -> None:
        self._pipe = pipe
        self._heard_at = time.monotonic()
        self.said = b""  # its words, without the beats
        self.gone = False

    @property
    def pipes(self) -> list[int]:
        """What `select` should watch; nothing once it is gone."""
        return [] if self.gone else [self._pipe]

    @property
    def silent_s(self) -> float:
        """For how long nothing was heard, seconds."""
        self._listen()
        return time.monotonic() - self._heard_at

    def is_heard(
        self, done: Callable[[], bool], silent_s: float, patience_s: float = math.inf
    ) -> bool:
        """Wait until `done`; False when it was silent for so long, or the patience ends."""
        end = time.monotonic() + patience_s
        while True:
            silent = self.silent_s
            if done():
                return True
            if silent > silent_s or time.monotonic() > end:
                return False
            select.select(self.pipes, [], [], BEAT_S)

    def _listen(self) -> None:
        while self.pipes and select.select(self.pipes, [], [], 0)[0]:
            data = os.read(self._pipe, 4096)
            self.gone = not data
            self.said = (self.said + data.replace(BEAT, b""))[-4096:]
            self._heard_at = time.monotonic()
