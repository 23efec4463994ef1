"""What to measure or exchange next in a weighing chain, and the caution that goes with it.

The best next step is the one whose answer is least certain beforehand, per minute of work: it
halves what is left. Minutes are our estimates of hand work.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from acq.analysis.chain_papers import Block, Chain, ChainReadings, Kind

INHIBIT = (
    "Permit to work, interlocks and alarms inhibited and the value forced by operations before"
    " this step: a weight value often closes a valve."
)
AREA = (
    "In a hazardous area only instruments that are certified for it, or a written gas-free"
    " clearance; local rules and licensed persons decide."
)
LOOP_OPEN = "An opened loop trips the control system: use test terminals, or inhibit first."
POWER = (
    "First the voltage on the open input: 12 to 30 V with polarity means the input supplies the"
    " loop, so simulate a 2-wire transmitter (sink); below 0.5 V drive only after the loop drawing"
    " confirms it; anything else: stop. Never drive current into a powered input."
)
HANGING = (
    "Nobody under a suspended vessel or load; never loosen a mount under load; secure the weights."
)
NO_INSULATION = (
    "No insulation test through barriers, surge arresters or electronics, and none in an explosive"
    " atmosphere: disconnect them first."
)
FLOATING = (
    "Measure the excitation DC and AC first: pulsed or alternating excitation refuses a plain"
    " source. The source must float; set mV = mV/V times the measured excitation, keep a load of"
    " two equal resistors in series on the excitation and tie one side of the source to their"
    " middle."
)


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do: where, what, against which blocks it decides, minutes, cautions."""

    interface: str
    what: str
    decides: tuple[Block, ...]
    minutes: float
    cautions: tuple[str, ...]
    bits: float = 0.0


@dataclass(frozen=True, slots=True)
class _Offer:
    step: Step
    done_by: tuple[Kind, ...]  # measured already when any of these was read


_OFFERS = (
    _Offer(
        Step(
            "I6", "feed 4, 12 and 20 mA in place of the transmitter, read the display",
            (Block.CONTROL,), 10.0, (INHIBIT, LOOP_OPEN, POWER, AREA),
        ),
        (Kind.FED_CURRENT_SHOWN,),
    ),
    _Offer(
        Step(
            "I5/I6", "read the current at the transmitter and at the input at the same moment",
            (Block.LOOP,), 10.0, (LOOP_OPEN, INHIBIT, AREA),
        ),
        (Kind.RECEIVED,),
    ),
    _Offer(
        Step(
            "I4", "feed mV/V at the transmitter's terminals in place of the cells, read mA",
            (Block.TRANSMITTER,), 20.0, (INHIBIT, FLOATING, AREA),
        ),
        (Kind.FED_TERMINALS_SENT, Kind.FED_TERMINALS_SHOWN),
    ),
    _Offer(
        Step(
            "I3", "feed the same mV/V at the box end of the home-run cable, read mA",
            (Block.CABLE,), 25.0, (INHIBIT, FLOATING, AREA),
        ),
        (Kind.FED_BOX_SENT, Kind.FED_BOX_SHOWN, Kind.FED_BOX_TERMINALS),
    ),
    _Offer(
        Step(
            "I3/I4", "read the voltage at the sense terminals and the excitation at the box",
            (Block.CABLE,), 10.0, (AREA,),
        ),
        (Kind.SENSE, Kind.BOX_SHARE),
    ),
    _Offer(
        Step(
            "I3", "read mV/V of the box sum, then once more with the home-run signal pair lifted",
            (Block.CABLE, Block.TRANSMITTER, Block.LOOP, Block.CONTROL), 15.0, (INHIBIT, AREA),
        ),
        (Kind.BOX_RATIO, Kind.BOX_ALONE),
    ),
    _Offer(
        Step(
            "I2", "lift one cell's signal pair at a time and read its mV/V, excitation on",
            (Block.CELL,), 25.0, (INHIBIT, AREA),
        ),
        (Kind.CELL_RATIO,),
    ),
    _Offer(
        Step(
            "I2", "power off, cells disconnected: input and output resistance of each cell",
            (Block.CELL,), 30.0, (INHIBIT, NO_INSULATION, AREA),
        ),
        (Kind.INPUT_OHMS, Kind.OUTPUT_OHMS),
    ),
)  # fmt: skip

_CORNERS = Step(
    "I0", "the same weight over each cell in turn, display and box sum each time",
    (Block.CELL, Block.BOX), 30.0, (HANGING, INHIBIT),
)  # fmt: skip
_KNOWN = Step(
    "I0", "a known load, as high as can be had, read at every interface",
    (Block.MECHANICS,), 40.0, (HANGING, INHIBIT),
)  # fmt: skip

_CONFIRM: Mapping[Block, Step] = {
    Block.MECHANICS: Step(
        "I0", "look for binding, debris, tight check rods, pipes and hoses; free them, repeat the"
        " known load", (Block.MECHANICS,), 30.0, (HANGING, INHIBIT),
    ),
    Block.CELL: Step(
        "I2", "exchange two box inputs: the fault must follow the cell; then ohms and insulation of"
        " that cell alone", (Block.CELL, Block.BOX), 10.0, (INHIBIT, NO_INSULATION, AREA),
    ),
    Block.BOX: Step(
        "I3", "open the box: moisture, terminals, trims; exchange two inputs: the fault must stay"
        " with the input", (Block.CELL, Block.BOX), 10.0, (INHIBIT, AREA),
    ),
    Block.CABLE: Step(
        "I3/I4", "sense links at the box end and nowhere else; each conductor's ohms with both ends"
        " off", (Block.CABLE,), 20.0, (INHIBIT, NO_INSULATION, AREA),
    ),
    Block.TRANSMITTER: Step(
        "I4/I5", "compare range, sense mode and trim with the papers, as found written down first",
        (Block.TRANSMITTER,), 15.0, (INHIBIT,),
    ),
    Block.LOOP: Step(
        "I5/I6", "loop supply, voltage at the transmitter at 20 mA, burden, one earth only",
        (Block.LOOP,), 15.0, (LOOP_OPEN, INHIBIT, AREA),
    ),
    Block.CONTROL: Step(
        "I7", "compare range values, input type (4 to 20 or 0 to 20 mA) and filter with the papers",
        (Block.CONTROL,), 10.0, (INHIBIT,),
    ),
}  # fmt: skip

_LOG = Step(
    "I3-I5", "log box mV/V, excitation, mA and temperature with time for 24 h and look for what"
    " goes together: the fault may come and go", (), 30.0, (INHIBIT, AREA),
)  # fmt: skip


def next_steps(
    chain: Chain, readings: ChainReadings, probability: Mapping[Block, float], answer: str
) -> tuple[Step, ...]:
    """Return what to do next, best first.

    A named block is confirmed before anything is exchanged; otherwise the steps not yet done
    are ordered by the information that they are expected to give per minute.
    """
    if answer == "block at fault":
        return (_CONFIRM[max(probability, key=lambda block: probability[block])],)
    open_ = [_weighed(step, probability) for step in _not_done(chain, readings)]
    ranked = sorted(open_, key=lambda step: -step.bits / (step.minutes + 5.0))
    useful = tuple(step for step in ranked if step.bits > 0.005)[:3]
    if useful:
        return useful
    return (_LOG,)


def _not_done(chain: Chain, readings: ChainReadings) -> list[Step]:
    read = {row.kind for row in readings.rows}
    steps = [offer.step for offer in _OFFERS if not read & set(offer.done_by)]
    states = list(readings.states.values())
    if len(chain.cells) > 1 and sum(state.corner is not None for state in states) < 2:
        steps.append(_CORNERS)
    if not any(state.live > 0.0 and state.corner is None for state in states):
        steps.append(_KNOWN)
    return steps


def _weighed(step: Step, probability: Mapping[Block, float]) -> Step:
    p = min(sum(probability.get(block, 0.0) for block in step.decides), 1.0)
    bits = 0.0 if p <= 0.0 or p >= 1.0 else -p * math.log2(p) - (1.0 - p) * math.log2(1.0 - p)
    return Step(step.interface, step.what, step.decides, step.minutes, step.cautions, bits)
