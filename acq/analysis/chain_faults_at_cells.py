"""What can be wrong with the cells of a weighing chain and with the box that joins them.

A part of the list in `chain_faults`, which tells what the numbers mean.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, Unpack

from acq.analysis.chain_bridges import OPEN_OHMS
from acq.analysis.chain_hypotheses import BOTH, Change, Hypothesis, More
from acq.analysis.chain_hypotheses import new as made
from acq.analysis.chain_papers import Block, Chain

# where the compensation sits matters as soon as a cell has not both excitation leads
UNEVEN = ((Change("compensation_plus", None, "add"), 0.35),)


def of_cell(chain: Chain, index: int) -> Iterator[Hypothesis]:
    """Yield what may be wrong with one cell."""
    cell, allowed = chain.cells[index], chain.tolerances
    zero = allowed.cell_zero.value * cell.rated_output
    leak = 4.0 * zero / cell.output_ohms  # a leak S+ to Ex- of this size shifts the zero by that

    def new(what: str, *changes: Change, **more: Unpack[More]) -> Hypothesis:
        return made(Block.CELL, what, *changes, cell=index, **more)

    def one(name: str, how: Literal["set", "add", "scale"], value: float = 1.0) -> Change:
        return Change(name, index, how, value)

    yield new(
        "its zero has moved by",
        one("zero", "add"),
        smallest=zero,
        largest=2.0 * cell.rated_output,
        signs=BOTH,
        share=3.0,
        factor=1e3,
        unit="mV/V",
    )
    yield new(
        "its rated output is off by",
        one("rated_output", "scale"),
        smallest=allowed.cell_output.value,
        largest=0.9,
        signs=BOTH,
        share=2.0,
        factor=100.0,
        unit="%",
    )
    yield new(
        "leakage S+ to Ex- (negative: S+ to Ex+) of",
        one("leak", "add"),
        smallest=leak,
        largest=1e-3,
        signs=BOTH,
        share=2.0,
        factor=1e6,
        unit="uS",
    )
    for lead, name in (("S+", "s_plus_ohms"), ("S-", "s_minus_ohms")):
        yield new(f"its {lead} wire is open", one(name, "set", OPEN_OHMS))
    yield new(
        "both signal wires are open",
        one("s_plus_ohms", "set", OPEN_OHMS),
        one("s_minus_ohms", "set", OPEN_OHMS),
        share=0.5,
    )
    for lead, name in (("Ex+", "ex_plus_ohms"), ("Ex-", "ex_minus_ohms")):
        yield new(f"its {lead} wire is open", one(name, "set", OPEN_OHMS), loose=UNEVEN)
    yield new(
        "its signal pair is shorted with",
        one("short", "add"),
        smallest=0.005,
        largest=20.0,
        share=0.7,
        unit="S",
    )
    yield new("its signal pair is crossed", one("polarity", "set", -1.0), share=0.7)
    for sign, largest in ((1, 3.0), (-1, 0.75)):
        yield new(
            "another bridge resistance, off by",
            one("output_ohms", "scale"),
            one("input_ohms", "scale"),
            smallest=0.04,
            largest=largest,
            signs=(sign,),
            share=0.3,
            factor=100.0,
            unit="%",
        )


def of_box_input(chain: Chain, index: int) -> Iterator[Hypothesis]:
    """Yield what may be wrong at one input of the box."""
    cell = chain.cells[index]

    def new(what: str, *changes: Change, **more: Unpack[More]) -> Hypothesis:
        return made(Block.BOX, what, *changes, cell=index, **more)

    plus, minus = "box_s_plus_ohms", "box_s_minus_ohms"
    yield new(
        f"both signal terminals of input {index + 1} are loose",
        Change(plus, index, "set", OPEN_OHMS),
        Change(minus, index, "set", OPEN_OHMS),
        share=2.0,
    )
    for lead, name in (("S+", plus), ("S-", minus)):
        yield new(
            f"the {lead} terminal of input {index + 1} is loose",
            Change(name, index, "set", OPEN_OHMS),
        )
    yield new(
        f"the Ex+ terminal of input {index + 1} is loose",
        Change("box_ex_ohms", index, "set", OPEN_OHMS),
        loose=UNEVEN,
    )
    yield new(
        f"the excitation of input {index + 1} has a series resistance (trim, joint) beyond the"
        " papers by",
        Change("box_ex_ohms", index, "add"),
        loose=UNEVEN,
        smallest=0.004 * cell.input_ohms,
        largest=2e4,
        share=1.5,
        unit="ohm",
    )
    yield new(
        f"the signal of input {index + 1} has a series resistance (trim, joint) beyond the papers"
        " by",
        Change(plus, index, "add"),
        smallest=0.01 * cell.output_ohms,
        largest=2e4,
        unit="ohm",
    )


def of_box(chain: Chain) -> Iterator[Hypothesis]:
    """Yield what may be wrong with the box as a whole."""
    shift = chain.tolerances.box.value * abs(chain.span_ratio)
    output = 1.0 / sum(1.0 / cell.output_ohms for cell in chain.cells)
    count = len(chain.cells)
    yield Hypothesis(
        block=Block.BOX,
        what="leakage at the joined terminals, S+ to Ex- (negative: to Ex+), of",
        changes=(Change("joint_leak", None, "add"),),
        smallest=4.0 * shift / output,
        largest=1e-2,
        signs=BOTH,
        share=3.0 * count,
        factor=1e6,
        unit="uS",
    )
    yield Hypothesis(
        block=Block.BOX,
        what="the joined signal terminals are bridged with",
        changes=(Change("joint_short", None, "add"),),
        smallest=1e-4,
        largest=20.0,
        share=0.7 * count,
        unit="S",
    )
