"""Each block by itself: what went in, what came out, what should have come out.

These comparisons need no hypothesis. They are what a person checks with a pocket calculator,
and the sentences of the report; the probabilities come from `chain_isolation`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from acq.analysis.chain import SPAN, current_for_ratio, displayed, joined_ratio
from acq.analysis.chain_model import loads_on
from acq.analysis.chain_papers import Block, Chain, ChainReadings, Kind, Row

Outcome = Literal["inside", "outside", "doubtful"]

_SHOWN = {"V/V": (1e3, "mV/V", 5), "A": (1e3, "mA", 3), "kg": (1.0, "kg", 1), "V": (1.0, "V", 3),
          "ohm": (1.0, "ohm", 1), "": (1.0, "", 4)}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One block compared with its papers. Values in SI (kg for loads); `blocks` are tested by it.

    `expanded` is the expanded uncertainty (k = 2) of the difference by the instruments alone.
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
    row: Row, other: Row | None, what: str, interface: str, blocks: tuple[Block, ...],
    expected: float, allowed: float, unit: str, slope: float = 1.0,
) -> Comparison:  # fmt: skip
    u = math.hypot(row.u, slope * other.u if other is not None else 0.0)
    return Comparison(
        what=what, interface=interface, blocks=blocks, cell=row.cell, measured=number(row),
        expected=expected, allowed=allowed, expanded=2.0 * u, unit=unit,
    )  # fmt: skip


def number(row: Row) -> float:
    """The value of a row that is a number; raises ValueError for another."""
    if row.value is None:
        raise ValueError(f"{row.kind.value} is no number")
    return row.value


def _control(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    allowed = chain.tolerances.control.value * abs(chain.span_shown) + chain.digit
    block = (Block.CONTROL,)
    for row in readings.of(Kind.FED_CURRENT_SHOWN):
        fed = row.fed or 0.0
        expected = displayed(fed, chain.lower, chain.upper)
        what = f"{fed * 1e3:.3f} mA fed, display"
        yield _made(row, None, what, "I6-I7", block, expected, allowed, "kg")
    for state in readings.states:
        shown = readings.value(Kind.SHOWN, state)
        arrived = readings.value(Kind.RECEIVED, state)
        if shown is None or arrived is None:
            continue
        expected = displayed(number(arrived), chain.lower, chain.upper)
        slope = abs(chain.span_shown) / SPAN
        what = f"display at {number(arrived) * 1e3:.3f} mA ({state})"
        yield _made(shown, arrived, what, "I6-I7", block, expected, allowed, "kg", slope)


def _loop(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    allowed = chain.tolerances.loop.value * SPAN
    for state in readings.states:
        sent, arrived = (readings.value(kind, state) for kind in (Kind.SENT, Kind.RECEIVED))
        if sent is None or arrived is None:
            continue
        what = f"current at the input against the transmitter's ({state})"
        yield _made(arrived, sent, what, "I5-I6", (Block.LOOP,), number(sent), allowed, "A")


def _transmitter(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    allowed = chain.tolerances.transmitter.value * SPAN
    slope = abs(SPAN / chain.span_ratio)
    block = (Block.TRANSMITTER,)
    for row in readings.of(Kind.FED_TERMINALS_SENT):
        fed = row.fed or 0.0
        what = f"{fed * 1e3:.4f} mV/V fed at the transmitter, current"
        yield _made(row, None, what, "I4-I5", block, _current(chain, fed), allowed, "A")
    for state in readings.states:
        ratio = readings.value(Kind.TERMINAL_RATIO, state)
        sent = readings.value(Kind.SENT, state)
        if ratio is None or sent is None:
            continue
        what = f"current at {number(ratio) * 1e3:.4f} mV/V ({state})"
        expected = _current(chain, number(ratio))
        yield _made(sent, ratio, what, "I4-I5", block, expected, allowed, "A", slope)
    for row in readings.of(Kind.EXCITATION):
        volts = chain.terminal_volts
        limit = chain.tolerances.excitation.value * volts
        yield _made(row, None, "excitation at the transmitter", "I4", block, volts, limit, "V")


def _current(chain: Chain, ratio: float) -> float:
    transmitter = chain.transmitter
    asked = current_for_ratio(ratio, transmitter.ratio_at_4, transmitter.ratio_at_20)
    return min(max(asked, transmitter.bands.lowest), transmitter.bands.highest)


def _cable(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    part = chain.tolerances.cable.value
    allowed, block = part * abs(chain.span_ratio), (Block.CABLE,)
    for row in readings.of(Kind.SENSE):
        if chain.sensed:
            what = "sense voltage at the transmitter per excitation at the box"
            yield _made(row, None, what, "I3-I4", block, 1.0, part, "")
    for row in readings.of(Kind.BOX_SHARE):
        what = "excitation at the box per excitation at the transmitter"
        loose = (10.0 if chain.sensed else 1.0) * part
        yield _made(row, None, what, "I3-I4", block, chain.cable_share, loose, "")
    for row in readings.of(Kind.FED_BOX_TERMINALS):
        fed = row.fed or 0.0
        what = f"{fed * 1e3:.4f} mV/V fed at the box end, at the transmitter"
        expected = chain.terminal_ratio(fed)
        yield _made(row, None, what, "I3-I4", block, expected, allowed, "V/V")
    through = (Block.CABLE, Block.TRANSMITTER)
    for row in readings.of(Kind.FED_BOX_SENT):
        fed = row.fed or 0.0
        limit = (part + chain.tolerances.transmitter.value) * SPAN
        what = f"{fed * 1e3:.4f} mV/V fed at the box end, current"
        expected = _current(chain, chain.terminal_ratio(fed))
        yield _made(row, None, what, "I3-I5", through, expected, limit, "A")
    for state in readings.states:
        at_box = readings.value(Kind.BOX_RATIO, state)
        at_end = readings.value(Kind.TERMINAL_RATIO, state)
        alone = readings.value(Kind.BOX_ALONE, state)
        if at_box is not None and at_end is not None:
            expected = chain.terminal_ratio(number(at_box))
            what = f"mV/V at the transmitter against the box ({state})"
            yield _made(at_end, at_box, what, "I3-I4", block, expected, allowed, "V/V")
        if at_box is not None and alone is not None:
            what = f"box sum with the home run connected against alone ({state})"
            yield _made(at_box, alone, what, "I3-I4", block, number(alone), allowed, "V/V")


def _box(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    allowed = chain.tolerances.box.value * abs(chain.span_ratio)
    output_ohms = [cell.output_ohms for cell in chain.cells]
    for state in readings.states:
        rows = [readings.value(Kind.CELL_RATIO, state, index) for index in range(len(chain.cells))]
        total = readings.value(Kind.BOX_ALONE, state) or readings.value(Kind.BOX_RATIO, state)
        there = [row for row in rows if row is not None]
        if total is None or len(there) < len(rows):
            continue
        expected = joined_ratio([number(row) for row in there], output_ohms)
        what = f"box sum against the mean of the cells ({state})"
        yield _made(total, there[0], what, "I2-I3", (Block.BOX,), expected, allowed, "V/V")
    for row in readings.of(Kind.CELL_SHARE):
        cell = chain.cells[row.cell or 0]
        expected = cell.input_ohms / (cell.input_ohms + cell.excitation_trim_ohms)
        what = f"excitation at input {(row.cell or 0) + 1} per excitation of the box"
        yield _made(row, None, what, "I2-I3", (Block.BOX,), expected, 0.004, "")


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
        yield _made(row, None, what, "I2", (Block.CELL,), cell.ratio(load), allowed, "V/V")


def _ohms(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    allowed = chain.tolerances.cell_ohms.value
    for kind, name in ((Kind.INPUT_OHMS, "input"), (Kind.OUTPUT_OHMS, "output")):
        for row in readings.of(kind):
            cell = chain.cells[row.cell or 0]
            expected = cell.input_ohms if name == "input" else cell.output_ohms
            what = f"{cell.name}, {name} resistance"
            yield _made(row, None, what, "I2", (Block.CELL,), expected, allowed, "ohm")


def _corners(chain: Chain, readings: ChainReadings) -> Iterator[Comparison]:
    blocks = (Block.CELL, Block.BOX, Block.MECHANICS)
    corners = [state for state in readings.states.values() if state.corner is not None]
    for kind, unit in ((Kind.SHOWN, "kg"), (Kind.BOX_RATIO, "V/V")):
        rows = [(state, readings.value(kind, state.name)) for state in corners]
        there = [(state, row) for state, row in rows if row is not None]
        if len(there) < 2:
            continue
        mean = math.fsum(number(row) for _, row in there) / len(there)
        for state, row in there:
            per = 1.0 if unit == "kg" else abs(chain.span_ratio / chain.span_shown)
            allowed = 4.0 * chain.tolerances.mechanics.value * state.live * per
            what = f"load over cell {(state.corner or 0) + 1} against the mean of the corners"
            interface = "I0-I7" if unit == "kg" else "I0-I3"
            yield _made(row, None, what, interface, blocks, mean, allowed, unit)


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
        expected = number(low) + at[1] - at[0]
        loads = abs(second.live - first.live)
        per_kg = abs(at[1] - at[0]) / loads
        unsure = 2.0 * math.hypot(first.u_live, second.u_live)
        rated = chain.tolerances.cell_output.value
        allowed = per_kg * (loads * (chain.tolerances.mechanics.value + rated) + unsure)
        what = f"box sum under the known load ({second.name} after {first.name})"
        blocks = (Block.MECHANICS, Block.CELL, Block.BOX)
        yield _made(high, low, what, "I0-I3", blocks, expected, allowed, "V/V")
