"""Every fault that a resistive network can show, as a straight line of readings.

Changing one resistor of a network, or adding one, moves all pair resistances along one fixed
pattern (the rank-one formula of Sherman and Morrison). So the readings under a fault are
`base + s * step`, exactly and at any size: s = 0 is a sound cell, s = 1 the extreme (an open arm,
a dead short). Slopes in the deviates z of sound cells are affine in s as well.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from acq.analysis.expectation import (
    PLACE,
    ExpectedCell,
    readings,
    with_slopes,
)
from acq.analysis.fault_changes import SOUND, Change
from acq.analysis.faults import FaultAt
from acq.analysis.leads import Lead, LeadPair
from acq.analysis.network import BRIDGE_LEADS, Floats
from acq.analysis.population import Population
from acq.analysis.sizes import SizePrior, exactly

MODEL_SHARE = 1e-4
"""What a line may be off by, of its displacement: linearity of the meter, second orders."""
OTHER_CABLE_OHMS = 0.5
"""How far a conductor of another type may be from the one on the papers, standard deviation."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """A size in a person's words: from s to a number in `unit`, the text behind the number.

    `smaller_is_worse` for a path that should not be there; beyond `open_above` it is open.
    """

    of: Callable[[Floats], Floats]
    unit: str
    signed: bool = True
    smaller_is_worse: bool = False
    open_above: float = np.inf

    def text(self, s: float) -> str:
        """Return the size in words, for instance `+2 % of the arm`."""
        value = float(self.of(np.asarray(s)))
        if not value <= self.open_above:
            return "open"
        value = value if self.signed else max(value, 0.0)
        return f"{value:{'+' if self.signed else ''}.3g} {self.unit}"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Line:
    """The readings under one fault (D entries: pairs, then the zero in ohm), with its prior.

    `shares`: the faults that show themselves so, each with its part of that fault's cases.
    `columns` and, per s, `columns_per_size` are further independent scatter of the readings,
    shaped (D, any); `jitter` is independent noise of each reading per |s|; `open` tells which
    readings are open. `leak_ohms` goes from s to a leak; `leak_bin` is the place of a leak in
    `LEAK_BINS`. `change` makes the exact network of a size, where it is more than a line.
    `from_papers` is False when the papers tell nothing about the cell. Readings
    above `range_ohms` are taken in another range, which is off by `range_gain` against the first.
    """

    shares: tuple[tuple[FaultAt, float], ...]
    base: Floats
    step: Floats
    base_slopes: Floats
    step_slopes: Floats
    prior: SizePrior = field(default_factory=exactly)
    columns: Floats
    columns_per_size: Floats
    jitter: Floats
    open: NDArray[np.bool_]
    measure: Measure | None = None
    change: Callable[[float], Change] | None = None
    scatter: Floats | None = None
    leak_ohms: Callable[[Floats], Floats] | None = None
    leak_bin: int | None = None
    from_papers: bool = True
    range_ohms: float = np.inf
    range_gain: float = 0.0

    @property
    def point(self) -> bool:
        """Whether the line has no size of its own."""
        return not self.step.any()


@dataclass(slots=True)
class LineMaker:
    """Makes lines of one expected cell for one set of pairs; `population` says how it scatters.

    `emf_at` is the excitation in V of a zero that still holds the EMF, None when reversal of the
    excitation has taken it out.
    """

    cell: ExpectedCell
    population: Population
    pairs: Sequence[LeadPair]
    emf_at: float | None = None
    sound: tuple[Floats, Floats] = field(init=False)

    def __post_init__(self) -> None:
        self.sound = self.both(SOUND)

    @property
    def leads(self) -> tuple[Lead, ...]:
        """The leads of this cell's bridge."""
        return tuple(x for x in BRIDGE_LEADS if self.cell.wires == 6 or not x.startswith("Se"))

    def both(self, change: Change) -> tuple[Floats, Floats]:
        """Return the readings under a change, and their slopes."""
        return with_slopes(lambda z: readings(self.cell, self.population, z, self.pairs, change))

    def line(
        self,
        *shares: tuple[FaultAt, float],
        extreme: Change | None = None,
        base: Change | None = None,
        prior: SizePrior | None = None,
        measure: Measure | None = None,
        change: Callable[[float], Change] | None = None,
    ) -> Line:
        """Return the line from a sound cell (or `base`) to `extreme`."""
        start, start_slopes = self.sound if base is None else self.both(base)
        end, end_slopes = (start, start_slopes) if extreme is None else self.both(extreme)
        nothing = np.zeros((len(start), 0))
        return Line(
            shares=shares,
            base=start,
            step=end - start,
            base_slopes=start_slopes,
            step_slopes=end_slopes - start_slopes,
            prior=prior or exactly(),
            columns=nothing,
            columns_per_size=nothing,
            jitter=MODEL_SHARE * np.abs(end - start),
            open=np.zeros(len(start), bool),
            measure=measure,
            change=change,
            range_ohms=self.population.meters.range_ohms,
            range_gain=np.sqrt(2.0) * self.population.meters.gain,
        )

    def open_line(self, fault: FaultAt, weight: float, opened: Sequence[LeadPair]) -> Line:
        """Return the point at which these pairs read open, and the zero with them."""
        line = self.line((fault, weight))
        mask = np.array([pair in opened for pair in self.pairs] + [True])
        return replace(line, open=mask)


def with_unknown_papers(line: Line, cell: ExpectedCell, population: Population) -> Line:
    """Return the line of a cell of which only that it is sound is known: wide legs and cable."""
    wide = np.ones(line.base_slopes.shape[1])
    wide[PLACE["legs"]] = 0.05 * cell.arm_ohms / cell.leg_uncertainty
    copper = np.hypot(
        population.spread.conductor_common * cell.conductor_ohms, cell.conductor_uncertainty
    )
    wide[PLACE["conductors"]] = OTHER_CABLE_OHMS / copper
    wide[PLACE["zero"]] = 0.05 * cell.rated_output / cell.zero_uncertainty
    return replace(
        line,
        base_slopes=line.base_slopes * wide,
        step_slopes=line.step_slopes * wide,
        from_papers=False,
    )
