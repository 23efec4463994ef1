"""Sees by the meter that a clip was moved: open while it is in the air, then steady again."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

STEADY_READINGS = 4
STEADY_SHARE = 1e-3  # of the reading, with
STEADY_OHMS = 0.02  # beside it: a hand that still holds the clip makes more
OPEN_OHMS = 1e6  # a cell's leads are far below it


class OpenThenSteady:
    """Asked again and again, it reads ohms; true once the leads were open and are steady since.

    A lead that is broken stays open: then a person says that the clip was moved.
    """

    def __init__(self, read_ohms: Callable[[], float | None]) -> None:
        """`read_ohms` returns one reading, None for over range."""
        self._read = read_ohms
        self._was_open = False
        self._newest: deque[float] = deque(maxlen=STEADY_READINGS)

    def __call__(self) -> bool:
        ohms = self._read()
        if ohms is None or abs(ohms) > OPEN_OHMS:
            self._was_open = True
            self._newest.clear()
            return False
        if not self._was_open:
            return False
        self._newest.append(ohms)
        return len(self._newest) == STEADY_READINGS and self._steady()

    def _steady(self) -> bool:
        spread = max(self._newest) - min(self._newest)
        return spread <= STEADY_OHMS + STEADY_SHARE * abs(self._newest[-1])
