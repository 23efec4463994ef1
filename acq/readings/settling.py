"""When a reading may be taken: by a criterion on slope and spread, never by a fixed delay.

Stable means that over the whole window the fitted slope times the window, and the spread of
what is left, are both within their limits. A value that never changes its last digit is not
stable but frozen: a dead converter or a dead link looks just like it.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Literal

State = Literal["too few", "drifting", "scattering", "frozen", "stable"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StableCriterion:
    """What "stable" means, in the unit of the values.

    `drift` is the largest change over the window that the fitted line may show, `spread` the
    largest distance between extremes about that line. `frozen_after_s` of one and the same raw
    text mean frozen; None for an instrument whose last digit is coarser than its noise.
    """

    window_s: float
    drift: float
    spread: float
    minimum_readings: int = 5
    frozen_after_s: float | None = None

    def __post_init__(self) -> None:
        if self.window_s <= 0.0 or self.minimum_readings < 3:
            raise ValueError("a stable criterion needs a window and at least 3 readings in it")


@dataclass(frozen=True, slots=True)
class Stability:
    """The judgement of the newest window; `slope` in units per second."""

    state: State
    slope: float
    spread: float
    readings: int
    because: str

    @property
    def stable(self) -> bool:
        """Tell whether a reading may be taken now."""
        return self.state == "stable"


class Settling:
    """Readings as they come in; memory holds one window, however long it takes."""

    def __init__(self, criterion: StableCriterion) -> None:
        self._criterion = criterion
        self._window: deque[tuple[float, float]] = deque()
        self._raw: str | None = None
        self._same_since = 0.0
        self._same = 0

    def add(self, time_s: float, value: float, raw: str | None = None) -> Stability:
        """Take one reading (seconds of bench time, value, raw text) and judge the window.

        Raises ValueError when time goes backwards or the value is not finite.
        """
        if not math.isfinite(value):
            raise ValueError(f"only numbers settle, got {value}")
        if self._window and time_s < self._window[-1][0]:
            raise ValueError(f"time went backwards: {time_s} after {self._window[-1][0]}")
        text = repr(value) if raw is None else raw
        if text != self._raw:
            self._raw, self._same_since, self._same = text, time_s, 0
        self._same += 1
        self._window.append((time_s, value))
        self._forget(time_s)
        return self._judge(time_s)

    def restart(self) -> None:
        """Forget everything, after a change of range, polarity or connection."""
        self._window.clear()
        self._raw, self._same = None, 0

    def _forget(self, now: float) -> None:
        # one reading older than the window stays, so that the window is known to be full
        # (and a reading as old as the window stays out, wherever rounding puts it)
        start = now - self._criterion.window_s * (1.0 - 1e-9)
        while len(self._window) > 1 and self._window[1][0] <= start:
            self._window.popleft()

    def _frozen(self, same_for_s: float) -> bool:
        limit = self._criterion.frozen_after_s
        enough = self._same >= self._criterion.minimum_readings
        return limit is not None and same_for_s >= limit and enough

    def _judge(self, now: float) -> Stability:
        criterion, count = self._criterion, len(self._window)
        age = now - self._window[0][0]
        slope, spread = _line(self._window)
        frozen_s = now - self._same_since
        if self._frozen(frozen_s):
            because = f"the same digits for {frozen_s:.3g} s: the reading is frozen"
            return Stability("frozen", slope, spread, count, because)
        if age < criterion.window_s * (1.0 - 1e-9) or count < criterion.minimum_readings:
            because = f"{count} readings in {age:.3g} s of {criterion.window_s:.3g} s"
            return Stability("too few", slope, spread, count, because)
        drift = abs(slope) * criterion.window_s
        if drift > criterion.drift:
            because = (
                f"drifts {drift:.3g} in {criterion.window_s:.3g} s, {criterion.drift:.3g} allowed"
            )
            return Stability("drifting", slope, spread, count, because)
        if spread > criterion.spread:
            because = f"scatters over {spread:.3g}, {criterion.spread:.3g} allowed"
            return Stability("scattering", slope, spread, count, because)
        because = f"drift {drift:.3g} and spread {spread:.3g} in {criterion.window_s:.3g} s"
        return Stability("stable", slope, spread, count, because)


def assess(readings: list[tuple[float, float]], criterion: StableCriterion) -> Stability:
    """Judge a finished record of (seconds, value) by its last window; ValueError when empty."""
    settling = Settling(criterion)
    result: Stability | None = None
    for time_s, value in readings:
        result = settling.add(time_s, value)
    if result is None:
        raise ValueError("no readings")
    return result


def _line(window: deque[tuple[float, float]]) -> tuple[float, float]:
    """Return (slope, spread about the line) by least squares; times are centred first."""
    count = len(window)
    mean_t = math.fsum(t for t, _ in window) / count
    mean_y = math.fsum(y for _, y in window) / count
    sxx = math.fsum((t - mean_t) ** 2 for t, _ in window)
    sxy = math.fsum((t - mean_t) * (y - mean_y) for t, y in window)
    slope = sxy / sxx if sxx else 0.0
    rest = [y - mean_y - slope * (t - mean_t) for t, y in window]
    return slope, max(rest) - min(rest)
