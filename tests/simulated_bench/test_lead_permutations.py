"""All 24 ways in which four leads may carry each other's names, through the whole circuit.

A scenario says it by exchanges; the resistances come from `networkx.resistance_distance` over the
bench's own elements, not from our solver.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, permutations

import networkx
import pytest

from acq.analysis.diagnosis import diagnose
from acq.analysis.expectation import ExpectedCell
from acq.analysis.faults import Fault
from acq.analysis.lead_identification import identify_leads
from acq.analysis.leads import FOUR_WIRE_PAIRS, Lead, LeadPair
from acq.analysis.observed import Observed, PairReading
from simulated_bench.elements import Element
from simulated_bench.on_the_bench import CellOnBench
from simulated_bench.scenario import Scenario

NAMES = ("Ex+", "Ex-", "S+", "S-")
EXCITATION = {Lead.EX_PLUS, Lead.EX_MINUS}
SIGNAL = {Lead.S_PLUS, Lead.S_MINUS}


def exchanges(order: Sequence[str]) -> list[tuple[str, str]]:
    """Return the exchanges, one after the other, that put NAMES in turn onto these conductors.

    An exchange is of what two conductors carry now, whatever they carried before.
    """
    carried, steps = {lead: lead for lead in NAMES}, []
    for name, conductor in zip(NAMES, order, strict=True):
        other = next(lead for lead, carries in carried.items() if carries == name)
        if other != conductor:
            steps.append((conductor, other))
            carried[conductor], carried[other] = carried[other], carried[conductor]
    return steps


def ohms(order: Sequence[str]) -> dict[tuple[str, str], float]:
    """Return what an ideal meter reads between the leads as they are named."""
    faults = [{"kind": "exchanged", "between": pair} for pair in exchanges(order)]
    scenario = Scenario.model_validate({"cell": {"papers": "C-003358"}, "fault": faults})
    graph = networkx.MultiGraph()
    for part in CellOnBench(scenario, 1).parts(0.0, charges=False):
        if isinstance(part, Element) and 0.0 < float(part.ohms) < 1e9:
            graph.add_edge(part.a, part.b, weight=float(part.ohms))
    whole = graph.subgraph(networkx.node_connected_component(graph, NAMES[0]))
    return {
        (a, b): float(networkx.resistance_distance(whole, a, b, weight="weight"))
        for a, b in combinations(NAMES, 2)
    }


AS_NAMED = ohms(NAMES)


@pytest.mark.parametrize("order", list(permutations(NAMES)), ids=" ".join)
def test_every_order_of_four_leads_is_seen_and_told(order: tuple[str, ...]) -> None:
    read = ohms(order)
    really = dict(zip(NAMES, order, strict=True))
    for (a, b), value in read.items():
        pair = tuple(sorted((really[a], really[b]), key=NAMES.index))
        assert value == pytest.approx(AS_NAMED[pair[0], pair[1]], abs=1e-9)
    marked = {name: Lead(name) for name in NAMES}
    found = identify_leads([(a, b, value) for (a, b), value in read.items()], marked=marked)
    for name, lead in really.items():
        one = found.of(name)
        # four leads of a symmetrical bridge: excitation from signal, never the sign
        assert set(one.either) | {one.lead} <= (EXCITATION if Lead(lead) in EXCITATION else SIGNAL)
        assert one.needs_load
    crossed = {Lead(really["Ex+"]), Lead(really["Ex-"])} != EXCITATION
    assert bool(found.exchanged) is crossed


@pytest.mark.parametrize("order", list(permutations(NAMES)), ids=" ".join)
def test_the_diagnosis_names_exchanged_leads_where_ohms_show_them(order: tuple[str, ...]) -> None:
    read = {LeadPair.of(Lead(a), Lead(b)): x for (a, b), x in ohms(order).items()}
    pairs = {pair: PairReading(ohms=read[pair]) for pair in FOUR_WIRE_PAIRS}
    cell = ExpectedCell(
        wires=4, arm_ohms=1001.6, legs_ohms=(51.0, 51.0), conductor_ohms=0.21, rated_output=3e-3
    )
    answer = diagnose(Observed(pairs=pairs), [(cell, 1.0)]).answer.fault.fault
    shows = {order[0], order[1]} != {"Ex+", "Ex-"}
    assert answer is (Fault.SWAPPED_LEADS if shows else Fault.NONE_FOUND)
