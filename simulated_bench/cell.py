"""A passive strain-gauge load cell as elements of the circuit: bridges, cable, insulation.

Nodes of a cell: the leads by their names at the plug ("Ex+" ... "S-", "shield", "housing"),
"pad Ex+" ... "pad shield" where the conductors end inside, "bridge +" and "bridge -" behind the
compensation legs. Elements: "arm A" (Ex+/S+) "arm B" (Ex+/S-) "arm C" (S+/Ex-) "arm D" (S-/Ex-),
"zero A" ..., "compensation +", "compensation -", "conductor Ex+" ..., "shunt resistor",
"leak pad S+ housing" (at the cell), "leak S+ housing" (at the plug). Further bridges in the same
body have the same names behind "bridge 2 ", "bridge 3 ". Several cells in one circuit each
have a prefix of their own.

The sense leads of a 6-wire cell end on the excitation pads. A half bridge has arms A and C and
no S-. Every resistance may be an array, one value per cell of a batch.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from simulated_bench.cable import Cable
from simulated_bench.circuit import Values
from simulated_bench.elements import WIRE_OHMS, Element

ARMS: Mapping[str, tuple[str, str]] = {
    "A": ("bridge +", "pad S+"),
    "B": ("bridge +", "pad S-"),
    "C": ("pad S+", "bridge -"),
    "D": ("pad S-", "bridge -"),
}
SIGNS: Mapping[str, int] = {"A": -1, "B": 1, "C": 1, "D": -1}
"""Change of each arm under a load that gives a positive output."""

CONDUCTORS: Mapping[str, str] = {
    "Ex+": "pad Ex+",
    "Ex-": "pad Ex-",
    "Se+": "pad Ex+",
    "Se-": "pad Ex-",
    "S+": "pad S+",
    "S-": "pad S-",
}
LEADS = (*CONDUCTORS, "shield", "housing")
PADS = ("pad Ex+", "pad Ex-", "pad S+", "pad S-", "pad shield", "housing")

NICKEL_PER_KELVIN = 0.005
"""Compensation legs are nickel-like: common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class Shunt:
    """A calibration resistor inside the cell, from a pad to a lead of its own named "shunt"."""

    ohms: Values
    pad: str = "pad S+"
    lead: str = "shunt"


@dataclass(frozen=True, slots=True, eq=False)
class Bridge:
    """One bridge in ohm at the cell's reference temperature and without load.

    `arms` has A, B, C and D; a half bridge has A and C alone. `compensation` are the legs in
    Ex+ and Ex-, 0 where there is none; `zero` resistors lie in series with the named arms.
    """

    arms: Mapping[str, Values] = field(default_factory=lambda: dict.fromkeys("ABCD", 350.0))
    compensation: tuple[Values, Values] = (17.0, 17.0)
    zero: Mapping[str, Values] = field(default_factory=dict)
    shunt: Shunt | None = None
    arm_per_kelvin: float = 0.0
    compensation_per_kelvin: float = NICKEL_PER_KELVIN

    def __post_init__(self) -> None:
        if set(self.arms) not in ({"A", "B", "C", "D"}, {"A", "C"}):
            raise ValueError("a bridge has arms A, B, C and D; a half bridge A and C")
        if not set(self.zero) <= set(self.arms):
            raise ValueError("a zero resistor lies in an arm that the bridge has")

    @property
    def half(self) -> bool:
        """Whether the other half of this bridge is in the instrument."""
        return len(self.arms) == 2


@dataclass(frozen=True, slots=True, eq=False)
class CellState:
    """What moves a cell's elements at one instant.

    `changes` are relative changes of resistance per bridge and arm (+0.002 is 0.2 %); joint
    EMFs in V by the name of the conductor's lead; temperatures in degC, that of the gauges that
    of the body unless given; `dryness` multiplies all insulation resistances.
    """

    changes: tuple[Mapping[str, Values], ...] = ()
    body_celsius: Values = 20.0
    cable_celsius: Values = 20.0
    gauge_celsius: Values | None = None
    joint_volts: Mapping[str, Values] = field(default_factory=dict)
    dryness: Values = 1.0


AT_REST = CellState()


@dataclass(frozen=True, slots=True, eq=False)
class CellDescription:
    """A cell with its cable. Leaks are in ohm between every pair of pads and of leads.

    `leaks` replaces single pairs, each named by two nodes in the order of LEADS or PADS.
    `shield_to_housing` is the tie inside the cell, inf where the two are isolated by design.
    """

    bridges: tuple[Bridge, ...] = (Bridge(),)
    wires: int = 6
    cable: Cable = field(default_factory=Cable)
    leak_at_pads: Values = 1e11
    leak_at_plug: Values = 1e11
    leaks: Mapping[tuple[str, str], Values] = field(default_factory=dict)
    shield_to_housing: Values = np.inf
    reference_celsius: float = 20.0

    def __post_init__(self) -> None:
        if self.wires not in (4, 6):
            raise ValueError("a bridge has 4 or 6 wires")
        if not 1 <= len(self.bridges) <= 3:
            raise ValueError("a body carries 1 to 3 bridges")
        pads, leads = self._insulated("")
        known = {*combinations(leads, 2), *combinations(pads, 2)}
        if unknown := set(self.leaks) - known:
            raise ValueError(f"no pair of leads or pads: {' and '.join(min(unknown))}")

    def parts(self, state: CellState = AT_REST, prefix: str = "") -> list[Element]:
        """Return all elements of the cell; `prefix` stands before every name and node."""
        return [*self.conducting_parts(state, prefix), *self.leak_parts(state.dryness, prefix)]

    def conducting_parts(self, state: CellState = AT_REST, prefix: str = "") -> list[Element]:
        """Return arms, compensation, zero and shunt resistors and conductors, in fixed order."""
        parts: list[Element] = []
        for number, bridge in enumerate(self.bridges):
            changes = state.changes[number] if number < len(state.changes) else {}
            at = prefix + bridge_prefix(number)
            parts += self._bridge(bridge, changes, state, at)
            parts += self._conductors(bridge, state, at, first=number == 0)
        shield = self.cable.shield_ohms
        parts.append(
            Element(prefix + "conductor shield", prefix + "pad shield", prefix + "shield", shield)
        )
        parts.append(
            Element(
                prefix + "shield to housing",
                prefix + "pad shield",
                prefix + "housing",
                self.shield_to_housing,
            )
        )
        return parts

    def leak_parts(self, dryness: Values = 1.0, prefix: str = "") -> list[Element]:
        """Return the insulation between every pair of pads and of leads, bridge to bridge too."""
        pads, leads = self._insulated(prefix)
        parts = []
        for nodes, ohms in ((pads, self.leak_at_pads), (leads, self.leak_at_plug)):
            for a, b in combinations(nodes, 2):
                own = self.leaks.get((a.removeprefix(prefix), b.removeprefix(prefix)), ohms)
                name = f"{prefix}leak {a.removeprefix(prefix)} {b.removeprefix(prefix)}"
                parts.append(Element(name, a, b, own * dryness))
        return parts

    def nodes(self, prefix: str = "") -> list[str]:
        """Return the leads at the plug that this cell has, without the shield and the housing."""
        return self._insulated(prefix)[1][:-2]

    def _insulated(self, prefix: str) -> tuple[list[str], list[str]]:
        pads: list[str] = []
        leads: list[str] = []
        for number, bridge in enumerate(self.bridges):
            at = prefix + bridge_prefix(number)
            pads += [at + pad for pad in PADS[:4] if not (bridge.half and pad == "pad S-")]
            leads += [at + lead for lead in self._bridge_leads(bridge)]
        ends = (prefix + "pad shield", prefix + "housing"), (prefix + "shield", prefix + "housing")
        return [*pads, *ends[0]], [*leads, *ends[1]]

    def _bridge_leads(self, bridge: Bridge) -> list[str]:
        leads = [
            lead
            for lead in CONDUCTORS
            if (self.wires == 6 or not lead.startswith("Se")) and not (bridge.half and lead == "S-")
        ]
        return [*leads, bridge.shunt.lead] if bridge.shunt else leads

    def _bridge(
        self, bridge: Bridge, changes: Mapping[str, Values], state: CellState, at: str
    ) -> list[Element]:
        warmer = state.body_celsius - self.reference_celsius
        gauges = state.body_celsius if state.gauge_celsius is None else state.gauge_celsius
        at_gauges = 1 + bridge.arm_per_kelvin * (gauges - self.reference_celsius)
        parts = []
        for arm, unloaded in bridge.arms.items():
            a, b = (at + node for node in ARMS[arm])
            ohms = unloaded * (1 + changes.get(arm, 0.0)) * at_gauges
            if arm in bridge.zero:
                joint = f"{at}joint {arm}"
                parts.append(Element(f"{at}zero {arm}", a, joint, bridge.zero[arm]))
                a = joint
            parts.append(Element(f"{at}arm {arm}", a, b, ohms))
        warm = 1 + bridge.compensation_per_kelvin * warmer
        legs = [wire_at_least(leg * warm) for leg in bridge.compensation]
        parts.append(Element(at + "compensation +", at + "pad Ex+", at + "bridge +", legs[0]))
        parts.append(Element(at + "compensation -", at + "bridge -", at + "pad Ex-", legs[1]))
        if bridge.shunt:
            pad, ohms = at + bridge.shunt.pad, bridge.shunt.ohms
            parts.append(Element(at + "shunt resistor", pad, at + "pad " + bridge.shunt.lead, ohms))
        return parts

    def _conductors(
        self, bridge: Bridge, state: CellState, at: str, *, first: bool
    ) -> list[Element]:
        parts = []
        for lead in self._bridge_leads(bridge):
            pad = CONDUCTORS.get(lead, "pad " + lead)
            ohms = self.cable.ohms(lead, state.cable_celsius)
            emf = state.joint_volts.get(lead, 0.0) if first else 0.0
            parts.append(Element(f"{at}conductor {lead}", at + pad, at + lead, ohms, emf))
        return parts


def bridge_prefix(number: int) -> str:
    """Return what stands before the names of a body's bridges, counted from 0."""
    return "" if number == 0 else f"bridge {number + 1} "


def load_changes(
    unbalance: Values, shares: Mapping[str, Values] | None = None
) -> dict[str, Values]:
    """Return the relative change of every arm for an unbalance d (V/V at the bridge).

    `shares` is how much of it each arm takes part in (1 unless named): a gauge that has come
    loose follows less.
    """
    return {
        arm: sign * unbalance * (1.0 if shares is None else shares.get(arm, 1.0))
        for arm, sign in SIGNS.items()
    }


def wire_at_least(ohms: Values) -> Values:
    """Return a resistance, a piece of wire for 0 ohm."""
    return np.maximum(ohms, WIRE_OHMS)
