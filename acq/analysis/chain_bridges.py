"""Strain-gauge bridges joined in a box, as one network, for many variants at once.

Each bridge is eliminated to what its four leads see (star-mesh: only products and sums of
conductances, so nothing cancels and an open lead is just a very small conductance); the joined
signal pair is then two equations. Leads: e = Ex+, f = Ex-, p = S+, m = S-.

Four equal arms are assumed; how the compensation is split between Ex+ and Ex- is for the papers
to say. What is not here: cables, transmitters, likelihoods.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Mesh = dict[tuple[str, str], Array]

OPEN_OHMS = 1e12  # an open lead: far above every leak that a bridge survives
LEAST_OHMS = 1e-3  # a made joint; keeps the elimination finite
FLOATING_SIEMENS = 1e-8  # below this a signal terminal hangs in the air


@dataclass(frozen=True, slots=True)
class Bridges:
    """Bridges of shape (variants, cells): ohms, leak in siemens, and what is wrong with each lead.

    `leak` is signed: positive from S+ to Ex-, negative from S+ to Ex+. `short` in siemens lies
    across the signal pair. `compensation_plus` is the part of the compensation that sits in Ex+.
    The `box_` resistances lie between a bridge's cable and the joined terminals of the box.
    """

    input_ohms: Array
    output_ohms: Array
    compensation_plus: Array
    ex_plus_ohms: Array
    ex_minus_ohms: Array
    s_plus_ohms: Array
    s_minus_ohms: Array
    leak: Array
    short: Array
    box_ex_ohms: Array
    box_s_plus_ohms: Array
    box_s_minus_ohms: Array

    def with_axis(self) -> Bridges:
        """Insert the axis of load states: (variants, 1, cells)."""
        return Bridges(*(getattr(self, item.name)[:, None, :] for item in fields(self)))


@dataclass(frozen=True, slots=True)
class Joined:
    """What joined terminals show per volt at the box: ratio, siemens from Ex+, afloat or not.

    `at_plus` and `at_minus` are the terminals' potentials against Ex-.
    """

    ratio: Array
    at_plus: Array
    at_minus: Array
    load_siemens: Array
    afloat: Flags


def mesh_of(bridges: Bridges, ratio: Array, *, lifted: bool) -> Mesh:
    """Conductances between the four leads of each bridge that puts out `ratio` (V/V, unloaded).

    `ratio` has the shape (variants, states, cells). `lifted`: the signal pair is taken out of
    the box, so that the box's own terminals do not count.
    """
    arm = bridges.output_ohms
    change = ratio * bridges.input_ohms / arm
    compensation = bridges.input_ohms - arm
    upper = np.maximum(bridges.compensation_plus * compensation, LEAST_OHMS)
    lower = np.maximum((1.0 - bridges.compensation_plus) * compensation, LEAST_OHMS)
    box = 0.0 if lifted else 1.0
    mesh: Mesh = {
        ("e", "t"): 1.0 / (upper + bridges.ex_plus_ohms + bridges.box_ex_ohms),
        ("f", "n"): 1.0 / (lower + bridges.ex_minus_ohms),
        ("t", "y"): 1.0 / (arm * (1.0 - change)),
        ("t", "z"): 1.0 / (arm * (1.0 + change)),
        ("n", "y"): 1.0 / (arm * (1.0 + change)),
        ("n", "z"): 1.0 / (arm * (1.0 - change)),
        ("y", "z"): bridges.short,
        ("f", "y"): np.maximum(bridges.leak, 0.0),
        ("e", "y"): np.maximum(-bridges.leak, 0.0),
        ("p", "y"): 1.0 / (LEAST_OHMS + bridges.s_plus_ohms + box * bridges.box_s_plus_ohms),
        ("m", "z"): 1.0 / (LEAST_OHMS + bridges.s_minus_ohms + box * bridges.box_s_minus_ohms),
    }
    for node in "tnyz":
        _eliminate(mesh, node)
    return mesh


def joined(mesh: Mesh, leak: Array | float = 0.0, short: Array | float = 0.0) -> Joined:
    """Join the signal pairs along the last axis; `leak` (signed) and `short` lie on the joint."""
    total = {pair: np.sum(siemens, axis=-1) for pair, siemens in mesh.items()}
    return _across(total, leak, short)


def single(mesh: Mesh) -> Joined:
    """What each bridge shows alone, its signal pair lifted: no axis is lost."""
    return _across(mesh, 0.0, 0.0)


def excitation_at(mesh: Mesh, joint: Joined, box_ex_ohms: Array) -> Array:
    """What each bridge's own Ex terminals get per volt at the box, behind its trim or joint.

    A bridge whose excitation is loose is still fed through the joined signal pair.
    """
    amperes = (
        mesh["e", "f"]
        + mesh["e", "p"] * (1.0 - joint.at_plus[..., None])
        + mesh["e", "m"] * (1.0 - joint.at_minus[..., None])
    )
    return np.asarray(1.0 - box_ex_ohms * amperes)


def _across(total: Mesh, leak: Array | float, short: Array | float) -> Joined:
    plus_up = total["e", "p"] + np.maximum(-np.asarray(leak), 0.0)
    plus_down = total["f", "p"] + np.maximum(leak, 0.0)
    minus_up, minus_down = total["e", "m"], total["f", "m"]
    bridge = total["m", "p"] + short
    plus, minus = plus_up + plus_down, minus_up + minus_down
    determinant = plus * minus + bridge * (plus + minus)
    ratio = (plus_up * minus_down - minus_up * plus_down) / determinant
    at_plus = (plus_up * (minus + bridge) + bridge * minus_up) / determinant
    at_minus = at_plus - ratio
    load = total["e", "f"] + plus_up * (1.0 - at_plus) + minus_up * (1.0 - at_minus)
    afloat = np.minimum(plus, minus) < FLOATING_SIEMENS
    return Joined(ratio, at_plus, at_minus, load, afloat)


def _eliminate(mesh: Mesh, node: str) -> None:
    """Replace a node's branches by the equivalent branches between its neighbours."""
    arms = {
        (pair[0] if pair[1] == node else pair[1]): mesh.pop(pair)
        for pair in list(mesh)
        if node in pair
    }
    total = sum(arms.values())
    ends = sorted(arms)
    for index, one in enumerate(ends):
        for other in ends[index + 1 :]:
            added = arms[one] * arms[other] / total
            mesh[one, other] = mesh[one, other] + added if (one, other) in mesh else added
