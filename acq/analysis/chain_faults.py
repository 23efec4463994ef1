"""Everything that is thought of when a weighing chain is wrong, block by block.

Each fault changes numbers of the chain within a range: from the block's tolerance, below which it
is no fault, to as large as it gets. Within a block `share` tells how usual it is: our judgement.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Unpack

from acq.analysis.chain import SPAN
from acq.analysis.chain_faults_at_cells import of_box, of_box_input, of_cell
from acq.analysis.chain_hypotheses import BOTH, Change, Hypothesis, More
from acq.analysis.chain_hypotheses import new as made
from acq.analysis.chain_papers import Block, Chain


def hypotheses(chain: Chain) -> tuple[Hypothesis, ...]:
    """Everything that is thought of for this chain; within a block the shares add up to 1."""
    count = len(chain.cells)
    per_cell = [of_cell(chain, index) for index in range(count)]
    inputs = [of_box_input(chain, index) for index in range(count)]
    together: list[Hypothesis] = [item for cell in per_cell for item in cell]
    box = [item for group in inputs for item in group] + list(of_box(chain))
    mechanics = list(_mechanics(chain)) + [_binding(chain, index) for index in range(count)]
    blocks = [together, box, mechanics]
    blocks += [list(part(chain)) for part in (_cable, _transmitter, _loop, _control)]
    return tuple(_shared(item, block) for block in blocks for item in block)


def _shared(item: Hypothesis, block: list[Hypothesis]) -> Hypothesis:
    total = sum(other.share for other in block)
    return replace(item, share=item.share / total)


def _cable(chain: Chain) -> Iterator[Hypothesis]:
    allowed, span = chain.tolerances.cable.value, abs(chain.span_ratio)

    def new(what: str, *changes: Change, **more: Unpack[More]) -> Hypothesis:
        return made(Block.CABLE, what, *changes, **more)

    if chain.sensed:
        yield new(
            "the sense lines do not reach the box (linked at the transmitter, or open)",
            Change("sense", None, "set", 0.0),
            share=3.0,
        )
    yield new(
        "each excitation conductor has more resistance than the papers say by",
        Change("conductor_ohms", None, "add"),
        smallest=noticeable_ohms(chain),
        largest=1e3,
        share=2.0,
        unit="ohm",
    )
    yield new(
        "the signal is changed on its way by",
        Change("cable_gain", None, "scale"),
        smallest=allowed,
        largest=0.9,
        signs=BOTH,
        factor=100.0,
        unit="%",
    )
    yield new(
        "a voltage is added on the way, per volt of excitation",
        Change("cable_offset", None, "add"),
        smallest=allowed * span,
        largest=2.0 * span,
        signs=BOTH,
        factor=1e3,
        unit="mV/V",
    )
    output = 1.0 / sum(1.0 / cell.output_ohms for cell in chain.cells)
    yield new(
        "leakage in the cable, S+ to Ex- (negative: to Ex+), of",
        Change("cable_leak", None, "add"),
        loose=((Change("cable_leak_place", None, "add"), 0.4),),
        smallest=4.0 * allowed * span / output,
        largest=1e-2,
        signs=BOTH,
        share=2.0,
        factor=1e6,
        unit="uS",
    )
    yield new("a signal conductor is open", Change("cable_open", None, "set", 1.0))


def noticeable_ohms(chain: Chain) -> float:
    """Conductor resistance that takes the cable's tolerance from the excitation at the box."""
    group = 1.0 / sum(1.0 / (c.input_ohms + c.excitation_trim_ohms) for c in chain.cells)
    rough = 10.0 if chain.sensed else 1.0  # with sense a drop is only a hint of a bad joint
    return 0.5 * rough * chain.tolerances.cable.value * group / chain.cable_share**2


def _transmitter(chain: Chain) -> Iterator[Hypothesis]:
    allowed = chain.tolerances.transmitter.value

    def new(what: str, *changes: Change, **more: Unpack[More]) -> Hypothesis:
        return made(Block.TRANSMITTER, what, *changes, **more)

    gain, offset = Change("tx_gain", None, "scale"), Change("tx_offset", None, "add")
    yield new(
        "its span is off by",
        gain,
        smallest=allowed,
        largest=3.0,
        signs=BOTH,
        factor=100.0,
        unit="%",
    )
    yield new(
        "its zero is off by",
        offset,
        smallest=allowed * SPAN,
        largest=SPAN,
        signs=BOTH,
        factor=1e3,
        unit="mA",
    )
    yield new(
        "its range is wrong, zero and span; the span by",
        gain,
        smallest=allowed,
        largest=3.0,
        loose=((offset, 0.4 * SPAN),),
        signs=BOTH,
        factor=100.0,
        unit="%",
    )
    yield new(
        "its curve is bent in the middle by",
        Change("tx_bow", None, "add"),
        smallest=allowed,
        largest=0.5,
        share=0.4,
        signs=BOTH,
        factor=100.0,
        unit="%",
    )
    yield new(
        "it gives one current whatever comes in:",
        Change("tx_stuck", None, "add"),
        smallest=3e-3,
        largest=23e-3,
        share=0.7,
        factor=1e3,
        unit="mA",
    )
    yield new(
        "its excitation is off by",
        Change("excitation", None, "scale"),
        share=0.7,
        smallest=chain.tolerances.excitation.value,
        largest=0.99,
        signs=BOTH,
        factor=100.0,
        unit="%",
    )
    if chain.sensed:
        yield new("it does not use its sense terminals", Change("tx_sense", None, "set", 0.0))


def _loop(chain: Chain) -> Iterator[Hypothesis]:
    allowed = chain.tolerances.loop.value
    yield Hypothesis(
        block=Block.LOOP,
        what="part of the current goes another way (leak, second load):",
        changes=(Change("loop_gain", None, "scale"),),
        smallest=allowed,
        largest=0.95,
        signs=BOTH,
        factor=100.0,
        unit="%",
    )
    yield Hypothesis(
        block=Block.LOOP,
        what="a current is added on the way:",
        changes=(Change("loop_offset", None, "add"),),
        smallest=allowed * SPAN,
        largest=SPAN,
        signs=BOTH,
        factor=1e3,
        unit="mA",
    )
    yield Hypothesis(
        block=Block.LOOP,
        what="the loop has too little voltage and clips at",
        changes=(Change("loop_limit", None, "set", 0.0), Change("loop_limit", None, "add")),
        smallest=5e-3,
        largest=20.4e-3,
        factor=1e3,
        unit="mA",
    )
    yield Hypothesis(
        block=Block.LOOP,
        what="the loop is open or has no supply",
        changes=(Change("loop_limit", None, "set", 0.0),),
    )


def _control(chain: Chain) -> Iterator[Hypothesis]:
    allowed = chain.tolerances.control.value
    span = abs(chain.span_shown)
    gain, offset = Change("control_gain", None, "scale"), Change("control_offset", None, "add")

    def new(what: str, *changes: Change, **more: Unpack[More]) -> Hypothesis:
        return made(Block.CONTROL, what, *changes, **more)

    yield new("the input is scaled 0 to 20 mA", Change("control_from_zero", None, "set"), share=1.5)
    yield new(
        "its span is off by",
        gain,
        smallest=allowed,
        largest=4.0,
        signs=BOTH,
        factor=100.0,
        unit="%",
    )
    yield new(
        "its zero is off by",
        offset,
        smallest=allowed * span,
        largest=span,
        signs=BOTH,
        unit="kg",
    )
    yield new(
        "lower and upper range value are wrong; the span by",
        gain,
        smallest=allowed,
        largest=4.0,
        signs=BOTH,
        loose=((offset, 0.4 * span),),
        factor=100.0,
        unit="%",
    )


def _mechanics(chain: Chain) -> Iterator[Hypothesis]:
    allowed, span = chain.tolerances.mechanics.value, abs(chain.span_shown)
    yield Hypothesis(
        block=Block.MECHANICS,
        what="pipes or check rods carry part of the load (minus) or add:",
        changes=(Change("live_gain", None, "scale"),),
        smallest=allowed,
        largest=0.9,
        signs=BOTH,
        share=2.0,
        factor=100.0,
        unit="%",
    )
    yield Hypothesis(
        block=Block.MECHANICS,
        what="a force stands on the vessel beside the load:",
        changes=(Change("load_offset", None, "add"),),
        signs=BOTH,
        smallest=allowed * span + 2.0 * chain.u_dead_load,
        largest=span,
        unit="kg",
    )


def _binding(chain: Chain, index: int) -> Hypothesis:
    return Hypothesis(
        block=Block.MECHANICS,
        cell=index,
        what=f"the mount over cell {index + 1} binds: it lets through too little by",
        changes=(Change("load_gain", index, "scale", -1.0),),
        smallest=2.0 * chain.tolerances.mechanics.value,
        largest=0.95,
        share=1.5 / len(chain.cells),
        factor=100.0,
        unit="%",
    )
