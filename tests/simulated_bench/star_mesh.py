"""A second opinion on resistor networks that shares nothing with the bench: star-mesh.

Nodes are eliminated one by one; the branches of a star become a mesh. Only sums, products and
quotients of positive conductances occur, so that no digit is lost whatever their spread.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

Branch = tuple[str, str, float]


def conductances(branches: Iterable[Branch], ports: Sequence[str]) -> NDArray[np.float64]:
    """Return the conductances in S between the ports when all other nodes are eliminated."""
    real = [(a, b, ohms) for a, b, ohms in branches if ohms != np.inf and a != b]
    names = [*ports, *sorted({n for a, b, _ in real for n in (a, b)} - set(ports))]
    at = {name: place for place, name in enumerate(names)}
    w = np.zeros((len(names), len(names)))
    for a, b, ohms in real:
        w[at[a], at[b]] += 1 / ohms
        w[at[b], at[a]] += 1 / ohms
    for k in range(len(ports), len(names)):
        star = w[k].copy()
        if star.sum() > 0:
            w += np.outer(star, star) / star.sum()
            np.fill_diagonal(w, 0.0)
        w[k] = w[:, k] = 0.0
    return w[: len(ports), : len(ports)]


def resistance(branches: Iterable[Branch], a: str, b: str) -> float:
    """Return the resistance between two nodes in ohm."""
    between = conductances(branches, [a, b])[0, 1]
    return float(1 / between) if between > 0 else float(np.inf)


def transfer(branches: Iterable[Branch], drive: tuple[str, str], across: tuple[str, str]) -> float:
    """Return V(across) / V(drive) with nothing else connected.

    Two free nodes between two driven ones: a balanced-bridge formula with one difference.
    """
    w = conductances(branches, [*drive, *across])
    a, b, c, d, e = w[2, 0], w[2, 1], w[2, 3], w[3, 0], w[3, 1]
    return float((a * e - b * d) / ((a + b) * (d + e) + c * (a + b + d + e)))
