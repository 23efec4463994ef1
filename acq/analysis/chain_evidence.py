"""Each block by itself: what went in, what came out, what should have come out.

These comparisons need no hypothesis. They are what a person checks with a pocket calculator,
and the sentences of the report; the probabilities come from `chain_isolation`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from acq.analysis.chain import SPAN, current_for_ratio, displayed
from acq.analysis.chain_model import loads_on
from acq.analysis.chain_papers import Block, Chain, ChainReadings, Kind, LoadState, Row
from acq.readings.measured import Uncertain

Outcome = Literal["inside", "outside", "doubtful"]

_SHOWN = {"V/V": (1e3, "mV/V", 5), "A": (1e3, "mA", 3), "kg": (1.0, "kg", 1), "V": (1.0, "V", 3),
          "ohm": (1.0, "ohm", 1), "": (1.0, "", 4)}  # fmt: skip


_BY = {
    Block.MECHANICS: "mechanics", Block.CELL: "cell_zero", Block.BOX: "box",
    Block.CABLE: "cable", Block.TRANSMITTER: "transmitter", Block.LOOP: "loop",
    Block.CONTROL: "control",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One block compared with its papers. Values in SI (kg for loads); `blocks` are tested by it.

    `by` names the tolerances that `allowed` is made of. `expanded` is the expanded uncertainty
    (k = 2) of the difference by the instruments alone, `difference` measured minus expected with
    its influences, where the rows have theirs.
    """

    what: str
    interface: str
    blocks: tuple[Block, ...]
    cell: int | None
    measured: float
    expected: float
    allowed: float
    expanded: float
    unit: str
    by: tuple[str, ...]
    difference: Uncertain | None = field(default=None, compare=False, repr=False)

    @property
    def off(self) -> float:
        """Measured minus expected."""
        return self.measured - self.expected

    @property
    def outcome(self) -> Outcome:
        """Inside or outside what is allowed, uncertainty included; doubtful in between."""
        if abs(self.off) > self.allowed + self.expanded:
            return "outside"
        return "inside" if abs(self.off) + self.expanded <= self.allowed else "doubtful"

    def sentence(self) -> str:
        """Say it with its numbers, in the trade's units."""
        factor, unit, digits = _SHOWN[self.unit]
        measured, expected, off, allowed, expanded = (
            f"{number * factor:{sign}.{digits}f}"
            for number, sign in (
                (self.measured, ""), (self.expected, ""), (self.off, "+"),
                (self.allowed, ""), (self.expanded, ""),
            )
        )  # fmt: skip
        tail = f" {unit}" if unit else ""
        return (
            f"{self.interface}: {self.what}: {measured}{tail}, expected {expected}{tail},"
            f" off by {off}{tail} ({allowed} allowed, U = {expanded}): {self.outcome}"
        )


def compare(chain: Chain, readings: ChainReadings) -> tuple[Comparison, ...]:
    """Return every comparison that the readings allow, from the control room to the load."""
    parts = (_control, _loop, _transmitter, _cable, _box, _cells, _ohms, _corners, _known_load)
    return tuple(found for part in parts for found in part(chain, readings))


def _made(
    row: Row, others: Sequence[Row], what: str, interface: str, blocks: tuple[Block, ...],
    expected: Any, allowed: float, unit: str, slope: float = 1.0, *, loads: Any = 0.0,
    by: tuple[str, ...] = (),
) -> Comparison:  # fmt: skip
    """Compare a row with what the papers and `others` expect, a number or an uncertain one.

    `slope` is how much one of the others counts in a row without influences; `loads` is what
    the loads put on add to the difference: expectation zero.
    """
    u = math.hypot(row.u, *(slope * other.u for other in others), _u(loads))
    difference = None
    known = all(each.measured is not None for each in (row, *others))
    if known and not isinstance(loads, _Unsure):
        difference = quantity(row) - expected + loads
        u = _u(difference)
    return Comparison(
        what=what, interface=interface, blocks=blocks, cell=row.cell, measured=number(row),
        expected=_x(expected), allowed=allowed, expanded=2.0 * u, unit=unit,
        by=by or tuple(_BY[block] for block in blocks), difference=difference,
    )  # fmt: skip


def _x(value: Any) -> float:
    return float(getattr(value, "x", value))


def _u(value: Any) -> float:
    return float(getattr(value, "u", 0.0))


def quantity(row: Row) -> Any:
    """The value of a row as it can be calculated with: with its influences where it has them."""
    value = number(row)
    return value if row.measured is None else row.measured


@dataclass(frozen=True, slots=True)
class _Unsure:
    """A standard uncertainty and nothing that it could be shared with."""

    u: float
    x: float = 0.0


def number(row: Row) -> float:
    """The value of a row that is a number; raises ValueError for another."""
    if row.value is None:
        raise ValueError(f"{row.kind.value} is no number")
    return row.value


def _way(row: Row) -> str:
    return ", falling" if row.falling else ""


def _control(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    allowed = chain.tolerances.control.value * abs(chain.span_shown) + chain.digit
    block = (Block.CONTROL,)
    for row in readings.of(Kind.FED_CURRENT_SHOWN):
        fed = row.fed or 0.0
        expected = displayed(fed, chain.lower, chain.upper)
        what = f"{fed * 1e3:.3f} mA fed, display{_way(row)}"
        yield _made(row, (), what, "I6-I7", block, expected, allowed, "kg")
    for state in readings.states:
        shown = readings.value(Kind.SHOWN, state)
        arrived = readings.value(Kind.RECEIVED, state)
        if shown is None or arrived is None:
            continue
        expected = displayed(quantity(arrived), chain.lower, chain.upper)
        slope = abs(chain.span_shown) / SPAN
        what = f"display at {number(arrived) * 1e3:.3f} mA ({state})"
        yield _made(shown, (arrived,), what, "I6-I7", block, expected, allowed, "kg", slope)


def _loop(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    allowed = chain.tolerances.loop.value * SPAN
    for state in readings.states:
        sent, arrived = (readings.value(kind, state) for kind in (Kind.SENT, Kind.RECEIVED))
        if sent is None or arrived is None:
            continue
        what = f"current at the input against the transmitter's ({state})"
        yield _made(arrived, (sent,), what, "I5-I6", (Block.LOOP,), quantity(sent), allowed, "A")


def _transmitter(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    allowed = chain.tolerances.transmitter.value * SPAN
    slope = abs(SPAN / chain.span_ratio)
    block = (Block.TRANSMITTER,)
    for row in readings.of(Kind.FED_TERMINALS_SENT):
        fed = row.fed or 0.0
        what = f"{fed * 1e3:.4f} mV/V fed at the transmitter, current{_way(row)}"
        yield _made(row, (), what, "I4-I5", block, _current(chain, fed), allowed, "A")
    for state in readings.states:
        ratio = readings.value(Kind.TERMINAL_RATIO, state)
        sent = readings.value(Kind.SENT, state)
        if ratio is None or sent is None:
            continue
        what = f"current at {number(ratio) * 1e3:.4f} mV/V ({state})"
        expected = _current(chain, quantity(ratio))
        yield _made(sent, (ratio,), what, "I4-I5", block, expected, allowed, "A", slope)
    for row in readings.of(Kind.EXCITATION):
        volts = chain.terminal_volts
        limit = chain.tolerances.excitation.value * volts
        yield _made(row, (), "excitation at the transmitter", "I4", block, volts, limit, "V",
                    by=("excitation",))  # fmt: skip


def _current(chain: Chain, ratio: Any) -> Any:
    """The current for a ratio, a number or an uncertain one; at a limit just the limit."""
    transmitter = chain.transmitter
    asked = current_for_ratio(ratio, transmitter.ratio_at_4, transmitter.ratio_at_20)
    held = min(max(_x(asked), transmitter.bands.lowest), transmitter.bands.highest)
    return asked if held == _x(asked) else held


def _cable(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    part = chain.tolerances.cable.value
    allowed, block = part * abs(chain.span_ratio), (Block.CABLE,)
    for row in readings.of(Kind.SENSE):
        if chain.sensed:
            what = "sense voltage at the transmitter per excitation at the box"
            yield _made(row, (), what, "I3-I4", block, 1.0, part, "")
    for row in readings.of(Kind.BOX_SHARE):
        what = "excitation at the box per excitation at the transmitter"
        # with sense the drop costs nothing: only that it is near what the cable makes
        name, limit = ("excitation", chain.tolerances.excitation.value) if chain.sensed else (
            "cable", part)  # fmt: skip
        yield _made(row, (), what, "I3-I4", block, chain.cable_share, limit, "", by=(name,))
    for row in readings.of(Kind.FED_BOX_TERMINALS):
        fed = row.fed or 0.0
        what = f"{fed * 1e3:.4f} mV/V fed at the box end, at the transmitter"
        expected = chain.terminal_ratio(fed)
        yield _made(row, (), what, "I3-I4", block, expected, allowed, "V/V")
    through = (Block.CABLE, Block.TRANSMITTER)
    for row in readings.of(Kind.FED_BOX_SENT):
        fed = row.fed or 0.0
        limit = (part + chain.tolerances.transmitter.value) * SPAN
        what = f"{fed * 1e3:.4f} mV/V fed at the box end, current{_way(row)}"
        expected = _current(chain, chain.terminal_ratio(fed))
        yield _made(row, (), what, "I3-I5", through, expected, limit, "A")
    for state in readings.states:
        at_box = readings.value(Kind.BOX_RATIO, state)
        at_end = readings.value(Kind.TERMINAL_RATIO, state)
        alone = readings.value(Kind.BOX_ALONE, state)
        if at_box is not None and at_end is not None:
            expected = chain.terminal_ratio(quantity(at_box))
            what = f"mV/V at the transmitter against the box ({state})"
            yield _made(at_end, (at_box,), what, "I3-I4", block, expected, allowed, "V/V")
        if at_box is not None and alone is not None:
            what = f"box sum with the home run connected against alone ({state})"
            yield _made(at_box, (alone,), what, "I3-I4", block, quantity(alone), allowed, "V/V")


def _box(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    allowed = chain.tolerances.box.value * abs(chain.span_ratio)
    weights = [1.0 / cell.output_ohms for cell in chain.cells]
    for state in readings.states:
        rows = [readings.value(Kind.CELL_RATIO, state, index) for index in range(len(chain.cells))]
        total = readings.value(Kind.BOX_ALONE, state) or readings.value(Kind.BOX_RATIO, state)
        there = [row for row in rows if row is not None]
        if total is None or len(there) < len(rows):
            continue
        # Millman's theorem, as `chain.joined_ratio`, on values with their influences
        parts = [w * quantity(row) for w, row in zip(weights, there, strict=True)]
        expected = sum(parts) / math.fsum(weights)
        what = f"box sum against the mean of the cells ({state})"
        alike = 1.0 / math.sqrt(len(there))  # one meter read them all
        yield _made(total, there, what, "I2-I3", (Block.BOX,), expected, allowed, "V/V", alike)
    for row in readings.of(Kind.CELL_SHARE):
        cell = chain.cells[row.cell or 0]
        expected = cell.input_ohms / (cell.input_ohms + cell.excitation_trim_ohms)
        what = f"excitation at input {(row.cell or 0) + 1} per excitation of the box"
        limit = chain.tolerances.inputs.value
        yield _made(row, (), what, "I2-I3", (Block.BOX,), expected, limit, "", by=("inputs",))


def _cells(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    sharing = chain.tolerances.sharing.value
    for row in readings.of(Kind.CELL_RATIO):
        index = row.cell or 0
        cell, state = chain.cells[index], readings.states[row.state or ""]
        dead, live = loads_on(chain, state)
        load = float(dead[index] + live[index])
        unsure = sharing * load + cell.share * (2.0 * chain.u_dead_load + 2.0 * state.u_live)
        if state.corner is not None:
            unsure += 2.0 * chain.u_corner_fraction * state.live
        allowed = cell.rated_output * (chain.tolerances.cell_zero.value + unsure / cell.capacity)
        what = f"{cell.name} (input {index + 1}), signal pair lifted ({state.name})"
        yield _made(row, (), what, "I2", (Block.CELL,), cell.ratio(load), allowed, "V/V",
                    by=("cell_zero", "sharing"))  # fmt: skip


def _ohms(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    allowed = chain.tolerances.cell_ohms.value
    for kind, name in ((Kind.INPUT_OHMS, "input"), (Kind.OUTPUT_OHMS, "output")):
        for row in readings.of(kind):
            cell = chain.cells[row.cell or 0]
            expected = cell.input_ohms if name == "input" else cell.output_ohms
            what = f"{cell.name}, {name} resistance"
            yield _made(row, (), what, "I2", (Block.CELL,), expected, allowed, "ohm",
                        by=("cell_ohms",))  # fmt: skip


def _corners(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    blocks = (Block.CELL, Block.BOX, Block.MECHANICS)
    corners = [state for state in readings.states.values() if state.corner is not None]
    for kind, unit in ((Kind.SHOWN, "kg"), (Kind.BOX_RATIO, "V/V")):
        rows = [(state, readings.value(kind, state.name)) for state in corners]
        there = [(state, row) for state, row in rows if row is not None]
        if len(there) < 2:
            continue
        mean = sum(quantity(row) for _, row in there) / len(there)
        for state, row in there:
            per = 1.0 if unit == "kg" else abs(chain.span_ratio / chain.span_shown)
            allowed = chain.tolerances.corners.value * state.live * per
            what = f"load over cell {(state.corner or 0) + 1} against the mean of the corners"
            interface = "I0-I7" if unit == "kg" else "I0-I3"
            others = [other for _, other in there]
            part = 1.0 / len(there)
            yield _made(row, others, what, interface, blocks, mean, allowed, unit, part,
                        by=("corners",))  # fmt: skip


def _known_load(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    spread = [state for state in readings.states.values() if state.corner is None]
    for first, second in itertools.pairwise(spread):
        low, high = (readings.value(Kind.BOX_RATIO, s.name) for s in (first, second))
        if low is None or high is None or first.live == second.live:
            continue
        dead = chain.dead_load
        at = [
            chain.box_ratio(tuple(c.share * (dead + s.live) for c in chain.cells))
            for s in (first, second)
        ]
        expected = quantity(low) + at[1] - at[0]
        per_kg = (at[1] - at[0]) / (second.live - first.live)
        rated = chain.tolerances.cell_output.value
        allowed = abs(at[1] - at[0]) * (chain.tolerances.mechanics.value + rated)
        loads = _put_on(first, second, per_kg)
        what = f"box sum under the known load ({second.name} after {first.name})"
        blocks = (Block.MECHANICS, Block.CELL, Block.BOX)
        yield _made(high, (low,), what, "I0-I3", blocks, expected, allowed, "V/V", loads=loads,
                    by=("mechanics", "cell_output"))  # fmt: skip


def _put_on(first: LoadState, second: LoadState, per_kg: float) -> Any:
    """What the loads may be off, in V/V; a content that both have in common cancels."""
    if first.measured is None or second.measured is None:
        return _Unsure(abs(per_kg) * math.hypot(first.u_live, second.u_live))
    more = second.measured - first.measured
    return (_x(more) - more) * per_kg
