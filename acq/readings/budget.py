"""Expanded uncertainty and budget of a result: Welch-Satterthwaite, Student's t, largest first."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from acq.readings.measured import Bound, Contribution, Expanded, Measured, Uncertain, is_number

K = TypeVar("K")


def expanded(measured: Measured, probability: float = 0.95) -> Expanded:
    """Return (value, U, k, dof) at a coverage probability.

    dof by the Welch-Satterthwaite formula (GUM G.4.1, equation G.2b), full digits; k is
    Student's t for dof truncated to the next lower integer. Of a bound: the bound's own U.
    Raises ValueError when correlated influences with few degrees of freedom leave dof undefined.
    """
    if isinstance(measured, Bound):
        k = coverage_factor(math.inf, probability)
        return Expanded(measured.value, k * measured.u, k, math.inf, probability)
    # what cancelled altogether has no spread whose degrees of freedom could be counted
    dof = float(measured.df) if measured.u > 0.0 else math.inf
    if math.isnan(dof):
        raise ValueError("degrees of freedom are undefined: correlated influences of finite dof")
    # GTC works with 1e6 as good as infinite; so that results do not differ in a hidden way
    dof = math.inf if dof > 1e6 else dof
    k = coverage_factor(dof, probability)
    return Expanded(float(measured.x), k * float(measured.u), k, dof, probability)


def coverage_factor(dof: float, probability: float = 0.95) -> float:
    """Return Student's t, two-sided, for dof truncated to an integer (GUM Table G.2)."""
    from scipy import special

    part = (1.0 + probability) / 2.0
    if math.isinf(dof):
        return float(special.ndtri(part))
    return float(special.stdtrit(max(1, math.floor(dof + 1e-9)), part))


def budget(measured: Measured) -> tuple[Contribution, ...]:
    """Return the contributions of a result, largest first, in its unit.

    Influences of one name are one line (in quadrature, dof by Welch-Satterthwaite); those
    without effect are left out. A bound has the one that its tester's accuracy makes.
    """
    if isinstance(measured, Bound):
        if not measured.u:
            return ()
        return (Contribution(measured.dominating, measured.u, math.inf),)
    groups: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for name, u, dof in _influences(measured):
        groups[name].append((abs(u), dof))
    lines = [_line(name, parts) for name, parts in groups.items()]
    significant = [line for line in lines if line.standard_uncertainty > 0.0]
    return tuple(sorted(significant, key=lambda line: (-line.standard_uncertainty, line.name)))


@dataclass(frozen=True, slots=True)
class SharedInfluences(Generic[K]):
    """`own`: the standard uncertainty of each result that no other one shares with it.

    `common`: every influence that two results or more have, its signed component in each.
    """

    own: dict[K, float]
    common: tuple[dict[K, float], ...]


def shared_influences(results: Mapping[K, Measured]) -> SharedInfluences[K]:
    """Tell what results of one unit have in common: it adds in sums and cancels in differences.

    Bounds have no number to share and are left out.
    """
    found: dict[object, dict[K, float]] = defaultdict(dict)
    own: dict[K, float] = {}
    for key, result in results.items():
        if is_number(result):
            own[key] = 0.0
            for leaf, component in _leaves(result):
                found[leaf.uid][key] = component
    common = []
    for components in found.values():
        if len(components) > 1:
            common.append(components)
        else:
            ((key, component),) = components.items()
            own[key] = math.hypot(own[key], component)
    return SharedInfluences(own, tuple(common))


def _influences(measured: Uncertain) -> list[tuple[str, float, float]]:
    """Return (name, component, dof) of every influence."""
    return [(leaf.label or "unnamed", u, float(leaf.df)) for leaf, u in _leaves(measured)]


def _leaves(measured: Uncertain) -> list[tuple[Any, float]]:
    """Return every influence with its component.

    GTC's public budget leaves the degrees of freedom out, so its two vectors of components
    are read here, and nowhere else.
    """
    vectors = (measured._u_components, measured._d_components)  # type: ignore[attr-defined]
    return [(leaf, float(u)) for vector in vectors for leaf, u in vector.iteritems()]


def _line(name: str, parts: list[tuple[float, float]]) -> Contribution:
    if len(parts) == 1:
        return Contribution(name, *parts[0])
    variance = math.fsum(u * u for u, _ in parts)
    spread = math.fsum(u**4 / dof for u, dof in parts if not math.isinf(dof))
    dof = variance**2 / spread if spread else math.inf
    return Contribution(name, math.sqrt(variance), dof)
