"""Filters for a live reading, each with the time after which it is right again.

A filter never hides what came in: the raw reading stays in the log, the filtered one is shown. The
settling time is part of every filtered value, because a mean is wrong until its window has passed.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from dataclasses import dataclass
from typing import Protocol


class Filter(Protocol):
    """Readings in, filtered readings out. Times in seconds, values in any unit."""

    @property
    def name(self) -> str:
        """The filter as a person chooses it."""
        ...

    def add(self, time_s: float, value: float) -> float:
        """Take one reading, return the filtered one. Raises ValueError for no number."""
        ...

    def settling_s(self, interval_s: float, tolerance: float = 1e-3) -> float:
        """Seconds after a step until the output is within `tolerance` of the step of its end."""
        ...

    def restart(self) -> None:
        """Forget everything, as after a change of range or connection."""
        ...


class NoFilter:
    """Every reading as it came."""

    name = "none"

    def add(self, time_s: float, value: float) -> float:  # noqa: ARG002
        """Return the reading itself."""
        return _number(value)

    def settling_s(self, interval_s: float, tolerance: float = 1e-3) -> float:  # noqa: ARG002
        """Return 0: the newest reading is right."""
        return 0.0

    def restart(self) -> None:
        """There is nothing to forget."""


class MovingAverage:
    """Mean of the last `count` readings; of all there are until then."""

    def __init__(self, count: int) -> None:
        if count < 1:
            raise ValueError(f"a mean needs at least one reading, got {count}")
        self._window: deque[float] = deque(maxlen=count)
        self.count = count

    @property
    def name(self) -> str:
        """The filter as a person chooses it."""
        return f"mean {self.count}"

    def add(self, time_s: float, value: float) -> float:  # noqa: ARG002
        """Take one reading, return the mean. Raises ValueError for no number."""
        self._window.append(_number(value))
        return math.fsum(self._window) / len(self._window)

    def settling_s(self, interval_s: float, tolerance: float = 1e-3) -> float:
        """Seconds until enough of the window lies behind the step."""
        return math.ceil(self.count * (1.0 - tolerance) - 1e-9) * interval_s

    def restart(self) -> None:
        """Forget the window."""
        self._window.clear()


class MedianThenMean:
    """Median of the last `median` readings, then mean of the last `count` medians.

    The median takes out a spike that is shorter than half its window before the mean could
    spread it. `median` is odd.
    """

    def __init__(self, median: int, count: int) -> None:
        if median < 1 or median % 2 == 0:
            raise ValueError(f"a median needs an odd count of readings, got {median}")
        self._window: deque[float] = deque(maxlen=median)
        self._mean = MovingAverage(count)
        self.median = median

    @property
    def name(self) -> str:
        """The filter as a person chooses it."""
        return f"median {self.median} mean {self._mean.count}"

    def add(self, time_s: float, value: float) -> float:
        """Take one reading, return the mean of medians. Raises ValueError for no number."""
        self._window.append(_number(value))
        return self._mean.add(time_s, statistics.median(self._window))

    def settling_s(self, interval_s: float, tolerance: float = 1e-3) -> float:
        """Half the median's window, then the mean's."""
        return self.median // 2 * interval_s + self._mean.settling_s(interval_s, tolerance)

    def restart(self) -> None:
        """Forget both windows."""
        self._window.clear()
        self._mean.restart()


class FirstOrder:
    """A first-order lag with the time constant `tau_s`, exact for readings at any times.

    y += (1 - exp(-dt/tau)) (x - y): each reading is taken to hold since the one before.
    """

    def __init__(self, tau_s: float) -> None:
        if tau_s <= 0.0 or not math.isfinite(tau_s):
            raise ValueError(f"a time constant is needed, got {tau_s}")
        self.tau_s = tau_s
        self._last: tuple[float, float] | None = None

    @property
    def name(self) -> str:
        """The filter as a person chooses it."""
        return f"lag {self.tau_s:g} s"

    def add(self, time_s: float, value: float) -> float:
        """Take one reading, return the lagged one. Raises ValueError for no number or a time
        before the last.
        """
        _number(value)
        if self._last is None:
            self._last = (time_s, value)
            return value
        since = time_s - self._last[0]
        if since < 0.0:
            raise ValueError(f"time went backwards by {-since:g} s")
        output = self._last[1] - math.expm1(-since / self.tau_s) * (value - self._last[1])
        self._last = (time_s, output)
        return output

    def settling_s(self, interval_s: float, tolerance: float = 1e-3) -> float:
        """tau ln(1/tolerance), in whole readings."""
        ideal = self.tau_s * math.log(1.0 / tolerance)
        return math.ceil(ideal / interval_s - 1e-9) * interval_s

    def restart(self) -> None:
        """Forget the output."""
        self._last = None


def filter_named(name: str) -> Filter:
    """Return the filter called "none", "mean 8", "median 5 mean 8" or "lag 2 s".

    Raises ValueError that lists these.
    """
    words = name.lower().replace("first order", "lag").split()
    try:
        match words:
            case ["none"] | []:
                return NoFilter()
            case ["mean", count]:
                return MovingAverage(int(count))
            case ["median", median, "mean", count]:
                return MedianThenMean(int(median), int(count))
            case ["median", median]:
                return MedianThenMean(int(median), 1)
            case ["lag", tau] | ["lag", tau, "s"]:
                return FirstOrder(float(tau))
    except ValueError as error:
        raise ValueError(f"filter {name!r}: {error}") from None
    raise ValueError(
        f"no filter {name!r}; there are: none, mean 8, median 5 mean 8, lag 2 s (any numbers)"
    )


@dataclass(frozen=True, slots=True)
class Filtered:
    """A filtered reading. `settles_in_s` is 0 when it may be believed."""

    value: float
    raw: float
    settles_in_s: float

    @property
    def settled(self) -> bool:
        """Tell whether the filter has seen nothing but the present state."""
        return self.settles_in_s <= 0.0


class Settled:
    """A filter that also tells when its output is right again after a step of the input.

    A step is an input that differs by more than `step` from the output, twice running: one
    such reading alone is a spike.
    """

    def __init__(self, filter_: Filter, step: float, tolerance: float = 1e-3) -> None:
        if step <= 0.0:
            raise ValueError(f"the size of a step is needed, got {step}")
        self._filter, self._step, self._tolerance = filter_, step, tolerance
        self._previous: float | None = None
        self._intervals: deque[float] = deque(maxlen=5)
        self._since = 0.0
        self._far = 0

    @property
    def name(self) -> str:
        """The name of the filter inside."""
        return self._filter.name

    def add(self, time_s: float, value: float) -> Filtered:
        """Take one reading; return the filtered one and how long it still settles."""
        if self._previous is None:
            self._since = time_s
        else:
            self._intervals.append(time_s - self._previous)
        before = self._previous
        self._previous = time_s
        output = self._filter.add(time_s, value)
        if abs(value - output) > self._step:
            self._far += 1
            if self._far == 2:
                self._since = before if before is not None else time_s
        else:
            self._far = 0
        # the usual interval: one pause, as for a reading of something else, is none of its pace
        interval = statistics.median(self._intervals) if self._intervals else 0.0
        whole = self._filter.settling_s(interval or 1e-9, self._tolerance)
        # a window that is one reading long is full with that reading
        left = self._since + whole - interval - time_s
        return Filtered(output, value, max(left, 0.0) if left > 1e-9 else 0.0)

    def restart(self) -> None:
        """Forget everything."""
        self._filter.restart()
        self._intervals.clear()
        self._previous, self._since, self._far = None, 0.0, 0


def _number(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"only numbers can be filtered, got {value}")
    return value
