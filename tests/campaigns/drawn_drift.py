"""Logs of a reading drawn with one main cause of drift, by stepping the physics in time.

Room, body, water and leakage are stepped with small Euler steps, creep is a sum of two terms: none
of it uses the analysis's own columns. Values in uV/V of a 2 mV/V cell; all figures are drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acq.analysis.drift import DriftRecord
from acq.analysis.drift_columns import Cause

Array = NDArray[np.float64]
Rng = np.random.Generator

LIMIT = "main cause at least 10 times the reading's noise and 3 times its wander"
OTHERS = 0.15  # of the main cause: how large any other slow cause may be


@dataclass
class World:
    """Times, weather and the parts of a log before they are added up."""

    rng: Rng
    times: Array
    room: Array
    damp: Array
    white: float
    wander: float  # deviation of the random walk over the whole record

    @property
    def least(self) -> float:
        """Smallest swing of the main cause."""
        return max(10.0 * self.white, 3.0 * self.wander)

    def size(self, largest: float = 8.0) -> float:
        """A swing of the main cause, equally likely per decade."""
        low, high = np.log(self.least), np.log(self.least * largest)
        return float(np.exp(self.rng.uniform(low, high)))

    def sign(self) -> float:
        """Either sign."""
        return float(self.rng.choice([-1.0, 1.0]))


@dataclass
class DrawnDrift:
    """A drawn record and its main cause."""

    record: DriftRecord
    cause: Cause


def draw(rng: Rng, cause: Cause) -> DrawnDrift:
    """Return a log whose main cause of movement is this one."""
    world = _world(rng, cause)
    slow = _others(world)
    record = DriftRecord(
        times_s=world.times,
        values=slow,
        unit="uV/V",
        temperature=world.room + 0.02 * rng.standard_normal(len(world.times)),
        humidity=world.damp + 0.3 * rng.standard_normal(len(world.times))
        if rng.random() < 0.5
        else None,
        excited_s=float(world.times[0]) - 7200.0 if rng.random() < 0.5 else None,
    )
    record = _MAIN[cause](world, record)
    values = record.values + _noise(world)
    if rng.random() < 0.5:
        digit = 10.0 ** np.floor(np.log10(world.white))
        values = np.round(values / digit) * digit
    record = replace(record, values=values)
    if cause is Cause.FROZEN:
        record = _freeze(world, record)
    return DrawnDrift(record, cause)


def _world(rng: Rng, cause: Cause) -> World:
    hours = float(np.exp(rng.uniform(np.log(1.0), np.log(24.0))))
    if cause is Cause.MOISTURE:
        hours = max(hours, 4.0)  # water moves in hours
    interval = float(rng.choice([1.0, 2.0, 5.0, 10.0]))
    count = int(np.clip(hours * 3600.0 / interval, 400, 6000))
    interval = hours * 3600.0 / count
    times: Array = np.arange(float(count)) * interval
    jitter = 0.02 * interval * rng.uniform(-1.0, 1.0, count)
    white = float(np.exp(rng.uniform(np.log(0.01), np.log(0.05))))
    wander = float(rng.uniform(0.002, 0.005)) * (hours * 60.0) ** 0.5
    return World(rng, times + jitter, _room(rng, times), _damp(rng, times), white, wander)


def _room(rng: Rng, times: Array) -> Array:
    """A daily wave, a heater that cycles, a door that was opened."""
    hours = times / 3600.0
    room = 20.0 + rng.uniform(0.2, 3.0) * np.sin(2 * np.pi * (hours / 24.0 + rng.random()))
    room += rng.uniform(0.0, 0.4) * np.sin(2 * np.pi * (hours / rng.uniform(0.3, 2.0)))
    if rng.random() < 0.6:
        at = rng.uniform(0.1, 0.8) * times[-1]
        since = np.maximum(times - at, 0.0)
        room += rng.uniform(-4.0, 4.0) * -np.expm1(-since / rng.uniform(300.0, 3000.0))
    return np.asarray(room)


def _damp(rng: Rng, times: Array) -> Array:
    hours = times / 3600.0
    damp = rng.uniform(40.0, 60.0) + rng.uniform(2.0, 10.0) * np.sin(
        2 * np.pi * (hours / 24.0 + rng.random())
    )
    return np.asarray(damp)


def _stepped(times: Array, drive: Array, tau: float, start: float) -> Array:
    """First-order response by Euler steps of a twentieth of the interval or of tau."""
    state, found = start, np.empty(len(times))
    for k, target in enumerate(drive):
        found[k] = state
        if k + 1 == len(times):
            break
        interval = times[k + 1] - times[k]
        parts = max(1, int(np.ceil(interval / tau * 20.0)))
        for _ in range(parts):
            state += (target - state) * interval / parts / tau
    return found


def _to_swing(values: Array, swing: float) -> Array:
    return np.asarray((values - values[0]) * swing / max(float(np.ptp(values)), 1e-12))


def _others(world: World) -> Array:
    """Small slow causes that every log has."""
    rng, limit = world.rng, OTHERS * world.least
    body = _stepped(world.times, world.room, rng.uniform(300.0, 4000.0), float(world.room[0]))
    return _to_swing(body, world.sign() * rng.uniform(0.0, limit))


def _noise(world: World) -> Array:
    rng, count = world.rng, len(world.times)
    walk = np.cumsum(rng.standard_normal(count)) * world.wander / count**0.5
    return np.asarray(world.white * rng.standard_normal(count) + walk)


def _creep(world: World, record: DriftRecord) -> DriftRecord:
    rng = world.rng
    inside = rng.random() < 0.6
    at = float(world.times[-1] * rng.uniform(0.05, 0.3)) if inside else float(world.times[0])
    since = np.maximum(world.times - at, 0.0)
    fast, slow = rng.uniform(30.0, 240.0), rng.uniform(600.0, 3000.0)
    part = rng.uniform(0.2, 0.6)
    shape = part * -np.expm1(-since / fast) + (1 - part) * -np.expm1(-since / slow)
    values = record.values + world.sign() * world.size() * shape / max(float(shape.max()), 0.5)
    if inside:
        step = world.sign() * rng.uniform(300.0, 2000.0)
        values = values + step * (world.times >= at)
    return replace(record, values=values, loaded_s=at if not inside or rng.random() < 0.5 else None)


def _warm_up(world: World, record: DriftRecord) -> DriftRecord:
    rng = world.rng
    since = world.times - world.times[0]
    shape = -np.expm1(-since / rng.uniform(180.0, 900.0))
    values = record.values + world.sign() * world.size() * shape
    return replace(record, values=values, excited_s=0.0 if rng.random() < 0.6 else None)


def _temperature(world: World, record: DriftRecord) -> DriftRecord:
    rng = world.rng
    body = _stepped(world.times, world.room, rng.uniform(300.0, 5000.0), float(world.room[0]))
    main = _to_swing(body, world.sign() * world.size())
    across = _to_swing(world.room - body, world.sign() * 0.2 * rng.random() * float(np.ptp(main)))
    return replace(record, values=record.values + main + across)


def _moisture(world: World, record: DriftRecord) -> DriftRecord:
    """Water creeps in or is dried out; the leak grows with its cube."""
    rng = world.rng
    target = np.full(len(world.times), rng.uniform(0.5, 0.95))
    start = rng.uniform(0.05, 0.4)
    if rng.random() < 0.5:
        target, start = np.full(len(world.times), rng.uniform(0.1, 0.3)), rng.uniform(0.6, 0.95)
    water = _stepped(world.times, target, rng.uniform(2.0, 15.0) * 3600.0, start)
    values = record.values + _to_swing(water**3, world.sign() * world.size(30.0))
    return replace(record, values=values)


def _steps(world: World, record: DriftRecord) -> DriftRecord:
    rng, count = world.rng, len(world.times)
    values = record.values.copy()
    if rng.random() < 0.3:  # an intermittent joint: one level and back, many times
        edges = np.sort(rng.choice(np.arange(30, count - 30, 40), 8, replace=False))
        level = world.size(20.0)
        for number, edge in enumerate(edges):
            values[edge:] += level if number % 2 == 0 else -level
        return replace(record, values=values)
    for edge in rng.choice(np.arange(40, count - 40, 60), int(rng.integers(1, 5)), replace=False):
        values[edge:] += world.sign() * world.size(20.0)
    return replace(record, values=values)


def _spikes(world: World, record: DriftRecord) -> DriftRecord:
    rng, count = world.rng, len(world.times)
    values = record.values.copy()
    for place in rng.choice(np.arange(10, count - 10, 10), int(rng.integers(1, 9)), replace=False):
        values[place] += world.sign() * max(world.size(30.0), 15.0 * world.white)
    return replace(record, values=values)


def _only_noise(_world: World, record: DriftRecord) -> DriftRecord:
    return record


def _freeze(world: World, record: DriftRecord) -> DriftRecord:
    count = len(record.values)
    start = int(world.rng.uniform(0.0, 0.7) * count)
    values = record.values.copy()
    values[start:] = values[start]
    return replace(record, values=values)


_MAIN: dict[Cause, Callable[[World, DriftRecord], DriftRecord]] = {
    Cause.CREEP: _creep,
    Cause.WARM_UP: _warm_up,
    Cause.TEMPERATURE: _temperature,
    Cause.MOISTURE: _moisture,
    Cause.STEPS: _steps,
    Cause.SPIKES: _spikes,
    Cause.NOISE: _only_noise,
    Cause.FROZEN: _only_noise,
}
