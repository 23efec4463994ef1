"""What a hypothesis about a weighing chain is, and how often each block is at fault.

A hypothesis never says how a reading will look: it changes a number of the chain (a lead opens,
a leak appears, a range is wrong) and the readings follow from `chain_model`. Its size is
unknown within a range whose lower end is the tolerance of the block: less is not a fault.
The list of all that is thought of stands in `chain_faults`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, TypedDict, Unpack

from acq.analysis.chain_papers import Block


@dataclass(frozen=True, slots=True)
class Change:
    """One number of the chain, of one cell or (None) of the whole.

    `set` puts `value`; `add` adds size x `value`; `scale` multiplies by 1 + size x `value`.
    """

    name: str
    cell: int | None
    how: Literal["set", "add", "scale"]
    value: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Hypothesis:
    """One thing that may be wrong. `smallest` and `largest` bound its size; equal means one size.

    `loose` are further changes that may come with it, each with a standard deviation.
    `what` is a phrase with `{size}` where the size stands; `shown` turns the size into text.
    """

    block: Block | None
    cell: int | None = None
    what: str
    changes: tuple[Change, ...]
    smallest: float = 1.0
    largest: float = 1.0
    signs: tuple[int, ...] = (1,)
    loose: tuple[tuple[Change, float], ...] = ()
    share: float = 1.0
    factor: float = 1.0  # size times factor is shown, in `unit`
    unit: str = ""

    @property
    def sized(self) -> bool:
        """Tell whether its size is unknown."""
        return self.largest > self.smallest

    def told(self, size: float) -> str:
        """Say what is wrong, with its size where it has one."""
        if not self.sized:
            return self.what
        return f"{self.what} {size * self.factor:+.3g} {self.unit}".rstrip()


BOTH = (1, -1)  # signs of what can go either way


class More(TypedDict, total=False):
    """What a hypothesis may have beside its block, words and changes."""

    smallest: float
    largest: float
    signs: tuple[int, ...]
    loose: tuple[tuple[Change, float], ...]
    share: float
    factor: float
    unit: str


def new(
    block: Block, what: str, *changes: Change, cell: int | None = None, **more: Unpack[More]
) -> Hypothesis:
    """Return a hypothesis; `more` are its other fields by name."""
    return Hypothesis(block=block, cell=cell, what=what, changes=changes, **more)


@dataclass(frozen=True, slots=True)
class Population:
    """How often each block is at fault when somebody is called, and on whose word.

    `none` is the share of visits where every block is within its tolerance; `unknown` is kept
    for what no hypothesis here describes. The numbers are weights; they need not add up to 1.
    """

    weights: Mapping[Block, float] = field(
        default_factory=lambda: {
            Block.MECHANICS: 0.24,
            Block.BOX: 0.18,
            Block.CELL: 0.14,
            Block.CABLE: 0.10,
            Block.TRANSMITTER: 0.06,
            Block.LOOP: 0.04,
            Block.CONTROL: 0.06,
        }
    )
    none: float = 0.17
    unknown: float = 0.01
    source: str = (
        "our judgement: service people say that most faults are mechanics, joints and moisture"
        " in the box, not the cell; no counted source"
    )
