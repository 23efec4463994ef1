"""What a measured quantity is here: a number with uncertainty, or a bound and nothing more."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol, TypeGuard

from acq.readings.reading import Limitation


class Uncertain(Protocol):
    """An uncertain real number (GTC): value `x`, standard uncertainty `u`, dof `df`."""

    @property
    def x(self) -> float: ...
    @property
    def u(self) -> float: ...
    @property
    def df(self) -> float: ...
    def __add__(self, other: Any) -> Any: ...
    def __radd__(self, other: Any) -> Any: ...
    def __sub__(self, other: Any) -> Any: ...
    def __rsub__(self, other: Any) -> Any: ...
    def __mul__(self, other: Any) -> Any: ...
    def __rmul__(self, other: Any) -> Any: ...
    def __truediv__(self, other: Any) -> Any: ...
    def __rtruediv__(self, other: Any) -> Any: ...
    def __neg__(self) -> Any: ...


@dataclass(frozen=True, slots=True)
class Bound:
    """Only a limit is known: "> 20 Gohm", or over-range, which is "> the range".

    `u` is the standard uncertainty of the bound itself (the tester's accuracy at its end).
    """

    value: float
    kind: Limitation
    u: float = 0.0
    dominating: str = ""


Measured = Uncertain | Bound


class Contribution(NamedTuple):
    """One line of a budget, in the unit of the result; `dof` may be infinite."""

    name: str
    standard_uncertainty: float
    dof: float


class Expanded(NamedTuple):
    """A value with its expanded uncertainty; `k` belongs to `dof` truncated (GUM G.4.1)."""

    value: float
    U: float
    k: float
    dof: float
    probability: float = 0.95

    @property
    def u(self) -> float:
        """The combined standard uncertainty."""
        return self.U / self.k if self.k else 0.0


def is_number(measured: Measured) -> TypeGuard[Uncertain]:
    """Tell whether the quantity is a number that may be calculated with."""
    return not isinstance(measured, Bound)
