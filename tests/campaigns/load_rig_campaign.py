"""Seeded cells through the sequence `load-series`: bias and coverage against truth.

    nice -n 19 python -m tests.campaigns.load_rig_campaign            writes the table
    nice -n 19 python -m tests.campaigns.load_rig_campaign 20 0       20 cells from seed 0, printed
    python -m tests.campaigns.load_rig_campaign table                 from the cells that were kept

Every cell has its own rated output, zero, non-linearity, hysteresis and creep, every bench its own
meter, relays and weights. The whole way is gone: prompts, watched loads, relays, meters, journal.

Truth is what an ideal instrument would have read of the same cell under the same loads in the same
windows: the simulated cell alone, without repeatability, with weights as their certificate says,
taken along the journal's own times, and put through the same formulas. So creep between two
readings and the warmth of the cell are part of the truth, and what is tested are the errors that
the uncertainty claims to hold: meter, relays, weights, seating, noise, the swing of the loads.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from acq.analysis.creep import CreepReading, creep_record, creep_results
from acq.analysis.load_results import load_results
from acq.analysis.load_series import Direction, LoadReading, load_series
from acq.analysis.propagation import Result
from acq.errors import BenchFailure, WrongInput
from acq.runs.journal import read_journal
from acq.runs.sequence import find_sequence
from simulated_bench.on_the_bench import CellOnBench
from simulated_bench.scenario import checked
from tests.bench_watch import BenchWatch
from tests.campaigns.load_series_campaign import Tallies, Tally
from tests.conducting import Trial

CELLS, CPU_MINUTES = 200, 58.0
FIRST_SEED = 20260302
TABLE = Path(__file__).with_name("load_rig_table.md")
PLAN = Path(__file__).with_name("load_rig_plan.toml")
CAPACITY = 500.0
NS = 1e9
HEATING = ("excitation normal at 10", "excitation reversed at 10")


def scenario_text(seed: int) -> str:
    """Return the scenario of one cell: its own shape, drawn from the seed."""
    rng = np.random.default_rng([seed, 7])
    sign = rng.choice([-1.0, 1.0], size=3)
    bent, loop, creep = sign * rng.uniform([0.005, 0.005, 0.005], [0.02, 0.02, 0.02])
    zero = rng.uniform(-0.01, 0.01)
    rated = 2.0 * (1 + rng.uniform(-1e-3, 1e-3))
    return f"""
seed = {seed}
[cell]
zero_mv_v = {zero:.6f}
rated_output_mv_v = {rated:.6f}
[rig]
swing_hertz = {rng.uniform(0.5, 1.0):.4f}
[[fault]]
kind = "response"
nonlinearity_percent = {bent:.6f}
hysteresis_percent = {loop:.6f}
creep_percent = {creep:.6f}
"""


class Truth:
    """The simulated cell alone, led along the times of a journal."""

    def __init__(
        self, table_: dict[str, Any], seed: int, excited_watts: float, swing: float = 0.0
    ) -> None:
        scenario = checked("campaign", table_)
        exact_rig = scenario.rig.model_copy(update={"errors": 0.0, "swing": swing})
        exact = scenario.model_copy(update={"rig": exact_rig})
        self.cell = CellOnBench(exact, seed)
        self.live = self.cell.live
        self.live.become(replace(self.live.mechanics.response, repeatability=0.0))
        self._excited = excited_watts

    def go(self, at_ns: int) -> None:
        left = at_ns / NS - self.live.seconds
        if left > 0:
            self.live.advance(left)

    def load(self, kilograms: float) -> None:
        self.live.load(self.cell.loading.newtons(kilograms))

    def excite(self, *, on: bool) -> None:
        self.live.watts = self._excited if on else 0.0

    def mean(self, until_ns: int) -> float:
        """Return the mean output from now until then, V/V, without moving."""
        live, seconds = self.live, until_ns / NS - self.live.seconds
        room = live.room.temperature(live.seconds)
        body = live._body.mean_level(seconds, live._heated(room))
        change = live._unbalance(seconds, body, room.mean(seconds))
        warmer = body - live.description.reference_celsius
        return change / live._compensated(warmer) * live._scale + live._resting


def true_outputs(lines: list[dict[str, Any]], truth: Truth) -> dict[int, float]:
    """Return the true output of every signal reading, by its start."""
    events: list[tuple[int, int, dict[str, Any]]] = []
    before = 0
    for line in lines:
        at, before = before, line.get("t", before)
        if line["what"] == "state" and line["state"].startswith(HEATING):
            on = line["to"] == "on"  # told when it is proven; it went off when it was told to
            events.append((line["t"] if on else at, 0, {"on": on}))
        if line["what"] != "effect":
            continue
        if line["kind"] in ("tell", "ask") and (line["ask"] or {}).get("load"):
            events.append((line["t"], 1, {"load": line["ask"]["load"]["kilograms"]}))
        if line["kind"] == "read" and line["ask"]["at"].endswith("volts S+ S-"):
            events.append((line["got"]["started_ns"], 2, line["got"]))
    found: dict[int, float] = {}
    for at_ns, _, event in sorted(events, key=lambda each: each[:2]):
        truth.go(at_ns)
        if "on" in event:
            truth.excite(on=event["on"])
        elif "load" in event:
            truth.load(event["load"])
        else:
            # the meter integrates after its settling: ten power line cycles, at the end
            begun = event["ended_ns"] - round(0.2 * NS) - round(1e-3 * NS)
            truth.go(max(begun, at_ns))
            found[event["started_ns"]] = truth.mean(event["ended_ns"] - round(1e-3 * NS))
    return found


def points_of(lines: list[dict[str, Any]], outputs: dict[int, float]) -> Iterator[tuple[str, Any]]:
    """Yield (name of the run or `creep`, [(kept row, true output)]) of every kept load table."""
    for place, line in enumerate(lines):
        if line["what"] != "effect" or line["kind"] != "loads":
            continue
        check = line["check"]
        groups: list[list[int]] = []
        following = False
        for each in lines[:place]:
            if each["what"] != "effect" or each["check"] != check or each["kind"] != "read":
                following = following and each["what"] != "effect"
                continue
            if not each["ask"]["at"].endswith("volts S+ S-"):
                following = False
                continue
            if not following:
                groups.append([])
            groups[-1].append(each["got"]["started_ns"])
            following = True
        true = [float(np.mean([outputs[start] for start in group])) for group in groups]
        yield line["ask"], list(zip(line["got"], true, strict=True))


def compare(lines: list[dict[str, Any]], truth: Truth) -> dict[str, tuple[float, float, float]]:
    """Return (value, U, truth) of every figure of one run."""
    outputs = true_outputs(lines, truth)
    readings: list[LoadReading] = []
    creep: list[CreepReading] = []
    for name, rows in points_of(lines, outputs):
        for row, true in rows:
            if name == "creep":
                creep.append(CreepReading(time_s=row["seconds"], load=row["load"], output=true))
            else:
                readings.append(
                    LoadReading(
                        run=int(name.removeprefix("run ")),
                        direction=Direction(row["direction"]),
                        load=row["load"],
                        output=true,
                    )
                )
    exact = load_results(load_series(readings), capacity=CAPACITY)
    held = creep_results(creep_record(creep))
    found = {
        line["got"]["name"]: (line["got"]["value"], line["got"]["expanded_uncertainty"])
        for line in lines
        if line["what"] == "effect" and line["kind"] == "finding"
    }
    truths: dict[str, Result | None] = {
        "rated output": exact.rated_output,
        "zero at the rig": exact.zero_balance,
        "zero return": exact.zero_return,
        "non-linearity (terminal line)": exact.non_linearity,
        "hysteresis": exact.hysteresis,
        "combined error (terminal line)": exact.combined_error,
        "creep, 30 min": held.creep_30_min,
        "creep, 20 to 30 min": held.creep_20_to_30_min,
        "minimum dead load output return": held.minimum_load_return,
        "recovery, 30 min": held.recovery_30_min,
    }
    return {
        name: (_size(name, found[name][0]), found[name][1], _size(name, result.value))
        for name, result in truths.items()
        if result is not None
    }


def _size(name: str, value: float) -> float:
    """Of a largest deviation only the size: on which branch it lies may hang on the last digit."""
    return abs(value) if name.startswith(("non-linearity", "hysteresis", "combined")) else value


def one_cell(seed: int) -> dict[str, tuple[float, float, float]]:
    """Run the sequence on one cell and compare; an empty result is a run that did not end."""
    import tomllib

    with tempfile.TemporaryDirectory(prefix="rig-") as name:
        path = Path(name) / "cell.toml"
        path.write_text(scenario_text(seed), encoding="utf-8")
        try:
            trial = Trial.new(Path(name) / "run", str(path))
        except (BenchFailure, WrongInput):
            return {}
        try:
            code = trial.conduct(plan=str(PLAN), sequence="load-series")
        finally:
            with BenchWatch(trial.control) as watch:
                watch.end()
        if code not in (0, 1, 4):
            return {}
        lines = [dict(line.content) for line in read_journal(trial.folder.journal)[0]]
        for line, kept in zip(lines, read_journal(trial.folder.journal)[0], strict=True):
            line["what"] = kept.what
        table_ = tomllib.loads(path.read_text(encoding="utf-8"))
        return compare(lines, Truth(table_, seed, 10.0**2 / 385.1))


def tallied(found: list[dict[str, tuple[float, float, float]]]) -> Tallies:
    tallies: Tallies = defaultdict(Tally)
    for cell in found:
        for name, (value, U, true) in cell.items():
            tallies[name].errors.append(value - true)
            tallies[name].expanded.append(U)
    return tallies


def timed_cell(seed: int) -> tuple[dict[str, tuple[float, float, float]], float]:
    """Return what one cell gave, and the CPU seconds that it took, its simulator's included."""
    before = sum(os.times()[:4])
    found = one_cell(seed)
    return found, sum(os.times()[:4]) - before


def cells_of(
    seeds: Iterable[int], cpu_s: float, kept: Path | None = None
) -> list[dict[str, tuple[float, float, float]]]:
    """Return what cells gave, until they are done, so much CPU time is spent, or Ctrl-C.

    Each is added to the file `kept` as a line of JSON as soon as it ended.
    """
    find_sequence("load-series")  # loaded once, before the children are forked
    found: list[dict[str, tuple[float, float, float]]] = []
    left = cpu_s
    with (
        contextlib.suppress(KeyboardInterrupt),
        multiprocessing.get_context("fork").Pool(2, maxtasksperchild=20) as pool,
    ):
        for pair in batched(seeds, 2):
            for cell, spent in pool.map(timed_cell, pair, chunksize=1):
                found.append(cell)
                left -= spent
                if kept is not None:  # a campaign that is cut off has not been for nothing
                    with kept.open("a", encoding="utf-8") as file:
                        file.write(json.dumps(cell) + "\n")
            if left <= 0.0:
                break
    return found


def kept_cells(path: Path) -> list[dict[str, tuple[float, float, float]]]:
    """Return the cells of a campaign, the one that was cut off too."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return [
        {name: (value, U, true) for name, (value, U, true) in json.loads(line).items()}
        for line in lines
    ]


def spread_table(tallies: Tallies) -> str:
    """Return the tallies as a table that says how large the errors were of what was stated."""
    rows = [
        "| figure | cells | bias | bias / its own error | median U | errors, rms, of U / 2 |"
        " coverage of U (95 %) |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, tally in tallies.items():
        of_stated = 2.0 * np.array(tally.errors) / np.array(tally.expanded)
        rows.append(
            f"| {name} | {len(tally.errors)} | {tally.bias:+.2e} | "
            f"{tally.bias / tally.bias_error:+.1f} | {tally.typical:.2e} | "
            f"{float(np.sqrt(np.mean(of_stated**2))):.2f} | {100 * tally.coverage:.1f} % |"
        )
    return "\n".join(rows)


def main(arguments: list[str]) -> None:
    kept = TABLE.with_suffix(".jsonl")
    if arguments == ["table"]:
        _write(kept_cells(kept))
        return
    count = int(arguments[0]) if arguments else CELLS
    first = int(arguments[1]) if len(arguments) > 1 else FIRST_SEED
    if not arguments:
        kept.unlink(missing_ok=True)
    seeds = range(first, first + count)
    found = cells_of(seeds, 60.0 * CPU_MINUTES, None if arguments else kept)
    sys.stdout.write(spread_table(tallied([cell for cell in found if cell])) + "\n")
    if not arguments:
        _write(found)


def _write(found: list[dict[str, tuple[float, float, float]]]) -> None:
    whole = [cell for cell in found if cell]
    text = HEADING.format(whole=len(whole), all=len(found)) + spread_table(tallied(whole)) + "\n"
    TABLE.write_text(text, "utf-8")


def batched(seeds: Iterable[int], size: int) -> Iterator[list[int]]:
    left = list(seeds)
    for place in range(0, len(left), size):
        yield left[place : place + size]


HEADING = f"""# Bias and coverage of load series and creep at the simulated rig

Written by `nice -n 19 python -m tests.campaigns.load_rig_campaign`: {{all}} seeded cells, seeds
from {FIRST_SEED} on, as many of {CELLS} as there was time for; {{whole}} of them ended. Truth as
the head of that file says. Outputs in V/V, the others are fractions (of the rated output; creep of
the applied output).

The simulator draws errors flat inside the limits that the bench file states, its meter bends
smoothly, its weights hang plumb, and no joint's EMF drifts where the plan allows 1 uV. So intervals
led by such a limit hold the truth nearly always, as limits of error are to be read (GUM 4.3.7): the
meter's gain and the load's alignment in the rated output, the meter's offset in the zero, its
linearity in non-linearity and combined error, the EMF in creep, return and recovery. Zero return is
led by a scatter that is pooled over all loads, while swing and seating, which grow with the load,
leave zeros alone. Hysteresis is led by scatter of its own size: there 95 % is asked. As the largest
of several points, it, non-linearity and combined error are biased towards larger sizes by part of
that scatter. Where errors are as large as the budget says, `load_path_table.md` tells whether U
holds them in 95 %.

"""

if __name__ == "__main__":
    main(sys.argv[1:])
