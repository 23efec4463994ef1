"""The resistive network of a cell: what is exact about it, forwards and from outside.

`predicted_zero`, `bridge_part` and the two delta functions hold whatever is wrong inside, and
work on floats, on numpy arrays (element by element) and on GTC uncertain numbers alike: they
only add, subtract, multiply and divide. `lead_resistances`, `joined` and `pair_resistances` go
from the elements to the readings, for any number of cells at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from acq.analysis.leads import FOUR_WIRE_PAIRS, Lead, LeadPair

Floats = NDArray[np.float64]

BRIDGE_LEADS = (
    Lead.EX_PLUS,
    Lead.EX_MINUS,
    Lead.SE_PLUS,
    Lead.SE_MINUS,
    Lead.S_PLUS,
    Lead.S_MINUS,
)
LEAD_PLACE = {lead: place for place, lead in enumerate(BRIDGE_LEADS)}
NODE_OF_LEAD = np.array([0, 1, 0, 1, 2, 3])  # top, bottom, S+, S-


class Number(Protocol):
    """What a value must be able to do: float, numpy array and uncertain number all can."""

    def __add__(self, other: Any, /) -> Any: ...
    def __sub__(self, other: Any, /) -> Any: ...
    def __mul__(self, other: Any, /) -> Any: ...
    def __rmul__(self, other: Any, /) -> Any: ...
    def __truediv__(self, other: Any, /) -> Any: ...


N = TypeVar("N", bound=Number)


def predicted_zero(pairs: Mapping[LeadPair, N]) -> N:
    """Return the zero balance S+ S- per Ex+ Ex- in V/V that six pair resistances in ohm demand.

    Exact for every passive network of resistors, with any leakage between the leads and any
    lead resistance (reciprocity: a potential drop is a difference of effective resistances).
    Sign: S+ against S- with Ex+ positive. Raises ValueError when one of the six is missing.
    """
    missing = [str(pair) for pair in FOUR_WIRE_PAIRS if pair not in pairs]
    if missing:
        raise ValueError(f"a predicted zero needs all six pairs; missing: {', '.join(missing)}")
    input_, plus_plus, minus_plus, minus_minus, plus_minus, _ = (pairs[p] for p in FOUR_WIRE_PAIRS)
    difference: N = (plus_minus - plus_plus) + (minus_plus - minus_minus)
    zero: N = difference / (2.0 * input_)
    return zero


@dataclass(frozen=True, slots=True)
class Excited(Generic[N]):
    """Signal and excitation in volts that belong together; excitation signed, at the cell."""

    signal: N
    excitation: N


@dataclass(frozen=True, slots=True)
class BridgePart(Generic[N]):
    """What follows the excitation (ratio, V/V) and what does not (emf, V)."""

    ratio: N
    emf: N


def bridge_part(plus: Excited[N], minus: Excited[N]) -> BridgePart[N]:
    """Split a signal read at two excitations, V = ratio U + emf, into its two parts.

    `plus` and `minus` are usually the two polarities; excitation on and off works as well.
    A meter's offset goes into `emf`. Raises ZeroDivisionError for two equal excitations (floats).
    """
    span = plus.excitation - minus.excitation
    ratio: N = (plus.signal - minus.signal) / span
    emf: N = (minus.signal * plus.excitation - plus.signal * minus.excitation) / span
    return BridgePart(ratio, emf)


@dataclass(frozen=True, slots=True, eq=False)
class BridgeElements:
    """The resistances of one bridge or of many, in ohm; leading axes are cells.

    arms: (..., 4), A = Ex+/S+, B = Ex+/S-, C = S+/Ex-, D = S-/Ex-; 1e12 stands for an open arm.
    compensation: (..., 2), the legs on the side of Ex+ and of Ex-.
    conductors: (..., 6), the cable by lead: Ex+ Ex- Se+ Se- S+ S- (Se of a 4-wire cell unused).
    """

    arms: Floats
    compensation: Floats
    conductors: Floats


def lead_resistances(bridge: BridgeElements) -> Floats:
    """Return the resistance between any two leads at the plug in ohm, shaped (..., 6, 6).

    The leads are in the order Ex+ Ex- Se+ Se- S+ S-. Of a ring of four arms each pair of nodes
    sees the two ways round in parallel; whatever lies in series with a node adds.
    """
    ring = _ring(bridge.arms)
    legs = bridge.compensation[..., [0, 1, 0, 1]]
    series = bridge.conductors + np.concatenate([legs, np.zeros_like(legs[..., :2])], -1)
    table: Floats = ring[..., NODE_OF_LEAD[:, None], NODE_OF_LEAD]
    table = table + (series[..., :, None] + series[..., None, :])
    for sense, lead, side in ((2, 0, 0), (3, 1, 1)):
        # a lead and its sense lead meet before the leg: only their conductors lie between them
        loop = table[..., sense, lead] - 2.0 * bridge.compensation[..., side]
        table[..., sense, lead] = table[..., lead, sense] = loop
    diagonal = np.arange(len(BRIDGE_LEADS))
    table[..., diagonal, diagonal] = 0.0
    return table


def _ring(arms: Floats) -> Floats:
    """Return the resistances between the nodes top, bottom, S+, S- of the ring of arms."""
    a, b, c, d = (arms[..., place] for place in range(4))
    total = a + b + c + d
    ring = np.zeros((*arms.shape[:-1], 4, 4))
    for one, other, way in (
        (0, 1, a + c),
        (0, 2, a),
        (0, 3, b),
        (1, 2, c),
        (1, 3, d),
        (2, 3, a + b),
    ):
        ring[..., one, other] = ring[..., other, one] = way * ((total - way) / total)
    return ring


def joined(table: Floats, one: int, other: int, ohms: float | Floats) -> Floats:
    """Return the lead resistances after `ohms` were put between two leads (0: a dead short).

    Exact: a resistor between two nodes of a network moves all its pair resistances along one
    fixed pattern, the square of the potential that a current between the two would make there.
    """
    potential = 0.5 * (table[..., :, other] - table[..., :, one])
    pattern = potential[..., :, None] - potential[..., None, :]
    weight = 1.0 / (np.asarray(ohms) + table[..., one, other])
    changed: Floats = table - weight[..., None, None] * pattern * pattern
    return changed


def pair_resistances(bridge: BridgeElements, pairs: Sequence[LeadPair]) -> Floats:
    """Return the resistances of the pairs in ohm, shaped (..., pairs)."""
    return pick(lead_resistances(bridge), pairs)


def pick(table: Floats, pairs: Sequence[LeadPair]) -> Floats:
    """Return the named pairs out of a table of lead resistances, shaped (..., pairs)."""
    ends = [LEAD_PLACE[p.one] for p in pairs], [LEAD_PLACE[p.other] for p in pairs]
    picked: Floats = table[..., ends[0], ends[1]]
    return picked


@dataclass(frozen=True, slots=True)
class Delta(Generic[N]):
    """Three insulation resistances in ohm, each between two of leads (joined), shield, housing."""

    leads_housing: N
    leads_shield: N
    shield_housing: N


def solve_delta(readings: Delta[N]) -> Delta[N]:
    """Return the three resistances that make three readings, each taken with the third open.

    A reading sees its own resistance beside the other two in series. Exact for any three
    readings of a real delta; readings that contradict each other within their errors give a
    negative resistance, which means: larger than can be seen beside the others.
    """
    lh, ls, sh = readings.leads_housing, readings.leads_shield, readings.shield_housing
    leads, shield, housing = (lh + ls - sh) * 0.5, (ls + sh - lh) * 0.5, (lh + sh - ls) * 0.5
    star = leads * shield + shield * housing + housing * leads
    return Delta(star / shield, star / housing, star / leads)


def delta_readings(delta: Delta[N]) -> Delta[N]:
    """Return what an insulation tester reads on a delta, each reading with the third open."""
    lh, ls, sh = delta.leads_housing, delta.leads_shield, delta.shield_housing
    total = lh + ls + sh
    return Delta(
        lh * (ls + sh) / total,
        ls * (lh + sh) / total,
        sh * (lh + ls) / total,
    )
