"""What is exact about a passive bridge, whatever is wrong inside it.

No model of the inside is needed here, so nothing here can be fooled by a fault.

All functions work on floats, on numpy arrays (element by element) and on GTC uncertain numbers
alike: they only add, subtract, multiply and divide.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Generic, Protocol, TypeVar

from acq.analysis.leads import FOUR_WIRE_PAIRS, LeadPair


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
