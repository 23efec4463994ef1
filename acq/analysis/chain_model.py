"""What every reading of a chain should be, for many variants of the chain at once.

A variant is the chain on paper with some of its numbers changed: a fault, or a sound block a
little off. Arrays have the shape (variants, rows); units as in `chain_papers`.

What is not here: which variants are worth a thought (`chain_hypotheses`), and how well they fit.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from acq.analysis.chain import FULL_SCALE, LIVE_ZERO, SPAN
from acq.analysis.chain_bridges import (
    Array,
    Bridges,
    Flags,
    Joined,
    excitation_at,
    joined,
    mesh_of,
    single,
)
from acq.analysis.chain_papers import Chain, ChainReadings, Kind, LoadState, Row

LOOSE_RATIO = 0.02  # V/V: a signal terminal in the air may show anything of this order
UNREADABLE = 1e6  # ohm: no bridge; the only rows that reach it are resistances
LEAST_ALIVE = 3.4e-3  # A: below this no transmitter sends; the loop is dead
MOST_SENT = 24e-3  # A: nor does it send more than this
LOOSE_CURRENT = 8e-3  # A: and the current made from it

CELL_NUMBERS = (
    "zero", "rated_output", "polarity", "load_gain",
    "input_ohms", "output_ohms", "ex_plus_ohms", "ex_minus_ohms", "s_plus_ohms", "s_minus_ohms",
    "leak", "short", "box_ex_ohms", "box_s_plus_ohms", "box_s_minus_ohms",
)  # fmt: skip
WHOLE_NUMBERS: Mapping[str, float] = {
    "live_gain": 1.0, "load_offset": 0.0,
    "joint_leak": 0.0, "joint_short": 0.0, "cable_leak": 0.0,
    "cable_leak_place": 0.5,
    "cable_gain": 1.0, "cable_offset": 0.0, "cable_open": 0.0, "sense": 1.0,
    "tx_sense": 1.0, "tx_gain": 1.0, "tx_offset": 0.0, "tx_bow": 0.0, "tx_stuck": 0.0,
    "loop_gain": 1.0, "loop_offset": 0.0, "loop_limit": 1.0,
    "control_gain": 1.0, "control_offset": 0.0, "control_from_zero": 0.0,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Variants:
    """Numbers of every variant: `cell[name]` is (variants, cells), `whole[name]` (variants,)."""

    cell: dict[str, Array]
    whole: dict[str, Array]

    @property
    def count(self) -> int:
        """How many variants there are."""
        return len(self.whole["sense"])

    def repeated(self, times: int) -> Variants:
        """Every variant `times` times in a row."""
        return Variants(
            {name: np.repeat(array, times, axis=0) for name, array in self.cell.items()},
            {name: np.repeat(array, times, axis=0) for name, array in self.whole.items()},
        )


def on_paper(chain: Chain, count: int) -> Variants:
    """Return `count` equal variants: the chain as its papers describe it."""
    rows = {name: [0.0] * len(chain.cells) for name in CELL_NUMBERS}
    for name in ("zero", "rated_output", "input_ohms", "output_ohms", "compensation_plus"):
        rows[name] = [getattr(cell, name) for cell in chain.cells]
    rows["box_ex_ohms"] = [cell.excitation_trim_ohms for cell in chain.cells]
    rows["polarity"] = rows["load_gain"] = [1.0] * len(chain.cells)
    whole = dict(WHOLE_NUMBERS)
    whole["conductor_ohms"] = chain.conductor_ohms
    whole["excitation"] = chain.excitation_volts
    return Variants(
        {name: np.tile(np.asarray(row, dtype=float), (count, 1)) for name, row in rows.items()},
        {name: np.full(count, number) for name, number in whole.items()},
    )


def loads_on(chain: Chain, state: LoadState) -> tuple[Array, Array]:
    """Return dead and live load in kg on each cell."""
    shares = np.array([cell.share for cell in chain.cells])
    if state.corner is None:
        return shares * chain.dead_load, shares * state.live
    others = (1.0 - chain.corner_fraction) / max(len(shares) - 1, 1)
    live = np.full(len(shares), others * state.live)
    live[state.corner] = state.live - others * state.live * (len(shares) - 1)
    return shares * chain.dead_load, live


@dataclass(frozen=True, slots=True)
class Predicted:
    """Predicted readings (variants, rows).

    `loose` is how far a reading may be from its value because nothing holds the terminal;
    `open` tells where no number may come at all.
    """

    values: Array
    loose: Array
    open: Flags


class _Inside:
    """All voltages and currents of the variants, state by state."""

    def __init__(self, chain: Chain, readings: ChainReadings, variants: Variants) -> None:
        self.chain, self.v, self.whole = chain, variants, variants.whole
        self.place = {name: index for index, name in enumerate(readings.states)}
        ratio = self._ratios(list(readings.states.values()) or [LoadState(name="", live=0.0)])
        self._solve(ratio)
        self.heard_on: Array = self.heard(self.terminal, self.box_share)

    def _ratios(self, states: list[LoadState]) -> Array:
        """Output of each unloaded bridge per volt at its own leads: (variants, states, cells)."""
        cell, whole, chain = self.v.cell, self.whole, self.chain
        dead, live = (
            np.array(part) for part in zip(*(loads_on(chain, s) for s in states), strict=True)
        )
        shares = np.array([c.share for c in chain.cells])
        gain = whole["live_gain"][:, None, None] * cell["load_gain"][:, None, :]
        offset = whole["load_offset"][:, None, None] * shares
        load = dead[None] + live[None] * gain + offset
        capacity = np.array([c.capacity for c in chain.cells])
        rated = cell["rated_output"][:, None, :] / capacity
        ratio: Array = cell["polarity"][:, None, :] * (cell["zero"][:, None, :] + rated * load)
        return ratio

    def _solve(self, ratio: Array) -> None:
        cell, whole = self.v.cell, self.whole
        bridges = Bridges(*(cell[name] for name in Bridges.__slots__)).with_axis()
        lifted = single(mesh_of(bridges, ratio, lifted=True))
        self.lifted, self.lifted_afloat = lifted.ratio, lifted.afloat
        mesh = mesh_of(bridges, ratio, lifted=False)
        leak, short = whole["joint_leak"][:, None], whole["joint_short"][:, None]
        self.alone = joined(mesh, leak, short).ratio
        together = joined(mesh, leak + whole["cable_leak"][:, None], short)
        self.box, self.box_afloat = together.ratio, together.afloat
        drop = 2.0 * whole["conductor_ohms"]
        self.box_share = 1.0 / (1.0 + drop * together.load_siemens[:, 0])
        # a source in place of the cells is loaded with the group's nominal resistance
        nominal = sum(1.0 / (c.input_ohms + c.excitation_trim_ohms) for c in self.chain.cells)
        self.fed_share = 1.0 / (1.0 + drop * nominal)
        self.cell_share = excitation_at(mesh, together, bridges.box_ex_ohms)
        self.sense = self._sensed(self.box_share)
        self.terminal = self.at_terminals(self.box) + self._lost_on_the_way(together)

    def excitation(self) -> Array:
        """Volts at the transmitter's Ex terminals."""
        volts = self.whole["excitation"]
        if not (self.chain.sensed and self.chain.regulated_at_sense):
            return volts
        return np.asarray(volts / (self.sense * self.box_share))

    def _lost_on_the_way(self, box: Joined) -> Array:
        """What a leak somewhere along the cable takes in the signal conductor before it."""
        leak, place = self.whole["cable_leak"], self.whole["cable_leak_place"]
        ohms = (self.whole["conductor_ohms"] * place)[:, None]
        down, up = np.maximum(leak, 0.0)[:, None], np.maximum(-leak, 0.0)[:, None]
        return np.asarray(ohms * (up * (1.0 - box.at_plus) - down * box.at_plus))

    def _sensed(self, share: Array) -> Array:
        """Volts at the transmitter's sense terminals per volt at the box."""
        good = self.whole["sense"]
        return good + (1.0 - good) / share

    def at_terminals(self, at_box: Array) -> Array:
        """Signal volts at the transmitter per volt at the box."""
        whole = self.whole
        return at_box * whole["cable_gain"][:, None] + whole["cable_offset"][:, None]

    def read_at_terminals(self, signal: Array, share: Array) -> Array:
        """What a person calls mV/V at the transmitter: per sense voltage, or per excitation."""
        return signal / self._sensed(share) if self.chain.sensed else signal * share

    def heard(self, signal: Array, share: Array) -> Array:
        """Ratio that the transmitter forms from signal volts per volt at the box."""
        if not self.chain.sensed:
            return signal * share[:, None]
        uses = self.whole["tx_sense"][:, None]
        return signal * (uses / self._sensed(share)[:, None] + (1.0 - uses) * share[:, None])

    def sent(self, ratio: Array, limited: bool) -> Array:
        """Current in the loop for ratios (variants,).

        The transmitter's own limits count only where the reading stood at one: else it is known
        that they were not reached, and a value just short of them must stay free to move.
        """
        whole, transmitter = self.whole, self.chain.transmitter
        part = (ratio - transmitter.ratio_at_4) / self.chain.span_ratio
        bowed = part + 4.0 * whole["tx_bow"] * part * (1.0 - part)
        sent = LIVE_ZERO + SPAN * bowed * whole["tx_gain"] + whole["tx_offset"]
        sent = np.where(whole["tx_stuck"] > 0.0, whole["tx_stuck"], sent)
        lowest, highest = LEAST_ALIVE, MOST_SENT
        if limited:
            lowest, highest = transmitter.bands.lowest, transmitter.bands.highest
        sent = np.clip(sent, lowest, highest)
        return np.asarray(np.minimum(sent, whole["loop_limit"]))

    def through_loop(self, amperes: Array) -> Array:
        """Current that arrives at the control system."""
        return amperes * self.whole["loop_gain"] + self.whole["loop_offset"]

    def displayed(self, amperes: Array) -> Array:
        """What the control system shows in kg."""
        whole, chain = self.whole, self.chain
        part = (amperes - LIVE_ZERO) / SPAN
        part = part + whole["control_from_zero"] * (amperes / FULL_SCALE - part)
        shown = chain.lower + part * chain.span_shown * whole["control_gain"]
        return np.asarray(shown + whole["control_offset"])


def predict(chain: Chain, readings: ChainReadings, variants: Variants) -> Predicted:
    """Return every row of the readings as each variant would show it.

    A row whose terminal hangs in the air, or that follows from one, is loose.
    """
    inside = _Inside(chain, readings, variants)
    shape = (variants.count, len(readings.rows))
    values, loose, opens = np.empty(shape), np.zeros(shape), np.zeros(shape, dtype=bool)
    for index, row in enumerate(readings.rows):
        state = inside.place[row.state] if row.state is not None else 0
        values[:, index] = _VALUE[row.kind](inside, row, state)
        adrift = _adrift(inside, row.kind, state, row.cell or 0)
        loose[:, index] = adrift * _loose_size(chain, row.kind)
        opens[:, index] = adrift | (np.abs(values[:, index]) > UNREADABLE)
    return Predicted(values, loose, opens)


def _fed_terminals(inside: _Inside, row: Row) -> Array:
    # at the terminals sense and excitation are one: no cable, no sense fault lies between
    return inside.sent(np.full(inside.v.count, row.fed or 0.0), row.limited)


def _fed_box(inside: _Inside, row: Row) -> Array:
    signal = np.full((inside.v.count, 1), row.fed or 0.0)
    heard = inside.heard(inside.at_terminals(signal), inside.fed_share)
    return inside.sent(heard[:, 0], row.limited)


def _fed_box_terminals(inside: _Inside, row: Row) -> Array:
    signal = inside.at_terminals(np.full((inside.v.count, 1), row.fed or 0.0))
    return inside.read_at_terminals(signal[:, 0], inside.fed_share)


def _onwards(inside: _Inside, sent: Array) -> Array:
    return inside.displayed(inside.through_loop(sent))


def _sent(inside: _Inside, row: Row, state: int) -> Array:
    return inside.sent(inside.heard_on[:, state], row.limited)


_VALUE: Mapping[Kind, Callable[[_Inside, Row, int], Array]] = {
    Kind.EXCITATION: lambda i, _r, _s: i.excitation(),
    Kind.BOX_SHARE: lambda i, _r, _s: i.box_share,
    Kind.CELL_SHARE: lambda i, r, _s: i.cell_share[:, 0, r.cell or 0],
    Kind.SENSE: lambda i, _r, _s: i.sense,
    Kind.CELL_RATIO: lambda i, r, s: i.lifted[:, s, r.cell or 0],
    Kind.BOX_RATIO: lambda i, _r, s: i.box[:, s],
    Kind.BOX_ALONE: lambda i, _r, s: i.alone[:, s],
    Kind.TERMINAL_RATIO: lambda i, _r, s: i.read_at_terminals(i.terminal[:, s], i.box_share),
    Kind.SENT: _sent,
    Kind.RECEIVED: lambda i, r, s: i.through_loop(_sent(i, r, s)),
    Kind.SHOWN: lambda i, r, s: _onwards(i, _sent(i, r, s)),
    Kind.FED_TERMINALS_SENT: lambda i, r, _s: _fed_terminals(i, r),
    Kind.FED_TERMINALS_SHOWN: lambda i, r, _s: _onwards(i, _fed_terminals(i, r)),
    Kind.FED_BOX_TERMINALS: lambda i, r, _s: _fed_box_terminals(i, r),
    Kind.FED_BOX_SENT: lambda i, r, _s: _fed_box(i, r),
    Kind.FED_BOX_SHOWN: lambda i, r, _s: _onwards(i, _fed_box(i, r)),
    Kind.FED_CURRENT_SHOWN: lambda i, r, _s: i.displayed(np.full(i.v.count, r.fed or 0.0)),
    Kind.INPUT_OHMS: lambda i, r, _s: _ohms_in(i, r.cell or 0),
    Kind.OUTPUT_OHMS: lambda i, r, _s: _ohms_out(i, r.cell or 0),
}

_AFTER_CABLE = {Kind.TERMINAL_RATIO, Kind.SENT, Kind.RECEIVED, Kind.SHOWN}
_FED_THROUGH_CABLE = {Kind.FED_BOX_TERMINALS, Kind.FED_BOX_SENT, Kind.FED_BOX_SHOWN}


def _ohms_in(inside: _Inside, cell: int) -> Array:
    numbers = inside.v.cell
    parts = ("input_ohms", "ex_plus_ohms", "ex_minus_ohms")
    return np.asarray(np.sum([numbers[part][:, cell] for part in parts], axis=0))


def _ohms_out(inside: _Inside, cell: int) -> Array:
    numbers = inside.v.cell
    output = numbers["output_ohms"][:, cell]
    shorted = output / (1.0 + output * numbers["short"][:, cell])
    leads = numbers["s_plus_ohms"][:, cell] + numbers["s_minus_ohms"][:, cell]
    return np.asarray(shorted + leads)


def _adrift(inside: _Inside, kind: Kind, state: int, cell: int) -> Flags:
    """Tell where nothing holds the terminal that a row is read at."""
    open_cable = inside.whole["cable_open"] > 0.5
    if kind is Kind.CELL_RATIO:
        return np.asarray(inside.lifted_afloat[:, state, cell])
    if kind in _AFTER_CABLE:
        return np.asarray(open_cable | inside.box_afloat[:, state])
    if kind in _FED_THROUGH_CABLE:
        return np.asarray(open_cable)
    return np.zeros(inside.v.count, dtype=bool)


def _loose_size(chain: Chain, kind: Kind) -> float:
    if kind in (Kind.TERMINAL_RATIO, Kind.FED_BOX_TERMINALS, Kind.CELL_RATIO):
        return LOOSE_RATIO
    if kind in (Kind.SHOWN, Kind.FED_BOX_SHOWN):
        return abs(chain.span_shown) * 0.6
    return LOOSE_CURRENT
