"""Readings that already carry their influences: from GTC numbers to the sources of a series.

A run that evaluated its readings with `acq.readings.uncertainty` knows which influence each pair
of readings shares. This keeps that knowledge: every influence becomes a row of components, one
for each reading, and cancels in the results as it would in GTC itself.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from acq.analysis.propagation import (
    Contribution,
    Floats,
    Readings,
    Result,
    Source,
    effective_degrees_of_freedom,
)


@dataclass(frozen=True)
class Components:
    """Influences of one name, each evaluated by itself with these degrees of freedom.

    `rows` are their signed components, (influences, readings).
    """

    name: str
    degrees_of_freedom: float
    within_runs: bool
    rows: Floats

    def contribution(
        self,
        gradient: Floats,
        readings: Readings,  # noqa: ARG002  (the components are per reading already)
    ) -> Contribution:
        sizes = np.abs(self.rows @ gradient)
        size = float(np.linalg.norm(sizes))
        each = [Contribution(self.name, float(s), self.degrees_of_freedom) for s in sizes if s]
        return Contribution(self.name, size, effective_degrees_of_freedom(each))


def components(
    outputs: Sequence[Any], runs: Sequence[int], beside: Collection[str] = ()
) -> tuple[Source, ...]:
    """Return the influences of GTC numbers as sources, those of one name together.

    `outputs` are the readings of a series in its order, `runs` the run of each. An influence
    that touches readings of a single run counts as part of the scatter between runs, unless its
    name stands in `beside`: what only few readings have does not show in the scatter of all.
    """
    rows: dict[Any, Floats] = {}
    leaves: dict[Any, Any] = {}
    for place, output in enumerate(outputs):
        for leaf, component in _influences(output):
            rows.setdefault(leaf.uid, np.zeros(len(outputs)))[place] = component
            leaves[leaf.uid] = leaf
    grouped: dict[tuple[str, float, bool], list[Floats]] = {}
    for uid, row in rows.items():
        touched = {run for run, component in zip(runs, row, strict=True) if component}
        name = leaves[uid].label or "unnamed"
        within = len(touched) == 1 and len(set(runs)) > 1 and name not in beside
        key = (name, _freedom(leaves[uid]), within)
        grouped.setdefault(key, []).append(row)
    return tuple(
        Components(name, freedom, within, np.array(found))
        for (name, freedom, within), found in sorted(grouped.items(), key=lambda item: item[0])
    )


def _influences(output: Any) -> Iterable[tuple[Any, float]]:
    """Yield (influence, signed component) of a GTC number, which its public budget hides."""
    for vector in (output._u_components, output._d_components):
        yield from vector.iteritems()


def _freedom(leaf: Any) -> float:
    freedom = float(leaf.df)
    return math.inf if freedom > 1e6 else freedom


def as_uncertain(result: Result, outputs: Sequence[Any]) -> Any:
    """Return a result as a GTC number of the readings it came from (first order).

    For whoever goes on computing with it. Observed scatter is not in it: it is in the result.
    """
    if result.tracked is None:
        raise ValueError(f"{result.name}: computed without its derivatives")
    total: Any = result.value
    for weight, output in zip(result.tracked.gradient, outputs, strict=True):
        total = total + float(weight) * (output - output.x)
    return total
