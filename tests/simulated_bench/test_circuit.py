"""The circuit on random cells with any spread of resistances, against star-mesh.

Textbook nodal analysis with an earth reference passes none of these: with 1e11 ohm beside
0.05 ohm it breaks the six-resistance identity by about 1e-7 V/V and insulation by per cents.
An identity test alone would not notice a reference moved into the bridge: insulation and
common mode are tested as well.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulated_bench.cable import Cable
from simulated_bench.cell import CONDUCTORS, LEADS, Bridge, CellDescription
from simulated_bench.circuit import Circuit, CircuitError
from simulated_bench.elements import Element, Part, build
from simulated_bench.regulation import Mode, SourcesFightError
from simulated_bench.topology import LARGE, STRETCH_LIMIT, solve
from tests.simulated_bench import star_mesh

SIGNAL, EXCITATION = ("S+", "S-"), ("Ex+", "Ex-")
JOINED = [Element(f"joined {lead}", lead, "all", 1e-3) for lead in CONDUCTORS]

arm = st.one_of(st.floats(100, 2000), st.sampled_from([np.inf, 1e-6, 1e-3]))
usual_arm = st.floats(100, 2000)
leak = st.floats(4, 14).map(lambda exponent: 10.0**exponent)


@st.composite
def cells(draw: st.DrawFn) -> list[Part]:
    """A cell with at most one dead arm, leads of milliohms to ohms, leaks of 1e4 to 1e14."""
    arms = {name: draw(usual_arm) for name in "ABCD"}
    arms[draw(st.sampled_from("ABCD"))] = draw(arm)
    legs = draw(st.floats(1e-3, 100)), draw(st.floats(1e-3, 100))
    cable = Cable(conductor_ohms={lead: draw(st.floats(1e-3, 2)) for lead in CONDUCTORS})
    pairs = draw(st.sets(st.sampled_from(list(combinations(LEADS, 2))), max_size=12))
    description = CellDescription(
        bridges=(Bridge(arms, legs),),
        cable=cable,
        leak_at_pads=draw(leak),
        leak_at_plug=draw(leak),
        leaks={pair: draw(leak) for pair in sorted(pairs)},
    )
    return [*description.parts(), Element("rig", "housing", "earth", draw(leak))]


def branches(parts: list[Part]) -> list[star_mesh.Branch]:
    return [(part.a, part.b, float(part.ohms)) for part in parts]


def ohms(parts: list[Part], a: str, b: str) -> float:
    point = build([*parts, Element("test", a, b, np.inf, 0.0, -1e-3)]).solve()
    volts = point.volt(a, b)
    assert volts is not None
    return volts / 1e-3


@settings(max_examples=150, deadline=None)
@given(cells())
def test_six_resistances_predict_the_zero_below_1e_12(parts: list[Part]) -> None:
    across = {pair: ohms(parts, *pair) for pair in combinations((*EXCITATION, *SIGNAL), 2)}
    predicted = (
        across["Ex+", "S-"] + across["Ex-", "S+"] - across["Ex+", "S+"] - across["Ex-", "S-"]
    ) / (2 * across["Ex+", "Ex-"])
    point = build([*parts, Element("ideal", *EXCITATION, 1e-3, 10.0)]).solve()
    measured = (point.volt(*SIGNAL) or 0.0) / (point.volt(*EXCITATION) or 1.0)
    assert abs(predicted - measured) < 1e-12
    assert abs(measured - star_mesh.transfer(branches(parts), EXCITATION, SIGNAL)) < 1e-12


@settings(max_examples=100, deadline=None)
@given(cells())
def test_insulation_holds_to_1e_9_beside_any_bridge(parts: list[Part]) -> None:
    joined = [*parts, *JOINED]
    for against in ("housing", "shield"):
        expected = star_mesh.resistance(branches(joined), "all", against)
        assert ohms(joined, "all", against) == pytest.approx(expected, rel=1e-12)


@settings(max_examples=100, deadline=None)
@given(cells())
def test_common_mode_to_earth_holds_to_1e_9_of_the_excitation(parts: list[Part]) -> None:
    point = build([*parts, Element("ideal", *EXCITATION, 1e-3, 10.0)]).solve()
    common = (point.volt("S-", "earth") or 0.0) / (point.volt(*EXCITATION) or 1.0)
    expected = star_mesh.transfer(branches(parts), EXCITATION, ("S-", "earth"))
    assert common == pytest.approx(expected, rel=1e-9, abs=1e-12)


@settings(max_examples=60, deadline=None)
@given(cells(), cells())
def test_a_kept_tree_gives_what_a_fresh_one_gives(before: list[Part], after: list[Part]) -> None:
    def circuit(parts: list[Part]) -> Circuit:
        return build([*parts, Element("ideal", *EXCITATION, 1e-3, 10.0)])

    kept, fresh = circuit(before), circuit(after)
    kept.solve()
    kept.set_all([*(part.ohms for part in after), 1e-3], *_sources_of(fresh))
    for pair in (SIGNAL, EXCITATION, ("S-", "earth"), ("Ex+", "Se+")):
        expected = fresh.solve().volt(*pair)
        assert kept.solve().volt(*pair) == pytest.approx(expected, rel=1e-11, abs=1e-12)


def _sources_of(circuit: Circuit) -> tuple[list[float], list[float]]:
    _, emf, amps = circuit.values()
    return emf.tolist(), amps.tolist()


def test_two_islands_have_no_voltage_between_them() -> None:
    circuit = Circuit()
    circuit.add("here", "a", "b", 10.0, emf=1.0)
    circuit.add("there", "c", "d", 10.0)
    circuit.add("gap", "b", "c", np.inf)
    point = circuit.solve()
    assert point.volt("a", "b") == 1.0
    assert point.volt("c", "d") == 0.0
    assert point.volt("a", "c") is None
    assert np.isnan(point.volts("a", "d"))
    circuit.set("gap", ohms=1e12)
    assert circuit.solve().volt("a", "c") == pytest.approx(1.0)


def test_a_tree_serves_until_the_values_leave_it() -> None:
    circuit = Circuit()
    circuit.add("link", "a", "b", 1.0)
    circuit.add("bypass", "a", "b", 50.0)
    circuit.add("source", "a", "b", 1e3, emf=1.0)
    tree = circuit.compile()
    circuit.set("link", ohms=10.0)
    assert circuit.compile() is tree
    circuit.set("link", ohms=2 * STRETCH_LIMIT * 50.0)
    other = circuit.compile()
    assert other is not tree
    circuit.set("link", ohms=1e-4)
    assert circuit.compile() is tree


@pytest.mark.parametrize("wrong", [0.0, -1.0, float("nan")])
def test_a_resistance_that_cannot_be_is_refused(wrong: float) -> None:
    circuit = Circuit()
    with pytest.raises(CircuitError, match="above 0 ohm"):
        circuit.add("wire", "a", "b", wrong)
    circuit.add("wire", "a", "b", 1.0)
    with pytest.raises(CircuitError, match="above 0 ohm"):
        circuit.set("wire", ohms=wrong)


def test_what_is_not_in_the_circuit_is_named() -> None:
    circuit = Circuit()
    circuit.add("wire", "a", "b", 1.0)
    with pytest.raises(CircuitError, match="two elements are named 'wire'"):
        circuit.add("wire", "b", "c", 1.0)
    point = circuit.solve()
    with pytest.raises(CircuitError, match="no element ends at 'c'"):
        point.volt("a", "c")
    with pytest.raises(CircuitError, match="no element 'lead'"):
        point.amp("lead")
    with pytest.raises(CircuitError, match="no source 'supply'"):
        point.mode("supply")


def regulated(load_ohms: float, **limits: float) -> Circuit:
    circuit = Circuit()
    settings_ = {"volts": 10.0, "amps_max": 0.1, "emf_max": 12.0} | limits
    circuit.source("supply", "+", "-", 1.0, **settings_)  # type: ignore[arg-type]
    circuit.add("load", "+", "-", load_ohms)
    return circuit


@pytest.mark.parametrize(
    ("load_ohms", "limits", "mode", "volts"),
    [
        (1000.0, {}, Mode.CV, 10.0),
        (10.0, {}, Mode.CC, 1.0),
        (1000.0, {"volts": 20.0}, Mode.TOP, 12.0 * 1000 / 1001),
        (1000.0, {"volts": -1.0}, Mode.SINK, 0.0),
        (1000.0, {"volts": -1.0, "amps_min": -0.1}, Mode.BOTTOM, 0.0),
    ],
)
def test_a_source_rests_where_its_loop_lets_it(
    load_ohms: float, limits: dict[str, float], mode: Mode, volts: float
) -> None:
    point = regulated(load_ohms, **limits).solve()
    assert point.mode("supply") is mode
    assert point.volt("+", "-") == pytest.approx(volts, abs=1e-15)


def test_two_supplies_in_parallel_share_as_their_set_points_say() -> None:
    circuit = regulated(50.0)
    circuit.source("second", "+", "-", 1.0, volts=9.0, amps_max=0.2, emf_max=12.0)
    point = circuit.solve()
    # The higher one gives all it may; the other keeps its voltage with the rest.
    assert point.mode("supply") is Mode.CC
    assert point.mode("second") is Mode.CV
    assert point.volt("+", "-") == pytest.approx(9.0, rel=1e-12)
    assert -point.amp("second") == pytest.approx(9.0 / 50.0 - 0.1, rel=1e-9)


def test_sources_without_a_common_rest_say_so() -> None:
    circuit = Circuit()
    circuit.source("one", "a", "b", 1.0, volts=1.0, amps_max=np.inf, sense=("c", "d"))
    circuit.source("two", "c", "d", 1.0, volts=1.0, amps_max=np.inf, sense=("b", "a"))
    circuit.add("first", "a", "b", 10.0)
    circuit.add("other", "c", "d", 10.0)
    with pytest.raises(SourcesFightError):
        circuit.solve()


def test_of_two_crossed_supplies_one_wins_and_the_balance_between_them_is_not_taken() -> None:
    # Each senses the other's output: both at their set points is at rest, but falls over.
    circuit = Circuit()
    limits = {"volts": 5.0, "amps_max": 1.0, "emf_max": 12.0}
    circuit.source("one", "a", "b", 1.0, sense=("c", "d"), **limits)
    circuit.source("two", "c", "d", 1.0, sense=("a", "b"), **limits)
    circuit.add("first", "a", "b", 100.0)
    circuit.add("other", "c", "d", 100.0)
    point = circuit.solve()
    held = sorted([abs(point.volt("a", "b") or 0.0), abs(point.volt("c", "d") or 0.0)])
    assert {point.mode("one"), point.mode("two")} != {Mode.CV}
    assert held == pytest.approx([0.0, 12.0 * 100 / 101], abs=1e-9)


@pytest.mark.parametrize("alike", [True, False])
def test_a_batch_of_a_large_circuit_is_solved_as_each_of_it_alone(alike: bool) -> None:
    """A ladder of more nodes than are made together: the batch and each of it give the same."""
    rungs, batch = 140, 3
    draw = np.random.default_rng(5)
    circuit = Circuit()
    for n in range(rungs):
        circuit.add(f"series {n}", f"node {n}", f"node {n + 1}", float(np.exp(draw.normal())))
        circuit.add(f"across {n}", f"node {n + 1}", "earth", float(np.exp(draw.normal())))
    circuit.add("source", "node 0", "earth", 1.0, 5.0)
    ohms, emf, amps = circuit.values()
    tree = circuit.compile(ohms)
    assert tree.paths.shape[1] > LARGE
    factors = np.ones((batch, 1)) if alike else 1 + 0.1 * draw.random((batch, len(ohms)))
    each = ohms * factors
    wide = np.broadcast_to(ohms, (batch, len(ohms))) if alike else each
    charges = emf * np.arange(1.0, batch + 1)[:, None]
    together = solve(tree, wide, charges, amps)
    for k in range(batch):
        alone = solve(tree, each[k] if not alike else ohms, charges[k], amps)
        np.testing.assert_allclose(together.tree_volts[k], alone.tree_volts, rtol=1e-9, atol=1e-15)
        np.testing.assert_allclose(together.amps[k], alone.amps, rtol=1e-9, atol=1e-15)
