"""Regulated sources: where the control loops of supplies, ohmmeters and testers come to rest.

A source is a branch whose EMF E is moved by its loop, dE/dt ~ err, with

    err = max(min(volts - Vsense, amps_max - I), amps_min - I),   emf_min <= E <= emf_max,

I flowing out of node a. By superposition Vsense and I are affine in every E of the circuit, so
that each combination of modes is one small linear system: nothing is iterated.
An open or crossed sense is circuit, not a special case: the loop runs to its limit or its rail.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Mode(IntEnum):
    """What holds a source: its voltage, a current limit, or the end of its EMF's range."""

    CV = 0
    CC = 1
    SINK = 2
    TOP = 3
    BOTTOM = 4


class SourcesFightError(ArithmeticError):
    """Several regulated sources have no stable set of modes in this circuit."""


@dataclass(frozen=True, slots=True)
class Source:
    """The set points and limits of a regulated branch, in V and A.

    `amps_min` = 0 cannot pull down (one quadrant); `emf_max` is the headroom above which the
    EMF cannot go. `sense` are the two nodes whose voltage is regulated.
    """

    branch: int
    sense: tuple[str, str]
    volts: float
    amps_max: float
    amps_min: float = 0.0
    emf_min: float = 0.0
    emf_max: float = np.inf


def regulate(
    sensed: Floats, amps: Floats, sources: Sequence[Source], held: Sequence[int] | None = None
) -> tuple[Floats, Ints]:
    """Return the EMF (V) and the mode of every source, both shaped (..., sources).

    `sensed` and `amps` are shaped (..., sources, 1 + sources): what each source senses and
    delivers with all EMFs at 0 (column 0) and per volt of each source (the others).
    `held` fixes the modes instead of finding them. Raises SourcesFightError.
    """
    limits = np.array(
        [(s.volts, s.amps_max, s.amps_min, s.emf_min, s.emf_max) for s in sources], float
    )
    if held is not None and len(sources) == 1 and sensed.ndim == 2:
        return _one_held(sensed[0].tolist(), amps[0].tolist(), sources[0], held[0])
    if held is not None:
        modes = np.asarray([held], dtype=np.int64)
        emf, _ = _solve_modes(sensed, amps, limits, modes)
        return emf[..., 0, :], np.broadcast_to(modes[0], (*emf.shape[:-2], len(sources)))
    if len(sources) == 1 and sensed.ndim == 2:
        return _one_plain_source(sensed[0].tolist(), amps[0].tolist(), sources[0])
    if len(sources) == 1:
        emf, mode = _one_source(sensed[..., 0, :], amps[..., 0, :], limits[0])
        return emf[..., None], mode[..., None]
    return _every_combination(sensed, amps, limits)


def _one_plain_source(
    sensed: list[float], amps: list[float], source: Source
) -> tuple[Floats, Ints]:
    """As `_one_source` for a single circuit: no arrays, for it is solved for every reading."""
    if sensed[1] > 1e-12:
        at_volts = (source.volts - sensed[0]) / sensed[1]
    else:
        at_volts = np.inf if source.volts > sensed[0] else -np.inf
    at_limit = (source.amps_max - amps[0]) / amps[1] if amps[1] > 0 else np.inf
    at_sink = (source.amps_min - amps[0]) / amps[1] if amps[1] > 0 else -np.inf
    emf, mode = (at_volts, Mode.CV) if at_volts <= at_limit else (at_limit, Mode.CC)
    if emf < at_sink:
        emf, mode = at_sink, Mode.SINK
    if emf > source.emf_max:
        emf, mode = source.emf_max, Mode.TOP
    elif emf < source.emf_min:
        emf, mode = source.emf_min, Mode.BOTTOM
    return np.array([emf]), np.array([mode], dtype=np.int64)


def _one_held(
    sensed: list[float], amps: list[float], source: Source, mode: int
) -> tuple[Floats, Ints]:
    """The EMF of a single source in a mode that is known."""
    match mode:
        case Mode.CV:
            emf = (source.volts - sensed[0]) / sensed[1]
        case Mode.CC:
            emf = (source.amps_max - amps[0]) / amps[1]
        case Mode.SINK:
            emf = (source.amps_min - amps[0]) / amps[1]
        case _:
            emf = source.emf_max if mode == Mode.TOP else source.emf_min
    return np.array([emf]), np.array([mode], dtype=np.int64)


def _one_source(sensed: Floats, amps: Floats, limits: Floats) -> tuple[Floats, Ints]:
    """One loop alone in closed form."""
    volts, amps_max, amps_min, emf_min, emf_max = limits
    with np.errstate(divide="ignore", invalid="ignore"):
        runaway = np.where(volts > sensed[..., 0], np.inf, -np.inf)
        at_volts = np.where(sensed[..., 1] > 1e-12, (volts - sensed[..., 0]) / sensed[..., 1], 0.0)
        at_volts = np.where(sensed[..., 1] > 1e-12, at_volts, runaway)
        passes = amps[..., 1] > 0
        at_limit = np.where(passes, (amps_max - amps[..., 0]) / amps[..., 1], np.inf)
        at_sink = np.where(passes, (amps_min - amps[..., 0]) / amps[..., 1], -np.inf)
    emf = np.minimum(at_volts, at_limit)
    mode = np.where(at_volts <= at_limit, Mode.CV, Mode.CC)
    mode = np.where(emf < at_sink, Mode.SINK, mode)
    emf = np.maximum(emf, at_sink)
    mode = np.where(emf > emf_max, Mode.TOP, np.where(emf < emf_min, Mode.BOTTOM, mode))
    return np.clip(emf, emf_min, emf_max), mode.astype(np.int64)


@lru_cache(maxsize=8)
def _combinations(count: int) -> Ints:
    return np.array(list(product(range(len(Mode)), repeat=count)), dtype=np.int64)


def _solve_modes(
    sensed: Floats, amps: Floats, limits: Floats, modes: Ints
) -> tuple[Floats, tuple[Floats, NDArray[np.bool_]]]:
    """Return the EMFs for each row of modes, and the matrices with the rows that are singular.

    EMFs are shaped (..., rows, sources).
    """
    count = len(limits)
    chosen = modes[..., None]
    v, i = sensed[..., None, :, :], amps[..., None, :, :]
    matrix = np.where(
        chosen == Mode.CV, v[..., 1:], np.where(chosen <= Mode.SINK, i[..., 1:], np.eye(count))
    )
    target = np.select(
        [modes == Mode.CV, modes == Mode.CC, modes == Mode.SINK, modes == Mode.TOP],
        [
            limits[:, 0] - v[..., 0],
            limits[:, 1] - i[..., 0],
            limits[:, 2] - i[..., 0],
            np.broadcast_to(limits[:, 4], v[..., 0].shape),
        ],
        limits[:, 3],
    )
    singular = ~np.isfinite(target).all(-1) | (np.abs(np.linalg.det(matrix)) < 1e-30)
    matrix = np.where(singular[..., None, None], np.eye(count), matrix)
    target = np.where(singular[..., None], 0.0, target)
    emf = np.linalg.solve(matrix, target[..., None])[..., 0].astype(np.float64, copy=False)
    return emf, (matrix, np.asarray(singular))


def _every_combination(sensed: Floats, amps: Floats, limits: Floats) -> tuple[Floats, Ints]:
    """Solve all sets of modes at once; keep the one that is consistent and stable.

    Where several are, the one with the smallest EMFs: it is reached first from switch-on.
    """
    modes = _combinations(len(limits))
    emf, (matrix, singular) = _solve_modes(sensed, amps, limits, modes)
    good = _consistent(sensed, amps, limits, modes, emf)
    diagonal = np.einsum("...kk->...k", matrix)
    stable = (diagonal > 0).all(-1) & (np.linalg.det(matrix) > 0)
    good &= stable & ~singular
    pick = np.argmin(np.where(good, np.abs(emf).sum(-1), np.inf), -1)
    if not np.take_along_axis(good, pick[..., None], -1).all():
        raise SourcesFightError("the regulated sources have no stable set of modes")
    return np.take_along_axis(emf, pick[..., None, None], -2)[..., 0, :], modes[pick]


def _consistent(
    sensed: Floats, amps: Floats, limits: Floats, modes: Ints, emf: Floats
) -> NDArray[np.bool_]:
    """Whether every loop is at rest in its mode, judged by errors in units of their tolerance."""
    v, i = sensed[..., None, :, :], amps[..., None, :, :]
    volts = (v[..., 1:] @ emf[..., None])[..., 0] + v[..., 0]
    current = (i[..., 1:] @ emf[..., None])[..., 0] + i[..., 0]
    size = np.abs(emf)[..., None]
    # What rounding may leave: relative to the set point and to the terms that were summed.
    known = np.where(np.isfinite(limits), np.abs(limits), 0.0)
    v_tol = 1e-12 + 1e-9 * known[:, 0] + 1e-13 * (np.abs(v[..., 1:]) @ size)[..., 0]
    i_tol = 1e-18 + 1e-9 * known[:, 1] + 1e-13 * (np.abs(i[..., 1:]) @ size)[..., 0]
    error = np.minimum((limits[:, 0] - volts) / v_tol, (limits[:, 1] - current) / i_tol)
    error = np.maximum(error, (limits[:, 2] - current) / i_tol)
    inside = (emf > limits[:, 3] - v_tol) & (emf < limits[:, 4] + v_tol)
    rests = (np.abs(error) < 2) & inside
    rests |= (modes == Mode.TOP) & (error > -2)
    rests |= (modes == Mode.BOTTOM) & (error < 2)
    return np.asarray(rests.all(-1), dtype=np.bool_)
