"""How much bench time a cell takes in a lot of 20, by the shipped plan with dwell and warm-up.

Bench time is the simulated bench's own and deterministic; hands that load the fixtures are in it.
"""

from __future__ import annotations

import json
from pathlib import Path

from acq.desk.lot_report import bench_minutes_per_cell, pieces_of
from acq.records.records import Records
from tests.bench_watch import BenchWatch
from tests.conducting import Trial

GOAL_MINUTES = 2.0


def test_a_cell_of_a_lot_of_twenty_takes_less_than_two_minutes(tmp_path: Path) -> None:
    """The outlier is held, all others are accepted."""
    trial = Trial.new(tmp_path / "run", "lot-20")
    assert trial.conduct(plan="lot", serial="EX26", sequence="lot") == 1
    with BenchWatch(trial.control) as watch:
        watch.end()
    address = f"sqlite:///{trial.folder.path / 'records.sqlite'}"
    with Records.open(address, simulated=True) as records:
        lot = records.run("run")
        pieces = pieces_of(records, lot)
    minutes = bench_minutes_per_cell(lot)
    print("\n" + json.dumps({"bench_min_per_cell": round(minutes, 3), "cells": len(pieces)}))  # noqa: T201
    assert lot.opened["plan"]["insulation"]["dwell_s"] == 60.0
    assert [piece.serial for piece in pieces if piece.proposed != "accept"] == ["EX26-13"]
    assert minutes <= GOAL_MINUTES
