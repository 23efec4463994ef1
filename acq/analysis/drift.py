"""Why a reading drifts: the causes apart, each with the numbers that it rests on.

Order: what repeats itself is frozen; what stands alone is a spike; what stays is a step; what is
left is fitted with all slow causes at once (`drift_fit`), so that none takes the blame for another.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from acq.analysis.allan import AllanPoint, allan_deviation, best_averaging
from acq.analysis.drift_columns import (
    MOST_CREEP,
    Cause,
    Column,
    creep_columns,
    moisture_columns,
    step_columns,
    temperature_columns,
    warm_up_columns,
)
from acq.analysis.drift_events import (
    Array,
    Jump,
    Run,
    frozen_run,
    jumps,
    spikes,
    white_noise,
    without,
)
from acq.analysis.drift_fit import Chosen, choose

LEAST_READINGS = 30
NOTICED = 3.0  # noise deviations: a slow change below this is no answer to "why does it move"
MOST_POINTS = 4_000  # that are fitted; a longer record is averaged down first


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftRecord:
    """A log of one reading. Times in s, strictly rising; values in `unit`; degC and %RH.

    `excited_s` and `loaded_s` are when the excitation came on and when the load changed, on the
    same clock, where that is known. `raw` are the instrument's own texts.
    """

    times_s: Array
    values: Array
    unit: str
    temperature: Array | None = None
    humidity: Array | None = None
    raw: tuple[str, ...] | None = None
    excited_s: float | None = None
    loaded_s: float | None = None

    def __post_init__(self) -> None:
        count = len(self.times_s)
        if count < LEAST_READINGS:
            raise ValueError(f"a drift report needs {LEAST_READINGS} readings, got {count}")
        if np.any(np.diff(self.times_s) <= 0.0):
            place = int(np.argmax(np.diff(self.times_s) <= 0.0)) + 1
            raise ValueError(f"times must rise: reading {place + 1} is not after the one before")
        for name in ("values", "temperature", "humidity", "raw"):
            column = getattr(self, name)
            if column is None:
                continue
            if len(column) != count:
                raise ValueError(f"{name}: {len(column)} for {count} readings")
            if name != "raw" and not np.all(np.isfinite(column)):
                raise ValueError(f"{name}: only numbers can be judged")


@dataclass(frozen=True, slots=True)
class Share:
    """What one cause does to the record: its swing (largest minus smallest) and its numbers."""

    cause: Cause
    swing: float
    sentence: str
    numbers: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftReport:
    """The main cause, every cause found (largest swing first), and what is left.

    `fitted` is the explained part at every reading, `left` the standard deviation of the rest.
    """

    cause: Cause
    because: str
    shares: tuple[Share, ...]
    noise: float
    fitted: Array
    left: float
    spikes: tuple[int, ...]
    steps: tuple[Jump, ...]
    frozen: Run | None
    allan: tuple[AllanPoint, ...]
    notes: tuple[str, ...]


def classify(record: DriftRecord) -> DriftReport:
    """Return why the record moves."""
    frozen = frozen_run(record.times_s, record.raw or tuple(map(repr, record.values.tolist())))
    live = np.ones(len(record.values), dtype=bool)
    if frozen is not None:
        live[frozen.start + 1 : frozen.end] = False
    if np.count_nonzero(live) < LEAST_READINGS:
        return _only_frozen(record, frozen)
    return _Judging(record, live, frozen).report()


class _Judging:
    def __init__(self, record: DriftRecord, live: np.ndarray, frozen: Run | None) -> None:
        self.record, self.frozen = record, frozen
        self.places = np.flatnonzero(live)
        self.times = record.times_s[live]
        values = record.values[live]
        self.digit = _digit(values)
        self.lone = spikes(values, self.digit)
        self.values = without(values, self.lone)
        self.heights = (values - self.values)[self.lone]
        self.noise = max(white_noise(self.values), self.digit / 12.0**0.5)
        self.steps_found = jumps(self.values, self.digit)
        self._thin_out()
        self.columns = list(self._columns())
        self.chosen = self._choose()

    def _thin_out(self) -> None:
        """Average a long record down: slow causes need no more points, and memory stays flat."""
        group = -(-len(self.values) // MOST_POINTS)
        edges = [jump.index for jump in self.steps_found]
        # no group lies across a step: half a load would stand there
        starts = np.unique(np.concatenate([np.arange(0, len(self.values), group), edges]))
        starts = starts.astype(np.intp)
        self.found = tuple(
            Jump(int(np.searchsorted(starts, jump.index)), jump.size) for jump in self.steps_found
        )
        counts = np.diff(np.append(starts, len(self.values)))

        def mean(array: Array) -> Array:
            return np.asarray(np.add.reduceat(array, starts) / counts)

        record = self.record
        self.all_times, self.all_values = self.times, self.values
        self.times, self.values = mean(self.times), mean(self.values)
        weather = (record.temperature, record.humidity)
        self.temperature, self.humidity = (
            None if column is None else mean(column[self.places]) for column in weather
        )

    def _columns(self) -> Iterator[Column]:
        record, times = self.record, self.times
        yield from step_columns(times, self.found)
        if self.temperature is not None and float(np.ptp(self.temperature)) > 0.0:
            yield from temperature_columns(times, self.temperature)
        loaded = self._load_changes()
        if record.excited_s is not None or not loaded:
            yield from warm_up_columns(times, record.excited_s)
        for start in loaded:
            yield from creep_columns(times, start)
        yield from moisture_columns(times, self.humidity)

    def _load_changes(self) -> list[float]:
        starts = [float(self.times[jump.index]) for jump in self._large()]
        loaded = self.record.loaded_s
        if loaded is not None and all(abs(loaded - start) > 30.0 for start in starts):
            starts.append(loaded)
        return starts

    def _large(self) -> list[Jump]:
        """Steps that may be changes of load: few, and far above everything else."""
        rest = float(np.ptp(self._levelled()))
        large = [jump for jump in self.found if abs(jump.size) > 5.0 * max(rest, self.noise)]
        return sorted(large, key=lambda jump: -abs(jump.size))[:3]

    def _levelled(self) -> Array:
        flat = self.values.copy()
        for jump in self.found:
            flat[jump.index :] -= jump.size
        return flat

    def _choose(self) -> Chosen:
        floor = self.digit / 12.0**0.5 / max(len(self.values) / 240.0, 1.0) ** 0.5
        chosen = choose(self.values, self.columns, floor)
        bad = {c.at_s for c, a in zip(chosen.columns, chosen.coefficients, strict=True)
               if c.cause is Cause.CREEP and not self._may_creep(c, a)}  # fmt: skip
        if not bad:
            return chosen
        kept = [c for c in self.columns if not (c.cause is Cause.CREEP and c.at_s in bad)]
        self.columns = kept
        return choose(self.values, kept, floor)

    def _may_creep(self, column: Column, size: float) -> bool:
        """Creep is a small part of the load step that it follows."""
        near = [j for j in self.found if abs(float(self.times[j.index]) - column.at_s) < 30.0]
        return not near or abs(size) <= MOST_CREEP * max(abs(jump.size) for jump in near)

    def report(self) -> DriftReport:
        shares = sorted(self._shares(), key=lambda share: -share.swing)
        fitted = self.chosen.whole(len(self.values))
        rest = self.values - fitted
        # beside a wandering zero the constant means little: the curve lies in the middle
        fitted = fitted + float(np.mean(rest))
        left = float(np.std(rest))
        cause, because = self._main(shares)
        full = np.interp(self.record.times_s, self.times, fitted)
        return DriftReport(
            cause=cause,
            because=because,
            shares=tuple(shares),
            noise=self.noise,
            fitted=np.asarray(full),
            left=left,
            spikes=tuple(int(k) for k in self.places[self.lone]),
            steps=tuple(Jump(int(self.places[j.index]), j.size) for j in self.steps_found),
            frozen=self.frozen,
            allan=self._allan(),
            notes=tuple(self._notes()),
        )

    def _main(self, shares: list[Share]) -> tuple[Cause, str]:
        if self.frozen is not None and self._frozen_matters():
            return Cause.FROZEN, _frozen_sentence(self.frozen)
        noise = next(share for share in shares if share.cause is Cause.NOISE)
        least = max(NOTICED * self.noise, noise.numbers["wander"])
        for share in shares:
            if share is not noise and share.swing >= least:
                return share.cause, share.sentence
        return Cause.NOISE, noise.sentence

    def _frozen_matters(self) -> bool:
        run = self.frozen
        if run is None:
            return False
        whole = float(self.record.times_s[-1] - self.record.times_s[0])
        return run.end == len(self.record.values) or run.seconds > 0.2 * whole

    def _shares(self) -> Iterator[Share]:
        by_cause: dict[Cause, list[int]] = {}
        for index, column in enumerate(self.chosen.columns):
            by_cause.setdefault(column.cause, []).append(index)
        by_cause = self._load_steps_apart(by_cause)
        for cause, indices in by_cause.items():
            total = np.sum([self.chosen.part(k) for k in indices], axis=0)
            yield self._told(cause, indices, float(np.ptp(total)))
        if self.lone.any():
            yield self._spikes()
        yield self._noise()

    def _load_steps_apart(self, by_cause: dict[Cause, list[int]]) -> dict[Cause, list[int]]:
        """A step that creep follows is the load, not a fault of the reading."""
        creep = [self.chosen.columns[k].at_s for k in by_cause.get(Cause.CREEP, [])]
        if self.record.loaded_s is not None:
            creep.append(self.record.loaded_s)
        steps = by_cause.pop(Cause.STEPS, [])
        self.load_steps = [
            k for k in steps if any(abs(self.chosen.columns[k].at_s - at) < 30.0 for at in creep)
        ]
        rest = [k for k in steps if k not in self.load_steps]
        return by_cause | ({Cause.STEPS: rest} if rest else {})

    def _told(self, cause: Cause, indices: list[int], swing: float) -> Share:
        parts = [(self.chosen.columns[k], self.chosen.coefficients[k]) for k in indices]
        largest = max(indices, key=lambda k: float(np.ptp(self.chosen.part(k))))
        column, size = self.chosen.columns[largest], self.chosen.coefficients[largest]
        numbers = {"tau_s": column.tau_s, "size": size, "at_s": column.at_s}
        moves = f"moves {swing:.3g} {self.record.unit}"
        match cause:
            case Cause.TEMPERATURE:
                sentence = (
                    f"temperature: {moves}: {size:+.3g} {self.record.unit} per K with a lag of"
                    f" {column.tau_s / 60:.0f} min"
                )
            case Cause.WARM_UP:
                sentence = (
                    f"warm-up: {moves}: {size:+.3g} {self.record.unit} with a time constant of"
                    f" {column.tau_s / 60:.1f} min"
                )
            case Cause.CREEP:
                sentence = self._creep(column, size, numbers, moves)
            case Cause.MOISTURE:
                sentence = f"moisture: {moves}: {_slow(column)}"
            case _:
                sizes = ", ".join(f"{a:+.3g} at {c.at_s:.0f} s" for c, a in parts[:6])
                numbers = {"count": float(len(parts)), "largest": max(abs(a) for _, a in parts)}
                often = "; an intermittent joint looks like this" if len(parts) > 5 else ""
                sentence = f"steps: {moves}: {len(parts)} ({sizes}){often}"
        return Share(cause, swing, sentence, numbers)

    def _creep(self, column: Column, size: float, numbers: dict[str, float], moves: str) -> str:
        near = [j for j in self.found if abs(float(self.times[j.index]) - column.at_s) < 30.0]
        text = f"creep: {moves} after the load step, time constant {column.tau_s / 60:.1f} min"
        if near:
            part = size / near[0].size
            numbers["of_step"] = part
            text += f", {part:+.3%} of the step"
        return text

    def _spikes(self) -> Share:
        largest = float(np.max(np.abs(self.heights)))
        hours = float(self.all_times[-1] - self.all_times[0]) / 3600.0
        count = int(np.count_nonzero(self.lone))
        return Share(
            Cause.SPIKES,
            largest,
            f"spikes: {count}, {count / hours:.2g} per hour, largest {largest:.3g}"
            f" {self.record.unit}",
            {"count": float(count), "per_hour": count / hours, "largest": largest},
        )

    def _noise(self) -> Share:
        rest = self.values - self.chosen.whole(len(self.values))
        swing = float(np.ptp(rest))
        walk = self.chosen.walk
        blocks = min(240, len(self.values))
        text = f"noise: {self.noise:.3g} {self.record.unit} from reading to reading"
        if walk > 0.0:
            text += f", and the zero wanders by {walk * blocks**0.5:.3g} over the record"
        return Share(
            Cause.NOISE, swing, text, {"deviation": self.noise, "wander": walk * blocks**0.5}
        )

    def _allan(self) -> tuple[AllanPoint, ...]:
        interval = float(np.median(np.diff(self.all_times)))
        return allan_deviation(self.all_values, interval)

    def _notes(self) -> Iterator[str]:
        best = best_averaging(self._allan())
        yield f"averaging helps up to about {best.averaging_s:.3g} s ({best.deviation:.3g})"
        if self.record.temperature is None:
            yield "no temperature in the record: temperature and moisture cannot be told apart"
        causes = {column.cause for column in self.chosen.columns}
        if self.record.excited_s is None and Cause.CREEP in causes:
            yield "nobody said when the excitation came on: no warm-up is sought beside the load"
        if self.record.excited_s is None and Cause.WARM_UP in causes:
            yield "nobody said when the excitation came on: the start of the record is taken"
        if self.frozen is not None:
            yield _frozen_sentence(self.frozen)


def _slow(column: Column) -> str:
    if column.form == "humidity":
        return f"follows the humidity with a lag of {column.tau_s / 3600:.1f} h"
    if not np.isfinite(column.tau_s):
        return "grows faster the longer it lasts, without any link to temperature"
    return f"slow, time constant about {column.tau_s / 3600:.0f} h, without link to temperature"


def _digit(values: Array) -> float:
    """The last digit that ever changes: the smallest difference between two readings."""
    levels = np.unique(values)
    gaps = np.diff(levels)
    real = gaps[gaps > 1e-12 * max(float(np.max(np.abs(levels))), 1e-300)]
    return float(real.min()) if len(real) else 0.0


def _frozen_sentence(run: Run) -> str:
    count = run.end - run.start
    return (
        f"frozen: {count} readings with the same digits over {run.seconds:.0f} s: a dead converter"
        " or link, not a quiet cell"
    )


def _only_frozen(record: DriftRecord, run: Run | None) -> DriftReport:
    sentence = _frozen_sentence(run) if run else "frozen"
    return DriftReport(
        cause=Cause.FROZEN,
        because=sentence,
        shares=(Share(Cause.FROZEN, 0.0, sentence),),
        noise=0.0,
        fitted=record.values.copy(),
        left=0.0,
        spikes=(),
        steps=(),
        frozen=run,
        allan=(),
        notes=(),
    )
