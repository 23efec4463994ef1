"""Whole netlists against their answers by a second algorithm.

`netlists.json` holds complete branch lists with the expected modes of their sources and
probes. The answers come from nodal analysis with 50 digits: they are ours, not published.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simulated_bench.circuit import Circuit

NETLISTS = json.loads((Path(__file__).parent / "netlists.json").read_text(encoding="utf-8"))
NAMES = [f"{net['id']}-{place}" for place, net in enumerate(NETLISTS)]


def loaded(branches: list[list[Any]]) -> Circuit:
    circuit = Circuit()
    for name, a, b, written_ohms, emf, amps, *regulated in branches:
        ohms = np.inf if written_ohms is None else written_ohms
        if regulated:
            limits = regulated[0]
            circuit.source(
                name,
                a,
                b,
                ohms,
                volts=limits["volt"],
                amps_max=limits["amp_max"],
                amps_min=limits["amp_min"],
                sense=tuple(limits["sense"]) if limits["sense"] else None,
                emf_min=limits["e_min"],
                emf_max=np.inf if limits["e_max"] is None else limits["e_max"],
            )
        else:
            circuit.add(name, a, b, ohms, emf, amps)
    return circuit


@pytest.mark.parametrize("net", NETLISTS, ids=NAMES)
def test_every_netlist_gives_its_answers(net: dict[str, Any]) -> None:
    circuit = loaded(net["branches"])
    point = circuit.solve()
    if net["modes"] is not None:
        assert [point.mode(name).name.lower() for name in circuit.sources] == net["modes"]
    for kind, *where, value in net["probes"]:
        found = point.volt(*where) if kind == "volt" else point.amp(*where)
        assert found == pytest.approx(value, rel=1e-11, abs=1e-23)
