"""How far the readings of a sound chain may lie from its papers: everything that is allowed.

Half of every tolerance is taken as one standard deviation, so a block at its tolerance is two
away. Loads count too: nobody knows the dead load or how a filled vessel stands on its cells.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from acq.analysis.chain import SPAN
from acq.analysis.chain_bridges import Array
from acq.analysis.chain_faults import noticeable_ohms
from acq.analysis.chain_hypotheses import Change
from acq.analysis.chain_model import loads_on
from acq.analysis.chain_papers import Chain, ChainReadings, Kind

SHARED = 0.7  # part of an instrument's variance that all its readings have in common: assumed

# readings made with the same instrument function share part of their error
_FAMILY: Mapping[Kind, str] = {
    Kind.CELL_RATIO: "ratio", Kind.BOX_RATIO: "ratio", Kind.BOX_ALONE: "ratio",
    Kind.TERMINAL_RATIO: "ratio", Kind.SENT: "current", Kind.RECEIVED: "current",
    Kind.FED_TERMINALS_SENT: "fed ratio", Kind.FED_TERMINALS_SHOWN: "fed ratio",
    Kind.FED_BOX_SENT: "fed ratio", Kind.FED_BOX_SHOWN: "fed ratio",
    Kind.FED_BOX_TERMINALS: "fed ratio", Kind.FED_CURRENT_SHOWN: "fed current",
}  # fmt: skip


def sound_changes(chain: Chain) -> tuple[tuple[Change, float], ...]:
    """Numbers of a sound chain that may differ from the papers, each with its deviation.

    The first ones are the zeros of the cells in their order.
    """
    t, cells = chain.tolerances, chain.cells
    span, shown = abs(chain.span_ratio), abs(chain.span_shown)
    group = 1.0 / sum(1.0 / cell.output_ohms for cell in cells)
    found: list[tuple[Change, float]] = [
        (Change("zero", index, "add"), 0.5 * t.cell_zero.value * cell.rated_output)
        for index, cell in enumerate(cells)
    ]
    for index, cell in enumerate(cells):
        ohms = 0.5 * t.cell_ohms.value
        found.append((Change("input_ohms", index, "scale"), ohms / cell.input_ohms))
        found.append((Change("output_ohms", index, "scale"), ohms / cell.output_ohms))
        found.append((Change("box_ex_ohms", index, "add"), 5e-4 * cell.input_ohms))
    for name, size in (
        ("joint_leak", 2.0 * t.box.value * span / group),
        ("conductor_ohms", 0.5 * noticeable_ohms(chain)),
        ("cable_offset", 0.5 * t.cable.value * span),
        ("tx_offset", 0.5 * t.transmitter.value * SPAN),
        ("loop_offset", 0.5 * t.loop.value * SPAN),
        ("control_offset", 0.5 * t.control.value * shown),
        ("load_offset", 0.5 * t.mechanics.value * shown),
    ):
        found.append((Change(name, None, "add"), size))
    for name, size in (
        ("cable_gain", t.cable.value),
        ("tx_gain", t.transmitter.value),
        ("loop_gain", t.loop.value),
        ("control_gain", t.control.value),
        ("live_gain", t.mechanics.value),
        ("excitation", t.excitation.value),
    ):
        found.append((Change(name, None, "scale"), 0.5 * size))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class LoadColumns:
    """Deviations of the dead and of the live load in kg on each cell, before the mechanics.

    Both have the shape (rows, cells, independent causes).
    """

    dead: Array
    live: Array


def load_columns(chain: Chain, readings: ChainReadings) -> LoadColumns:
    """Return how unsure the loads are.

    Causes: dead load, how evenly spread load is shared (one for all states and one for each),
    where a corner load stands, live load of each state, rated output of each cell.
    """
    count = len(chain.cells)
    shares = np.array([cell.share for cell in chain.cells])
    uneven = np.eye(count) - shares[:, None]  # columns: one cell takes more, all give their part
    sharing = chain.tolerances.sharing.value
    rated = 0.5 * chain.tolerances.cell_output.value
    none = np.zeros((count, count))
    dead_common = np.zeros((len(readings.rows), count, 1 + 2 * count))
    live_common = np.zeros_like(dead_common)
    own: list[Array] = [np.zeros((len(readings.rows), count, 1))]
    for name, state in readings.states.items():
        mask = np.array([row.state == name for row in readings.rows], dtype=float)
        dead, live = loads_on(chain, state)
        where = live / state.live if state.live else shares
        spread = sharing * live
        if state.corner is not None:
            spread = np.full(count, chain.u_corner_fraction * state.live)
        own.append(_placed(mask, np.outer(where, [state.u_live])))
        own.append(_placed(mask, uneven * spread))
        together = [np.outer(shares, [chain.u_dead_load]), uneven * sharing * dead]
        dead_common += _placed(mask, np.hstack([*together, np.diag(dead * rated)]))
        alike = none if state.corner is not None else uneven * sharing * live
        parts = [np.zeros((count, 1)), alike, np.diag(live * rated)]
        live_common += _placed(mask, np.hstack(parts))
    separate = np.concatenate(own, axis=2)
    return LoadColumns(
        np.concatenate([dead_common, np.zeros_like(separate)], axis=2),
        np.concatenate([live_common, separate], axis=2),
    )


def _placed(mask: Array, columns: Array) -> Array:
    return np.asarray(mask[:, None, None] * columns[None])


def instrument_covariance(readings: ChainReadings) -> Array:
    """Covariance of the instruments' errors, in the squared units of the rows."""
    u = np.array([row.u for row in readings.rows])
    family = [_FAMILY.get(row.kind, "") for row in readings.rows]
    same = np.array([[bool(a) and a == b for b in family] for a in family])
    part = np.where(same, SHARED, 0.0)
    np.fill_diagonal(part, 1.0)
    return np.asarray(part * np.outer(u, u))
