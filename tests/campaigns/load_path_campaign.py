"""Bias and coverage of load series and creep over seeded cells, without processes and wires.

    python -m tests.campaigns.load_path_campaign            about 12 CPU minutes, writes the table
    python -m tests.campaigns.load_path_campaign 40         fewer, printed only
    python -m tests.campaigns.load_path_campaign 40 100     the same from seed 100 on

The data path is the one of the sequences from a reading on: readings become uncertain outputs
(`sequences.outputs`), loads come from the bench file's weights (`acq.bench.loading`), and results
from `series_of` and `record_of`. Only prompts, relays and wires are left out;
`load_rig_campaign` goes the whole way with fewer cells. The cell, its creep, hysteresis, seating
and swing are the simulator's. Truth is the same cell at the same instants, read without any error.

Two kinds of errors of meter, weights and EMF: *flat* as the simulator draws them, inside a limit,
and *normal* with the standard deviation that a limit is reckoned with, that of linearity for each
place of the scale apart, and the load out of plumb by as much as a rig may hang askew. The normal
kind shows whether the calculation is right; the flat one what
comes of it on a bench whose errors lie inside their limits. In both, each load swings at its rig's
own frequency (0.5 to 1 Hz), from a moment that the bench knows to half a second; the truth is the
load at rest. A series and a creep test are of two cells each; that a load never sits twice alike is
for the runs of a series to show, the output of a creep load is that of its one placing.
"""

from __future__ import annotations

import math
import sys
import tomllib
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from acq.analysis.creep import CreepReading, creep_record, creep_results
from acq.analysis.load_results import LoadResults, load_results
from acq.analysis.load_series import Direction, LoadReading, load_series
from acq.analysis.propagation import Result
from acq.bench.bench_file import Weight
from acq.bench.loading import Applied, Loading
from acq.bench.rig_file import Rig
from acq.readings.corrections import bracketed
from acq.readings.reading import Reading
from acq.readings.specification import Accuracy, find_accuracy
from acq.readings.uncertainty import LINEARITY_NODES, Uncertainties
from drivers.written_file import check
from sequences.creep import record_of
from sequences.load_plan import LoadSeriesPlan, Series
from sequences.outputs import Scale, Taken
from sequences.series import Measured, Step
from sequences.series_results import series_of
from simulated_bench.instruments import meter_functions
from simulated_bench.instruments.accuracy import Errors, Limit, draw_errors, limits_to_toml
from simulated_bench.noise import ReadingNoise
from simulated_bench.on_the_bench import CellOnBench
from simulated_bench.rig import weight_newtons
from simulated_bench.scenario import checked
from tests.campaigns.load_rig_campaign import CAPACITY, NS, Truth, scenario_text
from tests.campaigns.load_series_campaign import Tallies, Tally, table

Kind = Literal["flat", "normal"]
CELLS: dict[Kind, tuple[int, int]] = {"normal": (400, 1000), "flat": (200, 200)}  # series, creep
FIRST_SEED = 20260302
TABLE = Path(__file__).with_name("load_path_table.md")
PLAN = Path(__file__).parents[2] / "sequences" / "plans" / "load-certificate.toml"
VOLTS = 9.998
SIGNALS = 5
CYCLES = 10.0
READING_S, GAP_S = 0.2, 0.05
CREEP_TEST_S = 3670.0  # half an hour under load, half an hour after it, and both changes
SEATING = 1.5e-5  # of the load, from one placing to the next
CREEP_EVERY_S = 60.0  # as the shipped plans read it
POINTS = (0.0, 0.1, 0.2, 0.4, 0.7, 1.0)
ROOT_3 = math.sqrt(3.0)
_LARGEST = ("non-linearity", "combined error", "hysteresis")


class Shop:
    """What errors are drawn from."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.error_scale: dict[str, float] = {}
        self.years: dict[str, float] = {}


class Meter:
    """The simulated multimeter's errors and noise on volts, without its wires."""

    def __init__(self, seed: int, kind: Kind, stated: Sequence[Accuracy]) -> None:
        self._rng = np.random.default_rng([seed, 11])
        self._noise = ReadingNoise(seed, "dmm")
        self._ranges = meter_functions.FUNCTIONS["VOLT"].ranges
        self._errors = {r.name: self._drawn(r.limit, seed, kind) for r in self._ranges}
        self._scale = {r.name: r.noise for r in self._ranges}
        self._places = {r.name: self._drawn_places(r.name, kind, stated) for r in self._ranges}

    def _drawn_places(self, range_: float, kind: Kind, stated: Sequence[Accuracy]) -> list[float]:
        """Errors of linearity at places 5 % of the range apart: as a limit for each place says."""
        limit = find_accuracy(tuple(stated), "dc-voltage", range_, None)
        if kind == "flat" or limit is None:
            return []
        spread = limit.linearity_limit / ROOT_3
        return [float(spread * z) for z in self._rng.normal(size=LINEARITY_NODES + 3)]

    def _drawn(self, limit: Limit, seed: int, kind: Kind) -> Errors:
        flat = draw_errors(limit, Shop(seed), "dmm")
        if kind == "flat":
            return flat
        z = self._rng.normal(size=2) / ROOT_3
        return replace(
            flat,
            gain=limit.reading_ppm * 1e-6 * z[0],
            offset=limit.offset_limit() * z[1],
            linearity=0.0,
        )

    def _bent(self, volts: float, range_: float) -> float:
        """Between two places both count, by how near they are, at the same standard deviation."""
        places = self._places[range_]
        if not places:
            return 0.0
        at = volts / range_ * LINEARITY_NODES
        low = math.floor(at)
        part = at - low
        bent = places[low + 1] * (1.0 - part) + places[low + 2] * part
        return bent / math.hypot(1.0 - part, part)

    def read(self, volts: float, range_: float, at_s: float) -> Reading:
        """Return a reading that ends `READING_S` after `at_s`."""
        start = round(at_s * NS)
        shown = self._errors[range_].shown(volts) + self._bent(volts, range_)
        shown += self._noise.mean(start, READING_S) * self._scale[range_]
        return Reading(
            quantity="dc-voltage",
            value=shown,
            limit=None,
            unit="V",
            instrument="dmm",
            range_=range_,
            plc=CYCLES,
            started_ns=start,
            ended_ns=start + round(READING_S * NS),
            raw=f"{shown:.9E}",
        )


@dataclass
class Twin:
    """The cell as it is loaded, and the same one with exact weights and equal seatings."""

    real: Truth
    ideal: Truth
    load_share: float  # what the real weights are off together, and their axis out of plumb

    def go(self, at_s: float) -> None:
        for each in (self.real, self.ideal):
            each.go(round(at_s * NS))

    def load(self, conventional: float) -> None:
        """Load both; the seating's own deviation belongs to the real one only."""
        self.real.live.load(_newtons(conventional * (1 + self.load_share)))
        self.ideal.live.load(_newtons(conventional))


def _askew(degrees: float, seed: int, kind: Kind) -> float:
    """Return what a load out of plumb by at most `degrees` gives more, of itself."""
    rng, most = np.random.default_rng([seed, 14]), 1.0 - math.cos(math.radians(degrees))
    if kind == "normal":
        return float(rng.normal()) * most / ROOT_3
    return math.cos(math.radians(degrees) * float(rng.uniform(0.0, 1.0))) - 1.0


def _newtons(kilograms: float) -> float:
    return weight_newtons(kilograms, 9.8118)


class Day:
    """One cell through preloads, runs, rest and creep."""

    def __init__(self, seed: int, kind: Kind, seating: float = SEATING) -> None:
        table_ = tomllib.loads(scenario_text(seed))
        entries = tomllib.loads(limits_to_toml(meter_functions.accuracy(), "dmm"))
        accuracies = [check("b", e, Accuracy) for e in entries["instruments"]["dmm"]["accuracy"]]
        self.meter = Meter(seed, kind, accuracies)
        scenario = checked("campaign", table_)
        on_bench = CellOnBench(scenario, seed)
        text = on_bench.loading.bench_file()
        file = tomllib.loads(text)
        self.loading = Loading(
            check("bench", file["rig"], Rig),
            [check("bench", each, Weight) for each in file["weights"]],
        )
        share = on_bench.loading._weights
        if kind == "normal":
            U = file["weights"][0]["expanded_uncertainty_kilograms"]
            share = np.random.default_rng([seed, 12]).normal() * U / 2.0
            share /= file["weights"][0]["nominal_kilograms"]
        share += _askew(file["rig"].get("tilt_degrees", Rig().tilt_degrees), seed, kind)
        watts = VOLTS**2 / 385.1
        real = Truth(table_, seed, watts, swing=scenario.rig.swing)
        real.live.become(replace(real.live.mechanics.response, repeatability=seating))
        self.twin = Twin(real, Truth(table_, seed, watts), float(share))
        for each in (real, self.twin.ideal):
            each.excite(on=True)
        self.scale = Scale(
            uncertainties=Uncertainties({"dmm": accuracies}),
            volts=VOLTS,
            slope=2e-3 / CAPACITY,
            capacity=CAPACITY,
        )
        self.emf_volts = 0.0  # now; drifts within a run
        self._rng = np.random.default_rng([seed, 13])
        self.now_s = 0.0
        self.truths: list[float] = []

    def wait(self, seconds: float) -> None:
        self.now_s += seconds
        self.twin.go(self.now_s)

    def point(self, applied: Applied, *, change: bool = True, after_s: float = 30.0) -> Taken:
        """Load, wait for the table's time, read."""
        step = 0.0
        if change:
            step = abs(applied.value - self._hung)
            self.twin.load(applied.value)
            self._hung = applied.value
            # a bench that looks once a second knows to half a second when the load began to change
            self.wait(
                self._rng.uniform(-0.5, 0.5)
                + after_s
                - 0.5 * SIGNALS * (READING_S + GAP_S)
                - READING_S
            )
        return self.taken(applied, after_s if change else None, step)

    _hung = 0.0
    _drifting = (0.0, 0.0)  # since when, V/s

    def _emf(self) -> float:
        since_s, rate = self._drifting
        return self.emf_volts + rate * (self.now_s - since_s)

    def taken(self, applied: Applied, after_s: float | None = None, step: float = 0.0) -> Taken:
        """Read excitation, signals, excitation; keep what an ideal meter would have read."""
        first = self._excitation()
        signals, true = [], []
        for _ in range(SIGNALS):
            end = self.now_s + READING_S
            ratio = self.twin.real.mean(round(end * NS))
            true.append(self.twin.ideal.mean(round(end * NS)))
            signals.append(self.meter.read(ratio * VOLTS + self._emf(), 0.1, self.now_s))
            self.wait(READING_S + GAP_S)
        last = self._excitation()
        uncertainties = self.scale.uncertainties
        before: Any = uncertainties.of(first)
        after: Any = uncertainties.of(last)
        below: Any = bracketed(before, after, uncertainties, "excitation")
        signal: Any = uncertainties.mean(signals)
        self.truths.append(float(np.mean(true)))
        at_ns = (signals[0].started_ns + signals[-1].ended_ns) // 2
        return Taken(
            signal / below,
            at_ns,
            after_s,
            None,
            applied.value,
            applied,
            tuple(signals),
            below,
            step,
        )

    def _excitation(self) -> Reading:
        reading = self.meter.read(VOLTS, 10.0, self.now_s)
        self.wait(READING_S + GAP_S)
        return reading

    def drift(self, half_width: float, kind: Kind) -> float:
        """Return how far the EMF goes within a run, V."""
        if kind == "flat":
            return float(self._rng.uniform(-half_width, half_width))
        return float(self._rng.normal() * half_width / ROOT_3)

    def drifts_on(self, volts: float) -> None:
        """From now on the EMF drifts evenly, by so much in the time that a creep test takes."""
        self._drifting = (self.now_s, volts / CREEP_TEST_S)

    def applied(self, share: float) -> Applied:
        return self.loading.applied(share * CAPACITY, "kg", CAPACITY, 2.5)


def series_of_one_cell(seed: int, kind: Kind) -> Iterator[tuple[str, float, float, float]]:
    """Yield (name, value, U, truth) of every figure of a load series."""
    day = Day(seed, kind)
    day.wait(900.0)
    _preloads(day, 300.0)
    part = _plan().load
    measured, start = Measured(), len(day.truths)
    steps = [Step(day.applied(u), Direction.UP) for u in POINTS]
    steps += [Step(each.applied, Direction.DOWN) for each in reversed(steps[:-1])]
    for _ in range(3):
        points, drift = [], day.drift(part.reading.emf_drift_volts, kind)
        for place, step in enumerate(steps):
            day.emf_volts = drift * place / (len(steps) - 1)
            points.append((step, day.point(step.applied, change=place > 0)))
            day.wait(4.0)
        measured.runs.append(points)
    day.emf_volts = 0.0
    yield from _series(day, part, measured, day.truths[start:])


def _preloads(day: Day, rest_s: float) -> None:
    for _ in range(3):
        for share in (1.0, 0.0):
            day.twin.load(day.applied(share).value)
            day.wait(64.0 if share else 10.0)
    day.wait(rest_s)


def _series(
    day: Day, part: Series, measured: Measured, truths: list[float]
) -> Iterator[tuple[str, float, float, float]]:
    series, sources = series_of(day.scale, part, measured)
    found = load_results(series, capacity=CAPACITY, sources=sources)
    exact = load_results(
        load_series(
            [
                LoadReading(run=r.run, direction=r.direction, load=r.load, output=true)
                for r, true in zip(series.readings, truths, strict=True)
            ]
        ),
        capacity=CAPACITY,
    )
    yield from _compared(found.results, exact.results)
    yield from _at_their_points(found, exact)
    middle = [
        next(p.deviation for p in each.points if p.direction is Direction.UP and p.load > 150.0)
        for each in (found, exact)
    ]
    yield from _compared(
        [replace(middle[0], name="deviation at 40 %, rising")],
        [replace(middle[1], name="deviation at 40 %, rising")],
    )


def _at_their_points(
    found: LoadResults, exact: LoadResults
) -> Iterator[tuple[str, float, float, float]]:
    """Yield the largest deviations against the truth at the very point that they name."""
    deviations = {(p.direction, p.load): p.deviation.value for p in exact.points}
    nets = {(p.direction, p.load): p.net_output.value for p in exact.points}
    rated = exact.rated_output.value
    loops = {
        (way, load): (net - nets[Direction.UP, load]) / rated
        for (way, load), net in nets.items()
        if way is Direction.DOWN
    }
    for each in (found.non_linearity, found.hysteresis, found.combined_error):
        assert each is not None
        assert each.expanded is not None
        truth = loops if each.name == "hysteresis" else deviations
        true = next(t for (way, load), t in truth.items() if f"{load:g} {way.value}" == each.where)
        name = each.name.partition(" (")[0]
        yield f"{name}, at the point it names", each.value, each.expanded, true


def _creep(day: Day, kind: Kind) -> Iterator[tuple[str, float, float, float]]:
    rest, load = day.applied(0.0), day.applied(1.0)
    start = len(day.truths)
    day.drifts_on(day.drift(_plan().load.reading.emf_drift_volts, kind))
    taken = [day.taken(rest) for _ in range(3)]
    for applied in (load, rest):
        taken.append(day.point(applied))
        begun = day.now_s
        for number in range(1, round(1800.0 / CREEP_EVERY_S) + 1):
            day.wait(begun + CREEP_EVERY_S * number - day.now_s)
            taken.append(day.taken(applied))
    readings, sources = record_of(day.scale, taken, rest.value, load.value, _plan().load.reading)
    exact = [
        CreepReading(time_s=r.time_s, load=r.load, output=true)
        for r, true in zip(readings, day.truths[start:], strict=True)
    ]
    found, true = creep_results(creep_record(readings), sources), creep_results(creep_record(exact))
    yield from _compared(found.results, true.results)


def _compared(found: Any, exact: Any) -> Iterator[tuple[str, float, float, float]]:
    truth = {each.name: each for each in exact}
    for each in found:
        assert isinstance(each, Result)
        assert each.expanded is not None
        if each.name in truth and not each.name.startswith(("repeatability", "largest creep")):
            value, true = each.value, truth[each.name].value
            if each.name.startswith(_LARGEST):  # whichever branch it is on: of two, nearly equal
                value, true = abs(value), abs(true)
            yield each.name, value, each.expanded, true


def _plan() -> LoadSeriesPlan:
    return check(PLAN, tomllib.loads(PLAN.read_text(encoding="utf-8")), LoadSeriesPlan)


def creep_of_one_cell(seed: int, kind: Kind) -> Iterator[tuple[str, float, float, float]]:
    """Yield (name, value, U, truth) of every figure of a creep test."""
    day = Day(seed, kind, seating=0.0)
    day.wait(900.0)
    _preloads(day, 3600.0)
    yield from _creep(day, kind)


def campaign(cells: Mapping[Kind, tuple[int, int]], first: int = FIRST_SEED) -> dict[Kind, Tallies]:
    """Return the tallies of so many series and creep tests of each kind."""
    kinds: dict[Kind, Tallies] = {}
    for kind, counts in cells.items():
        kinds[kind] = defaultdict(Tally)
        for measured, count in zip((series_of_one_cell, creep_of_one_cell), counts, strict=True):
            for seed in range(first, first + count):
                for name, value, U, true in measured(seed, kind):
                    kinds[kind][name].errors.append(value - true)
                    kinds[kind][name].expanded.append(U)
    return kinds


def main(arguments: list[str]) -> None:
    cells = CELLS
    if arguments:
        few = int(arguments[0])
        cells = {"normal": (few, few), "flat": (few, few)}
    tallied = campaign(cells, int(arguments[1]) if len(arguments) > 1 else FIRST_SEED)
    texts = {kind: table(tallies) for kind, tallies in tallied.items()}
    for kind, text in texts.items():
        sys.stdout.write(f"{kind}\n\n{text}\n\n")
    if not arguments:
        TABLE.write_text(HEADING.format(**texts), encoding="utf-8")


HEADING = f"""# Bias and coverage of load series and creep, from the readings on

Written by `nice -n 19 python -m tests.campaigns.load_path_campaign`: seeded cells of two kinds,
seeds from {FIRST_SEED} on; what is in the path and what is left out, and the two kinds of errors,
are told at the head of that file. Outputs in V/V, the others are fractions (of the rated output;
creep of the applied output).

A figure that is the largest over some points is compared twice: with the truth at the point that it
names, for which its U is stated, and with the truly largest size wherever that is.

## Errors as the budget states them

Of {CELLS["normal"][0]} series coverage is known to about 1.1 %, of {CELLS["normal"][1]} creep tests
to 0.7 %.

{{normal}}

## Errors as the simulator draws them: flat, inside the stated limits

Coverage is known to about 1.5 %. Where one flat error leads a budget, an interval for 95 % of a
normal one holds it nearly always; and the simulated meter bends smoothly over its range, by less
between two near places than a limit for each place allows. That is how a limit of error is to be
read (GUM 4.3.7), not a fault of the sums. A load out of plumb presses less, never more: rated and
applied output are low by about 1e-5 of themselves.

{{flat}}
"""

if __name__ == "__main__":
    main(sys.argv[1:])
