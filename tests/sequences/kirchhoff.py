"""A bridge with its cable solved node by node: Kirchhoff's current law and numpy, nothing else."""

from __future__ import annotations

import numpy as np

from acq.analysis.leads import Lead, LeadPair

ARMS = {"A": ("top", "s+"), "B": ("top", "s-"), "C": ("s+", "bottom"), "D": ("s-", "bottom")}


class Bridge:
    """Arms A to D, compensation legs and six conductors, in ohm; pads lie before the legs."""

    def __init__(
        self,
        arms: tuple[float, float, float, float],
        legs: tuple[float, float],
        conductors: dict[Lead, float],
    ) -> None:
        self.parts: list[tuple[str, str, float]] = [
            (*ARMS[name], ohms) for name, ohms in zip(ARMS, arms, strict=True)
        ]
        self.parts += [("pad+", "top", legs[0]), ("pad-", "bottom", legs[1])]
        ends = {
            Lead.EX_PLUS: "pad+",
            Lead.SE_PLUS: "pad+",
            Lead.EX_MINUS: "pad-",
            Lead.SE_MINUS: "pad-",
            Lead.S_PLUS: "s+",
            Lead.S_MINUS: "s-",
        }
        self.parts += [(lead.value, ends[lead], ohms) for lead, ohms in conductors.items()]

    def volts(self, into: Lead, out: Lead) -> dict[str, float]:
        """Return the potential of every node for one ampere from lead to lead."""
        nodes = sorted({node for one, other, _ in self.parts for node in (one, other)})
        place = {node: at for at, node in enumerate(nodes)}
        matrix, current = np.zeros((len(nodes), len(nodes))), np.zeros(len(nodes))
        for one, other, ohms in self.parts:
            for a, b in ((one, other), (other, one)):
                matrix[place[a], place[a]] += 1.0 / ohms
                matrix[place[a], place[b]] -= 1.0 / ohms
        current[place[into.value]] += 1.0
        current[place[out.value]] -= 1.0
        matrix[0, :] = 0.0
        matrix[0, 0], current[0] = 1.0, 0.0
        return dict(zip(nodes, np.linalg.solve(matrix, current), strict=True))

    def ohms(self, pair: LeadPair) -> float:
        volts = self.volts(pair.one, pair.other)
        return float(volts[pair.one.value] - volts[pair.other.value])

    def kelvin(self) -> float:
        """Return the ohms of the input, current through the Ex leads, volts from the Se leads."""
        volts = self.volts(Lead.EX_PLUS, Lead.EX_MINUS)
        return float(volts["Se+"] - volts["Se-"])

    def zero(self, plus: Lead, minus: Lead) -> float:
        """Return V(S+, S-) per volt between two leads, excited through the Ex leads."""
        volts = self.volts(Lead.EX_PLUS, Lead.EX_MINUS)
        return float((volts["S+"] - volts["S-"]) / (volts[plus.value] - volts[minus.value]))
