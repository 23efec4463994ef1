"""The compiled circuit: voltage drops over a maximum-conductance spanning forest as unknowns.

Node voltages against one reference lose a 0.05 ohm drop beside 1e11 ohm of isolation. Here the
unknowns x are the drops over the tree's resistors. With P the tree path of every branch
(entries 0, +1, -1), g the conductances, h the EMF around the loop that a branch closes, the
equations are

    (P' g P) x = -P' (g h + amps),        drop = P x + h,      current = g drop + amps.

Every entry of P' g P is a sum of conductances of one sign, so it is formed without
cancellation, and a branch off the tree has at least the resistance of every branch on its tree
path, so the scaled matrix is well conditioned whatever the spread of the resistances.
No node is a reference: earth is a node like others, an island has a root of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulated_bench.regulation import Floats, Ints, Source, regulate

LARGE = 100
"""Nodes from which the matrices of a batch are made one by one."""
STRETCH_LIMIT = 1e3
"""A tree whose path is this much more resistive than a branch it spans is a poor one."""


@dataclass(frozen=True, slots=True, eq=False)
class Overlaps:
    """The entries of P' g P that are not 0, branch by branch, on the diagonal and below it.

    With many cells on a bench a path holds some ten of some hundred tree branches: the sums over
    what is there take a tenth of the time of the whole product. All terms of an entry have one
    sign here too.
    """

    size: int
    branch: NDArray[np.int64]
    place: NDArray[np.int64]  # in the matrix, row by row
    sign: Floats
    diagonal: NDArray[np.int64]

    @classmethod
    def of(cls, paths: Floats) -> Overlaps:
        """Find the entries of these paths, shaped (branches, tree)."""
        size = paths.shape[1]
        branch, tree = np.nonzero(paths)
        first = np.concatenate([[0], np.cumsum(np.bincount(branch, minlength=len(paths)))])
        # every entry of a path with itself and those before it
        partners = np.arange(branch.size) - first[branch] + 1
        one = np.repeat(np.arange(branch.size), partners)
        before = np.arange(one.size) - np.repeat(np.cumsum(partners) - partners, partners)
        other = first[branch[one]] + before
        values = paths[branch, tree]
        return cls(
            size,
            branch[one],
            tree[one] * size + tree[other],
            values[one] * values[other],
            np.arange(size) * (size + 1),
        )

    def matrix(self, g: Floats) -> Floats:
        """Return P' g P for these conductances."""
        weights = g[self.branch] * self.sign
        flat = np.asarray(np.bincount(self.place, weights, self.size * self.size), float)
        below = flat.reshape(self.size, self.size)
        whole: Floats = below + below.T
        whole.flat[self.diagonal] = flat[self.diagonal]
        return whole


@dataclass(frozen=True, slots=True, eq=False)
class Topology:
    """A spanning forest of a circuit's branches; valid for any values the tree still suits."""

    nodes: Mapping[str, int]
    islands: NDArray[np.int64]
    tree: NDArray[np.int64]
    node_paths: Floats
    paths: Floats
    path_sizes: Floats
    between_islands: NDArray[np.int64]
    pair_paths: list[Floats]
    probes: dict[tuple[str, str], Floats | None]
    overlaps: list[Overlaps]

    def suits(self, ohms: Floats) -> NDArray[np.bool_]:
        """Whether the tree is still a good one for these resistances, shaped (..., branches)."""
        tree = ohms[..., self.tree]
        whole = np.isfinite(tree).all(-1)
        if not whole.all():
            tree = np.where(np.isfinite(tree), tree, 1.0)
        good = whole & (tree @ self.path_sizes.T < STRETCH_LIMIT * ohms).all(-1)
        if self.between_islands.size:
            good &= np.isinf(ohms[..., self.between_islands]).all(-1)
        return np.asarray(good, dtype=np.bool_)

    def probe(self, a: str, b: str) -> Floats | None:
        """Return w with V(a) - V(b) = tree voltages @ w; None between two islands."""
        if (a, b) not in self.probes:
            p, q = self.nodes[a], self.nodes[b]
            joined = self.islands[p] == self.islands[q]
            self.probes[a, b] = self.node_paths[p] - self.node_paths[q] if joined else None
        return self.probes[a, b]

    def loops(self, emf: Floats) -> Floats:
        """EMF around the loop that each branch closes with the tree; 0 for the tree itself."""
        loop: Floats = emf[..., self.tree] @ self.paths.T - emf
        return loop

    def factor(self, ohms: Floats) -> tuple[Floats, Floats, Floats]:
        """Return conductances, diagonal scale and the scaled matrix of the tree drops."""
        g = 1.0 / ohms
        if g.ndim == 1:
            matrix = self.paths.T @ (g[:, None] * self.paths)
        elif self.paths.shape[1] > LARGE:
            matrix = self._one_by_one(g, alike=not any(ohms.strides[:-1]))
        else:
            size = self.paths.shape[1]
            matrix = (g @ self._path_pairs()).reshape((*g.shape[:-1], size, size))
        scale = 1.0 / np.sqrt(np.diagonal(matrix, axis1=-2, axis2=-1))
        matrix = matrix * (scale[..., :, None] * scale[..., None, :])
        return g, scale, matrix

    def overlap(self) -> Overlaps:
        """Where paths share tree branches, worked out at the first need."""
        if not self.overlaps:
            self.overlaps.append(Overlaps.of(self.paths))
        return self.overlaps[0]

    def _one_by_one(self, g: Floats, *, alike: bool) -> Floats:
        """The matrices of a batch without P x P, which fills the memory; `alike`: one is all."""
        rows = g.reshape(-1, g.shape[-1])
        made = [self.paths.T @ (row[:, None] * self.paths) for row in (rows[:1] if alike else rows)]
        size = self.paths.shape[1]
        wanted = (*g.shape[:-1], size, size)
        if alike:
            return np.broadcast_to(made[0], wanted)
        return np.stack(made).reshape(wanted)

    def _path_pairs(self) -> Floats:
        """P x P as one matrix, so that a batch forms all its matrices in one product."""
        if not self.pair_paths:
            pairs = self.paths[:, :, None] * self.paths[:, None, :]
            self.pair_paths.append(pairs.reshape(len(self.paths), -1))
        return self.pair_paths[0]


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Drops and currents of one solve, shaped (..., tree) and (..., branches)."""

    tree_volts: Floats
    amps: Floats
    source_emf: Floats
    modes: Ints


def solve(
    top: Topology,
    ohms: Floats,
    emf: Floats,
    amps: Floats,
    sources: Sequence[Source] = (),
    held: Sequence[int] | None = None,
) -> Solution:
    """Solve by superposition: column 0 all fixed EMFs and currents, then 1 V in each source.

    Raises SourcesFightError when several sources have no stable set of modes.
    """
    if ohms.ndim == emf.ndim == amps.ndim == 1:
        return _solve_single(top, (ohms, emf, amps), sources, held)
    g, scale, matrix = top.factor(ohms)
    shape, count = matrix.shape[:-2], len(sources)
    at = [s.branch for s in sources]
    e = np.zeros((*shape, 1 + count, ohms.shape[-1]))
    e[..., 0, :] = emf
    e[..., range(1, 1 + count), at] = 1.0
    h = top.loops(e)
    right = -(g[..., None, :] * h)
    right[..., 0, :] -= amps
    right = scale[..., :, None] * np.swapaxes(right @ top.paths, -1, -2)
    drops = np.swapaxes(scale[..., :, None] * np.linalg.solve(matrix, right), -1, -2)
    if not count:
        x, e, h = drops[..., 0, :], e[..., 0, :], h[..., 0, :]
        none = np.zeros((*shape, 0))
        return Solution(
            x + e[..., top.tree], g * (x @ top.paths.T + h) + amps, none, none.astype(int)
        )
    source_emf, modes = _loops_at_rest(top, (g, drops, e, h), sources, held)
    weights = np.concatenate([np.ones((*source_emf.shape[:-1], 1)), source_emf], -1)[..., None, :]
    x, e, h = ((weights @ y)[..., 0, :] for y in (drops, e, h))
    return Solution(x + e[..., top.tree], g * (x @ top.paths.T + h) + amps, source_emf, modes)


def _solve_single(
    top: Topology,
    values: tuple[Floats, Floats, Floats],
    sources: Sequence[Source],
    held: Sequence[int] | None,
) -> Solution:
    """The same for one circuit in as few array operations as it takes: every reading pays."""
    ohms, emf, amps = values
    paths, count = top.paths, len(sources)
    g = 1.0 / ohms
    large = paths.shape[1] > LARGE
    matrix = top.overlap().matrix(g) if large else paths.T @ (g[:, None] * paths)
    scale = 1.0 / np.sqrt(matrix.diagonal())
    matrix *= scale[:, None]
    matrix *= scale
    e = np.zeros((1 + count, len(ohms)))
    e[0] = emf
    for k, source in enumerate(sources, 1):
        e[k, source.branch] = 1.0
    e_tree = e[:, top.tree]
    h = e_tree @ paths.T - e
    right = g * h
    right[0] += amps
    x = np.linalg.solve(matrix, ((right @ paths) * -scale).T).T * scale
    volts = x + e_tree
    sensed, out = np.zeros((count, 1 + count)), np.empty((count, 1 + count))
    for k, source in enumerate(sources):
        row, at = top.probe(*source.sense), source.branch
        if row is not None:
            sensed[k] = volts @ row
        out[k] = -g[at] * (x @ paths[at] + h[:, at])
    none = np.zeros(0), np.zeros(0, dtype=np.int64)
    source_emf, modes = regulate(sensed, out, sources, held) if count else none
    weights = np.ones(1 + count)
    weights[1:] = source_emf
    current = g * (paths @ (weights @ x) + weights @ h) + amps
    return Solution(weights @ volts, current, source_emf, modes)


def _loops_at_rest(
    top: Topology,
    columns: tuple[Floats, Floats, Floats, Floats],
    sources: Sequence[Source],
    held: Sequence[int] | None,
) -> tuple[Floats, Ints]:
    """What every source senses and delivers per column, handed to the control loops."""
    g, drops, e, h = columns
    volts = drops + e[..., top.tree]
    rows = [top.probe(*s.sense) for s in sources]
    sensed = np.zeros((*volts.shape[:-2], len(sources), volts.shape[-2]))
    out = np.empty_like(sensed)
    for k, (source, row) in enumerate(zip(sources, rows, strict=True)):
        if row is not None:
            sensed[..., k, :] = volts @ row
        at = source.branch
        out[..., k, :] = -g[..., at, None] * (drops @ top.paths[at] + h[..., at])
    return regulate(sensed, out, sources, held)


def compile_topology(
    nodes: Mapping[str, int], a: Sequence[int], b: Sequence[int], ohms: Floats
) -> Topology:
    """Kruskal by rising resistance: a maximum-conductance spanning forest."""
    tree, near = _spanning_forest(len(nodes), a, b, ohms)
    paths, islands = _paths_from_roots(near, len(tree))
    branch_paths = paths[list(a)] - paths[list(b)]
    apart = np.flatnonzero(islands[list(a)] != islands[list(b)])
    branch_paths[apart] = 0.0
    return Topology(
        nodes=dict(nodes),
        islands=islands,
        tree=np.array(tree, dtype=np.int64),
        node_paths=paths,
        paths=branch_paths,
        path_sizes=np.abs(branch_paths),
        between_islands=apart,
        pair_paths=[],
        probes={},
        overlaps=[],
    )


Neighbours = list[list[tuple[int, int, float]]]


def _spanning_forest(
    count: int, a: Sequence[int], b: Sequence[int], ohms: Floats
) -> tuple[list[int], Neighbours]:
    """Return the branches of the forest and, per node, (neighbour, place in the tree, sign)."""
    parent = list(range(count))
    near: Neighbours = [[] for _ in range(count)]
    tree: list[int] = []

    def root(x: int) -> int:
        while parent[x] != x:
            parent[x] = x = parent[parent[x]]
        return x

    for k in np.argsort(ohms, kind="stable").tolist():
        if ohms[k] == np.inf:
            break
        p, q = root(a[k]), root(b[k])
        if p != q:
            parent[p] = q
            near[a[k]].append((b[k], len(tree), -1.0))
            near[b[k]].append((a[k], len(tree), 1.0))
            tree.append(k)
    return tree, near


def _paths_from_roots(near: Neighbours, size: int) -> tuple[Floats, NDArray[np.int64]]:
    """Return each node's signed path from the root of its island, and that root."""
    paths = np.zeros((len(near), size))
    islands = np.full(len(near), -1, dtype=np.int64)
    for start in range(len(near)):
        if islands[start] >= 0:
            continue
        islands[start] = start
        waiting = [start]
        for x in waiting:
            for y, place, sign in near[x]:
                if islands[y] < 0:
                    islands[y] = start
                    paths[y] = paths[x]
                    paths[y, place] = sign
                    waiting.append(y)
    return paths, islands
