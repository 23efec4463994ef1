"""Bridge values against published figures and against another library's resistance distance."""

from __future__ import annotations

from itertools import combinations

import networkx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acq.analysis.leads import FOUR_WIRE_PAIRS, SIX_WIRE_PAIRS, LeadPair
from acq.analysis.network import (
    BRIDGE_LEADS,
    LEAD_PLACE,
    BridgeElements,
    Delta,
    joined,
    lead_resistances,
    pair_resistances,
    pick,
    predicted_zero,
    solve_delta,
)

OPEN = 1e12


def bridge(
    arms: list[float], legs: tuple[float, float] = (0.0, 0.0), conductors: float | list[float] = 0.0
) -> BridgeElements:
    return BridgeElements(
        np.array(arms), np.array(legs), np.broadcast_to(np.asarray(conductors, float), 6)
    )


def by_pair(elements: BridgeElements) -> dict[LeadPair, float]:
    ohms = pair_resistances(elements, FOUR_WIRE_PAIRS)
    return dict(zip(FOUR_WIRE_PAIRS, ohms.tolist(), strict=True))


def named(**ohms: float) -> dict[LeadPair, float]:
    leads = {"ee": "Ex+ Ex-", "ss": "S+ S-"}
    leads |= {"pp": "Ex+ S+", "pm": "Ex+ S-", "mp": "Ex- S+", "mm": "Ex- S-"}
    return {LeadPair.read(leads[key]): value for key, value in ohms.items()}


# Exact values of the Wheatstone bridge (opposite corners R, adjacent 3 R / 4), any textbook
@pytest.mark.parametrize(
    ("elements", "expected"),
    [
        (bridge([350] * 4), named(ee=350, ss=350, pp=262.5, pm=262.5, mp=262.5, mm=262.5)),
        (
            bridge([351, 350, 350, 350]),
            named(
                ee=350.249822,
                ss=350.249822,
                pp=263.062099,
                pm=262.562455,
                mp=262.562455,
                mm=262.562455,
            ),
        ),
        # 404 / 350 ohm are the input and output resistance of the sample in OIML R 60, Annex C
        (
            bridge([350] * 4, legs=(27, 27)),
            named(ee=404, ss=350, pp=289.5, pm=289.5, mp=289.5, mm=289.5),
        ),
        (
            bridge([OPEN, 350, 350, 350]),
            named(ee=700, ss=700, pp=1050, pm=350, mp=350, mm=350),
        ),
    ],
)
def test_six_pairs_of_a_known_bridge(
    elements: BridgeElements, expected: dict[LeadPair, float]
) -> None:
    assert by_pair(elements) == pytest.approx(expected, rel=1e-8)


def test_zero_of_a_bridge_with_one_arm_one_ohm_up() -> None:
    # V/E = R2/(R1+R2) - R4/(R3+R4), any textbook: 350/701 - 1/2
    zero = predicted_zero(by_pair(bridge([351, 350, 350, 350])))
    assert zero == pytest.approx(-0.7132667617688604e-3, rel=1e-9)


def test_shunt_calibration_of_one_arm() -> None:
    # 1000 R / (4 Rs + 2 R) mV/V for 350 ohm and 59.88 kohm: 1.456998; common practice quotes 1.46
    shunted = 350 * 59880 / (350 + 59880)
    zero = predicted_zero(by_pair(bridge([shunted, 350, 350, 350])))
    assert zero == pytest.approx(1.456998e-3, abs=5e-10)
    across = joined(lead_resistances(bridge([350] * 4)), 0, 4, 59880.0)
    pairs = dict(zip(FOUR_WIRE_PAIRS, pick(across, FOUR_WIRE_PAIRS).tolist(), strict=True))
    assert predicted_zero(pairs) == pytest.approx(1.456998e-3, abs=5e-10)


@pytest.mark.parametrize(
    ("arm_change", "zero"),
    [
        ((3.5, 0, 0, 0), -2.4875621890547706e-3),
        ((3.5, 0, -3.5, 0), -5.0e-3),
        ((3.5, -3.5, -3.5, 3.5), -10.0e-3),
    ],
)
def test_output_of_one_two_and_four_active_arms(arm_change: tuple[float, ...], zero: float) -> None:
    # exact Wheatstone: 2.48756 (quarter), 5.0 (half, adjacent), 10.0 mV/V (full) for 1 %
    changed = bridge([350 + change for change in arm_change])
    assert predicted_zero(by_pair(changed)) == pytest.approx(zero, rel=1e-9)


def reference_graph(elements: BridgeElements) -> networkx.Graph:
    """Return the network as a graph; nodes without resistance between them are merged."""
    a, b, c, d = elements.arms.tolist()
    graph = networkx.Graph()
    for one, other, ohms in [
        ("top", "Y+", a),
        ("top", "Y-", b),
        ("Y+", "bottom", c),
        ("Y-", "bottom", d),
        ("X+", "top", elements.compensation[0]),
        ("X-", "bottom", elements.compensation[1]),
        *(
            (node, lead, elements.conductors[place])
            for place, (lead, node) in enumerate(
                zip(BRIDGE_LEADS, ["X+", "X-", "X+", "X-", "Y+", "Y-"], strict=True)
            )
        ),
    ]:
        graph.add_edge(one, str(other), ohms=float(ohms))
    for one, other, data in list(graph.edges(data=True)):
        if data["ohms"] == 0.0:
            graph = networkx.contracted_nodes(graph, one, other, self_loops=False)
    return graph


ohms = st.floats(50.0, 3000.0)
small = st.floats(0.01, 120.0)


@settings(max_examples=40, deadline=None)
@given(
    arms=st.lists(ohms, min_size=4, max_size=4),
    legs=st.tuples(small, small),
    conductors=st.lists(st.floats(0.005, 4.0), min_size=6, max_size=6),
    leak=st.floats(0.01, 1e6),
    leak_pair=st.sampled_from(list(combinations(range(6), 2))),
)
def test_pairs_of_any_bridge_with_any_path_between_two_leads_agree_with_the_resistance_distance(
    arms: list[float],
    legs: tuple[float, float],
    conductors: list[float],
    leak: float,
    leak_pair: tuple[int, int],
) -> None:
    elements = bridge(arms, legs, conductors)
    table = joined(lead_resistances(elements), *leak_pair, leak)
    graph = reference_graph(elements)
    one, other = (str(BRIDGE_LEADS[place]) for place in leak_pair)
    for end in (one, other):  # over a node of its own: two parallel edges would replace each other
        graph.add_edge(end, "middle of the path", ohms=leak / 2)
    distance = networkx.resistance_distance(graph, weight="ohms")
    for pair, found in zip(SIX_WIRE_PAIRS, pick(table, SIX_WIRE_PAIRS), strict=True):
        expected = distance[str(pair.one)][str(pair.other)]
        assert found == pytest.approx(expected, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("pair", FOUR_WIRE_PAIRS, ids=str)
def test_a_dead_short_between_two_leads_is_one_node(pair: LeadPair) -> None:
    elements = bridge([351.0, 349.5, 350.2, 350.0], (17.0, 17.5))
    one, other = LEAD_PLACE[pair.one], LEAD_PLACE[pair.other]
    table = joined(lead_resistances(elements), one, other, 0.0)
    graph = reference_graph(elements)
    names = {str(lead): _node(graph, str(lead)) for lead in BRIDGE_LEADS}
    kept, gone = names[str(pair.one)], names[str(pair.other)]
    merged = networkx.contracted_nodes(graph, kept, gone, self_loops=False, copy=True)
    # parallel edges of the merged node must add as conductances, which the library does not do
    for neighbour in set(graph[kept]) & set(graph[gone]):
        both = [graph[end][neighbour]["ohms"] for end in (kept, gone)]
        merged[kept][neighbour]["ohms"] = 1 / sum(1 / x for x in both)
    distance = networkx.resistance_distance(merged, weight="ohms")
    for some in FOUR_WIRE_PAIRS:
        ends = [kept if names[str(x)] == gone else names[str(x)] for x in (some.one, some.other)]
        expected = 0.0 if ends[0] == ends[1] else distance[ends[0]][ends[1]]
        found = pick(table, [some])[0]
        assert found == pytest.approx(expected, rel=1e-9, abs=1e-9)


def _node(graph: networkx.Graph, lead: str) -> str:
    """Return the node of a lead: contraction of a 0-ohm conductor kept one of the two names."""
    at_cell = {"Ex+": "X+", "Ex-": "X-", "Se+": "X+", "Se-": "X-", "S+": "Y+", "S-": "Y-"}
    return lead if lead in graph else at_cell[lead]


insulation = st.floats(1e3, 1e12)


@settings(max_examples=60, deadline=None)
@given(lh=insulation, ls=insulation, sh=st.floats(1e-1, 1e12))
def test_three_insulation_readings_give_back_the_delta_that_made_them(
    lh: float, ls: float, sh: float
) -> None:
    graph = networkx.Graph()
    # in Mohm: the library's matrix of conductances is then of the size of one
    graph.add_edge("leads", "housing", ohms=lh * 1e-6)
    graph.add_edge("leads", "shield", ohms=ls * 1e-6)
    graph.add_edge("shield", "housing", ohms=sh * 1e-6)
    spread = max(lh, ls, sh) / min(lh, ls, sh)
    if spread > 1e4:
        return  # beyond that neither the readings nor the library's inverse hold the digits
    distance = networkx.resistance_distance(graph, weight="ohms")
    readings = Delta(
        distance["leads"]["housing"] * 1e6,
        distance["leads"]["shield"] * 1e6,
        distance["shield"]["housing"] * 1e6,
    )
    solved = solve_delta(readings)
    assert solved.leads_housing == pytest.approx(lh, rel=1e-3)
    assert solved.leads_shield == pytest.approx(ls, rel=1e-3)
    assert solved.shield_housing == pytest.approx(sh, rel=1e-3)
