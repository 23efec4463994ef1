"""From a reading to the screen, against the interval of the readings."""

from __future__ import annotations

from collections import deque
from io import StringIO
from statistics import median
from time import perf_counter, process_time

from rich.console import Console

from acq.analysis.weighing import Papers, Scale
from acq.desk.live_desk import ScreenDesk
from acq.desk.weighing_view import page
from tests.acq.analysis.test_weighing import RULES, ratio_of
from tests.acq.desk.test_live_desk import picture

INTERVAL_S = 0.0455  # one power line cycle with automatic zero on the simulated meter, all told


def reading_to_screen_s() -> float:
    """Return the processor time from a reading to its page, the median of 200."""
    scale = Scale(Papers(capacity=500.0, unit="kg", rated_output=2e-3, zero=0.0), RULES, "mean 8")
    console = Console(width=100, height=30, file=StringIO(), force_terminal=True)
    spent: list[float] = []
    for k in range(200):
        start = process_time()
        scale.add(k * INTERVAL_S, ratio_of(100.0 + k), f"{k}")
        console.print(page({**picture(None), **scale.picture()}, 100))
        spent.append(process_time() - start)
    return median(spent)


def test_a_reading_is_on_the_screen_before_the_next_one_comes() -> None:
    seconds = reading_to_screen_s()
    share = seconds / INTERVAL_S
    print(f"reading to screen: {1e3 * seconds:.2f} ms, {share:.2f} of the interval")  # noqa: T201
    assert share < 0.5


def test_looking_for_orders_costs_next_to_nothing() -> None:
    desk = ScreenDesk(deque(), "x", Console(file=StringIO()), keyboard=0)
    start = perf_counter()
    for _ in range(1000):
        assert desk.order() is None
    assert perf_counter() - start < 1000 * INTERVAL_S / 20
