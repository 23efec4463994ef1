"""A wait on a terminal counts down while the run itself is busy waiting."""

from __future__ import annotations

from io import StringIO

from rich.console import Console

from acq.desk.live_view import Countdown


def test_the_seconds_run_down_each_time_the_line_is_drawn() -> None:
    now = [100.0]
    line = Countdown("run 1, point 2: read 30 s after the load began", 24.0, lambda: now[0])
    out = Console(file=StringIO(), width=100)
    shown = []
    for now[0] in (100.0, 113.2, 130.0):
        with out.capture() as captured:
            out.print(line)
        shown.append(captured.get().strip().rpartition(": ")[2])
    assert shown == ["24 s", "11 s", "0 s"]
