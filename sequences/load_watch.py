"""Sees by the output alone that a load came, whether it is the right one, and when it stands.

Pure: fed with readings, it says why it still waits. Nobody needs to press a key with a weight
in the hands.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from typing import Any

from acq.readings.reading import Reading
from sequences.load_plan import Watching

_LONG_NS = 20_000_000_000
_STILL_SHARE = 1e-4  # of full output: what stands still where no step is expected


class LoadWatch:
    """Watches one change of load; outputs in V, loads as shares of the capacity.

    `before_volts` is the output before the step (None: not known, then only rest is awaited),
    `step_volts` what the step should give, `full_volts` what the capacity gives.
    """

    def __init__(
        self,
        plan: Watching,
        *,
        what: str,
        before_volts: float | None,
        step_volts: float,
        full_volts: float,
    ) -> None:
        self.every_s = plan.every_s
        self.because = f"waiting for the load: {what}"
        self._plan, self._what = plan, what
        self._before, self._step, self._full = before_volts, step_volts, abs(full_volts)
        self._awaited = before_volts is not None and abs(step_volts) > 0.0
        self._quiet_ns: int | None = None
        self._begun_ns: int | None = None
        self._started_ns: int | None = None
        self._last: deque[tuple[int, float]] = deque()
        self._extreme = -math.inf
        self._outcome = ""
        self._level = math.nan
        self._ended_ns = 0
        self._count = 0

    def see(self, reading: Reading) -> bool:
        """Take one reading; true when the load stands, or nothing came within the patience."""
        self._count += 1
        self._ended_ns = reading.ended_ns
        middle_ns = (reading.started_ns + reading.ended_ns) // 2
        self._begun_ns = middle_ns if self._begun_ns is None else self._begun_ns
        if reading.value is None:
            self.because = "the signal is over range"
            return self._too_long(middle_ns, "over range")
        if self._started_ns is None and not self._has_started(middle_ns, reading.value):
            return self._too_long(middle_ns, "nothing came")
        return self._settled(middle_ns, reading.value) or self._too_long(middle_ns, "not at rest")

    def seen(self) -> Mapping[str, Any]:
        """Return how it came out; times are bench time in ns."""
        return {
            "outcome": self._outcome,
            "started_ns": self._started_ns,
            "ended_ns": self._ended_ns,
            "volts": None if math.isnan(self._level) else self._level,
            "overshoot": None if math.isinf(self._extreme) else self._overshoot(),
            "readings": self._count,
        }

    def as_json(self) -> Mapping[str, Any]:
        return {"what": self._what, "before": self._before, "step": self._step}

    def _has_started(self, at_ns: int, volts: float) -> bool:
        if not self._awaited:
            self._started_ns = at_ns
            return True
        assert self._before is not None
        if abs(volts - self._before) > self._plan.started_share * abs(self._step):
            # between the last look before it and this one
            self._started_ns = at_ns if self._quiet_ns is None else (self._quiet_ns + at_ns) // 2
            return True
        self._quiet_ns = at_ns
        return False

    def _settled(self, at_ns: int, volts: float) -> bool:
        self._last.append((at_ns, volts))
        while self._last[-1][0] - self._last[0][0] > self._plan.settled_s * 1e9 * (1 + 1e-9):
            self._last.popleft()
        self._extreme = max(self._extreme, volts * self._sign)
        values = [each for _, each in self._last]
        spread = max(values) - min(values)
        allowed = max(self._plan.settled_share * abs(self._step), _STILL_SHARE * self._full)
        enough = self._last[-1][0] - self._last[0][0] >= 0.6 * self._plan.settled_s * 1e9
        if enough and len(values) >= 3 and spread <= allowed:
            self._level, self._outcome = sum(values) / len(values), "at rest"
            return True
        self.because = self._why(at_ns, 100.0 * spread / self._full)
        return False

    def _why(self, at_ns: int, moving_percent: float) -> str:
        """Say why it still waits; with the figure only where the wait has become long."""
        assert self._started_ns is not None
        if at_ns - self._started_ns < _LONG_NS:
            return "the load has come and swings; it must come to rest"
        share = 0.01 if moving_percent < 0.1 else 0.1 if moving_percent < 1.0 else 1.0
        return (
            f"the load still moves, by more than {share:g} % of full output in"
            f" {self._plan.settled_s:g} s: does it swing, or does somebody touch it?"
        )

    def _too_long(self, at_ns: int, outcome: str) -> bool:
        assert self._begun_ns is not None
        if at_ns - self._begun_ns < self._plan.patience_s * 1e9:
            return False
        self._outcome = outcome
        if self._last:
            self._level = sum(each for _, each in self._last) / len(self._last)
        return True

    @property
    def _sign(self) -> float:
        return math.copysign(1.0, self._step) if self._step else 1.0

    def _overshoot(self) -> float:
        """How far the load went beyond where it came to rest, in volts; never negative."""
        level = self._level if not math.isnan(self._level) else self._extreme * self._sign
        return max(0.0, self._extreme - level * self._sign)
