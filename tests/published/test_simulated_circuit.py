"""The simulated circuit against general libraries, closed forms and published tables.

Sources stand beside each check: resistance distance of a graph as networkx computes it,
textbook bridge formulas, IEC 60228 and IEC 60028 for copper.
"""

from __future__ import annotations

from itertools import combinations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulated_bench.batch import SIX_PAIRS, Cells, six_pairs, zero
from simulated_bench.cable import Cable, correction_to_20, ohms_per_metre
from simulated_bench.cell import Bridge, CellDescription
from simulated_bench.circuit import Circuit
from simulated_bench.electrical import InsulationTester, contact
from simulated_bench.elements import Element, Leak, build

OPEN = float("inf")


def plain(
    arms: dict[str, float] | None = None, legs: tuple[float, float] = (0.0, 0.0), lead: float = 1e-9
) -> CellDescription:
    """A bare bridge: no leaks, leads of nothing."""
    leads = dict.fromkeys(("Ex+", "Ex-", "Se+", "Se-", "S+", "S-"), lead)
    return CellDescription(
        bridges=(Bridge(arms or dict.fromkeys("ABCD", 350.0), legs),),
        cable=Cable(conductor_ohms=leads),
        leak_at_pads=OPEN,
        leak_at_plug=OPEN,
    )


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_network_has_the_resistance_distances_of_its_graph(data: st.DataObject) -> None:
    # networkx.resistance_distance: Klein and Randic, by the pseudo-inverse of the Laplacian.
    count = data.draw(st.integers(3, 8))
    graph = nx.path_graph(count)
    pairs = list(combinations(range(count), 2))
    graph.add_edges_from(data.draw(st.lists(st.sampled_from(pairs), max_size=12)))
    circuit = Circuit()
    for a, b in sorted(graph.edges):
        ohms = data.draw(st.floats(0.1, 1e4))
        graph.edges[a, b]["ohms"] = ohms
        circuit.add(f"{a} {b}", str(a), str(b), ohms)
    a, b = data.draw(st.sampled_from(pairs))
    circuit.add("test", str(a), str(b), OPEN, amps=-1.0)
    expected = nx.resistance_distance(graph, a, b, weight="ohms", invert_weight=True)
    assert circuit.solve().volt(str(a), str(b)) == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize(
    ("arms", "legs", "figures"),
    [
        # Exact: opposite corners of equal arms R, adjacent 3 R / 4.
        ({}, (0.0, 0.0), (350.0, 262.5, 262.5, 262.5, 262.5, 350.0)),
        # One arm 351 ohm; agrees with networkx.resistance_distance.
        (
            {"A": 351.0},
            (0.0, 0.0),
            (350.249822, 263.062099, 262.562455, 262.562455, 262.562455, 350.249822),
        ),
        # 27 ohm in each excitation lead: a 404 ohm input as in OIML R 60:2021, annex C sample.
        ({}, (27.0, 27.0), (404.0, 289.5, 289.5, 289.5, 289.5, 350.0)),
        # An open arm: twice, three times and once R.
        ({"A": OPEN}, (0.0, 0.0), (700.0, 1050.0, 350.0, 350.0, 350.0, 700.0)),
    ],
)
def test_the_six_pairs_of_textbook_bridges(
    arms: dict[str, float], legs: tuple[float, float], figures: tuple[float, ...]
) -> None:
    ohms = six_pairs(Cells(plain(dict.fromkeys("ABCD", 350.0) | arms, legs)))[0]
    assert ohms == pytest.approx(figures, rel=1e-8)


@pytest.mark.parametrize(
    ("arms", "ratio"),
    [
        ({"B": 353.5}, 2.4875621890547706e-3),
        ({"B": 353.5, "D": 346.5}, 5.0e-3),
        ({"A": 346.5, "B": 353.5, "C": 353.5, "D": 346.5}, 10.0e-3),
        ({"A": 351.0}, -0.7132667617688604e-3),
    ],
)
def test_quarter_half_and_full_bridges_as_wheatstone_has_it(
    arms: dict[str, float], ratio: float
) -> None:
    # Exact: V/U = D/(B+D) - C/(A+C) with the arms at their corners.
    found = zero(Cells(plain(dict.fromkeys("ABCD", 350.0) | arms)))[0]
    assert abs(found) == pytest.approx(abs(ratio), rel=1e-11)


def test_a_shunt_across_an_arm_gives_its_exact_output() -> None:
    # Exact: R / (4 Rs + 2 R) = 1.456998 mV/V for 350 ohm and 59.88 kohm; 1.461 is R / (4 Rs).
    shunted = Cells(plain(), [Leak("pad Ex+", "pad S+", 59_880.0)])
    assert zero(shunted)[0] == pytest.approx(1.456998e-3, rel=1e-6)


@pytest.mark.parametrize(
    ("rin", "ohm_per_m", "metres", "percent"),
    [
        (350.0, 0.039, 10.0, -0.2224),
        (350.0, 0.0842, 10.0, -0.4788),
        (404.0, 0.053, 20.0, -0.522),
        (1000.0, 0.0842, 10.0, -0.1681),
    ],
)
def test_a_four_wire_cable_takes_its_share_of_the_sensitivity(
    rin: float, ohm_per_m: float, metres: float, percent: float
) -> None:
    # Rin / (Rin + 2 rL): series divider; resistances of IEC 60228 and of wire gauges.
    arms = {"A": rin * 0.998, "B": rin * 1.002, "C": rin * 1.002, "D": rin * 0.998}
    near, far = (zero(Cells(plain(arms, lead=lead)))[0] for lead in (1e-9, ohm_per_m * metres))
    assert (far / near - 1) * 100 == pytest.approx(percent, abs=1e-3)


def test_three_insulations_are_a_delta() -> None:
    # Closed form: each pair reads its own resistance beside the other two in series.
    ab, bc, ca = 1e9, 2e6, 5e10
    parts = [Element("ab", "Ex+", "shield", ab), Element("bc", "shield", "housing", bc)]
    parts.append(Element("ca", "housing", "Ex+", ca))
    tester = InsulationTester(on=True, shunt_ohms=1e-3, voltmeter_ohms=OPEN)
    for plus, minus, own, other in (
        ("Ex+", "shield", ab, bc + ca),
        ("shield", "housing", bc, ca + ab),
        ("Ex+", "housing", ca, ab + bc),
    ):
        clips = [contact("insulation +", plus), contact("insulation -", minus)]
        found = tester.ohms(build([*parts, *tester.parts(), *clips]).solve())
        assert found == pytest.approx(1 / (1 / own + 1 / other), rel=1e-6)


@pytest.mark.parametrize("area_mm2", [0.5, 0.75, 1.0, 1.5, 2.5])
def test_flexible_conductors_are_those_of_iec_60228(area_mm2: float) -> None:
    # IEC 60228, class 5, plain copper, maximum resistance at 20 degC in ohm/km.
    table = {0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98}
    assert ohms_per_metre(area_mm2) * 1000 == pytest.approx(table[area_mm2], rel=1e-12)
    assert Cable(10.0, area_mm2).ohms("Ex+") == pytest.approx(table[area_mm2] / 100)
    # The area of solid copper of that resistance (IEC 60028: 1/58 ohm mm2/m) is near the name.
    assert 1000 / 58 / table[area_mm2] == pytest.approx(area_mm2, rel=0.15)


@pytest.mark.parametrize(
    ("celsius", "factor"),
    [(5.0, 1.064), (15.0, 1.020), (25.0, 0.980), (30.0, 0.962), (40.0, 0.926), (50.0, 0.893)],
)
def test_conductors_are_converted_by_the_table_of_iec_60228(celsius: float, factor: float) -> None:
    # IEC 60228, temperature correction factors: 250 / (230 + t), 0.004/K at 20 degC.
    assert correction_to_20(celsius) == pytest.approx(factor, abs=5e-4)
    assert Cable(10.0, 1.0).ohms("S+", celsius) == pytest.approx(0.195 / factor, rel=6e-4)


def test_the_conversion_stays_near_the_coefficient_of_annealed_copper() -> None:
    # IEC 60028: 0.00393 per kelvin at 20 degC.
    for celsius in np.linspace(0, 50, 11):
        annealed = 1 + 0.00393 * (celsius - 20)
        assert 1 / correction_to_20(celsius) == pytest.approx(annealed, abs=0.0025)


def test_a_wrong_area_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"0\.3 mm2 is tabulated; one of 0\.14, 0\.25"):
        ohms_per_metre(0.3)


def test_leads_of_unlike_length_move_no_pair_of_a_balanced_bridge_out_of_line() -> None:
    # Exact: any passive network obeys x = (R(Ex+,S-) + R(Ex-,S+) - R(Ex+,S+) - R(Ex-,S-)) / 2 Rin.
    rng = np.random.default_rng(3)
    arms = {name: rng.uniform(300, 400, 50) for name in "ABCD"}
    cells = Cells(CellDescription(bridges=(Bridge({**arms}),)))
    ohms, ratio = six_pairs(cells), zero(cells)
    at = {pair: ohms[:, place] for place, pair in enumerate(SIX_PAIRS)}
    predicted = (at["Ex+", "S-"] + at["Ex-", "S+"] - at["Ex+", "S+"] - at["Ex-", "S-"]) / (
        2 * at["Ex+", "Ex-"]
    )
    assert np.abs(predicted - ratio).max() < 1e-14
