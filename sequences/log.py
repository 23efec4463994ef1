"""Readings for days: signal, excitation and temperature of one cell, as fast as they come.

The readings lie in a file of blocks beside the journal; the journal notes each hour how far it
goes and its digest. A log that was killed goes on where the file ends, and the gap is marked.
"""

from __future__ import annotations

import contextlib
import math
from functools import partial
from pathlib import Path

from acq.runs.run import Run
from acq.runs.sequence import sequence
from sequences.entrance import admitted, entrance, excited
from sequences.logger import Logger
from sequences.reading_plan import LogPlan


@sequence(
    roles=("scanner", "dmm", "supply"),
    plan=LogPlan,
    plans=Path(__file__).parent / "plans",
    default_plan="log",
    optional=("second-dmm", "thermometer"),
)
def log(run: Run[LogPlan]) -> None:
    """Log the readings of a cell for hours or days."""
    plan = run.plan.log
    gate = entrance(run) if plan.excited else admitted(run)
    if not gate.is_open:
        run.withhold("log", "log", "V", gate.because)
        return
    parts = math.ceil(plan.seconds / plan.part_s - 1e-9)
    power = excited(run) if plan.excited else contextlib.nullcontext()
    with contextlib.closing(Logger(run)) as logger, power:
        for number in range(1, parts + 1):
            until_s = min(number * plan.part_s, plan.seconds)
            with run.check("log", f"part {number} of {parts}") as check:
                check.effect("log", {"until_s": until_s}, partial(logger.part, until_s))
