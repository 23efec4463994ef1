"""Cells of every construction as elements, and faults put into them by name."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from simulated_bench.batch import SIX_PAIRS, Cells, pair_resistances, six_pairs, zero
from simulated_bench.cable import Cable
from simulated_bench.cell import (
    LEADS,
    PADS,
    Bridge,
    CellDescription,
    CellState,
    Shunt,
    load_changes,
)
from simulated_bench.circuit import CircuitError, Point
from simulated_bench.elements import (
    Added,
    Element,
    Leak,
    Opened,
    Regulated,
    Replaced,
    Scaled,
    SeriesEmf,
    Shorted,
    build,
    with_faults,
)

CABLE = Cable(length_m=5.0, area_mm2=0.25)
LEAD = 5 * 0.076


def point(description: CellDescription, state: CellState | None = None, *faults: object) -> Point:
    parts = description.parts(state or CellState())
    ideal = Element("ideal", "Ex+", "Ex-", 1e-6, 10.0)
    return build([*parts, ideal], faults).solve()  # type: ignore[arg-type]


def ratio(solved: Point, prefix: str = "", reference: tuple[str, str] = ("Ex+", "Ex-")) -> float:
    signal = solved.volt(f"{prefix}S+", f"{prefix}S-")
    excitation = solved.volt(*(f"{prefix}{lead}" for lead in reference))
    assert signal is not None
    assert excitation is not None
    return signal / excitation


def test_every_pair_of_leads_and_pads_leaks() -> None:
    names = {part.name for part in CellDescription().parts()}
    for a, b in (*combinations(LEADS, 2), *combinations(PADS, 2)):
        assert f"leak {a} {b}" in names
    assert len([name for name in names if name.startswith("leak")]) == 28 + 15


def test_a_four_wire_cell_has_no_sense_leads() -> None:
    description = CellDescription(wires=4)
    assert description.nodes() == ["Ex+", "Ex-", "S+", "S-"]
    assert not [part for part in description.parts() if "Se" in part.name]


def test_one_sided_compensation_shows_in_the_pairs_of_its_lead() -> None:
    # The two pairs on the compensated lead are higher by the whole leg: 55 ohm in Ex+.
    one_sided = CellDescription(bridges=(Bridge(compensation=(55.0, 0.0)),), cable=CABLE)
    ohms = dict(zip(SIX_PAIRS, six_pairs(Cells(one_sided))[0], strict=True))
    assert ohms["Ex+", "S+"] - ohms["Ex-", "S+"] == pytest.approx(55.0, abs=1e-4)
    assert ohms["Ex+", "S-"] - ohms["Ex-", "S-"] == pytest.approx(55.0, abs=1e-4)
    assert ohms["Ex+", "Ex-"] == pytest.approx(350 + 55 + 2 * LEAD, abs=1e-3)


def test_a_zero_resistor_unbalances_its_arm() -> None:
    bridge = Bridge(compensation=(0.0, 0.0), zero={"A": 1.0})
    found = zero(Cells(CellDescription(bridges=(bridge,), wires=4, cable=CABLE)))[0]
    # One arm 351 ohm: -0.71327 mV/V (exact), less what the leads take.
    lost = 350.249822 / (350.249822 + 2 * LEAD)
    assert found == pytest.approx(-0.7132667617688604e-3 * lost, rel=1e-6)


def test_sense_leads_see_the_pads() -> None:
    description = CellDescription(cable=CABLE)
    state = CellState((load_changes(2e-3),))
    solved = point(description, state)
    at_pads = ratio(solved, reference=("Se+", "Se-"))
    at_plug = ratio(solved)
    assert at_plug / at_pads == pytest.approx(384.0 / (384.0 + 2 * LEAD), rel=1e-7)


def test_two_bridges_in_one_body_answer_alike_and_are_insulated() -> None:
    double = CellDescription(bridges=(Bridge(), Bridge()), cable=CABLE)
    changes = load_changes(2e-3)
    parts = double.parts(CellState((changes, changes)))
    supplies = [
        Element("first", "Ex+", "Ex-", 1e-6, 10.0),
        Element("second", "bridge 2 Ex+", "bridge 2 Ex-", 1e-6, 5.0),
    ]
    solved = build([*parts, *supplies]).solve()
    assert ratio(solved, "bridge 2 ") == pytest.approx(ratio(solved), rel=1e-9)
    assert set(double.nodes()) >= {"S+", "bridge 2 S+"}
    between = pair_resistances(Cells(double), [("S+", "bridge 2 S+")])[0, 0]
    assert between > 1e9
    bridged = Cells(double, [Leak("S+", "bridge 2 S+", 1e4)])
    assert pair_resistances(bridged, [("S+", "bridge 2 S+")])[0, 0] < 1.1e4


def test_a_half_bridge_has_two_arms_and_three_pairs() -> None:
    half = CellDescription(bridges=(Bridge({"A": 350.0, "C": 350.0}, (0.0, 0.0)),), wires=4)
    assert half.nodes() == ["Ex+", "Ex-", "S+"]
    pairs = [("Ex+", "Ex-"), ("Ex+", "S+"), ("Ex-", "S+")]
    ohms = pair_resistances(Cells(half), pairs)[0]
    assert ohms == pytest.approx([700 + 2 * LEAD, 350 + 2 * LEAD, 350 + 2 * LEAD], abs=1e-3)


def test_a_shunt_lead_reaches_its_resistor() -> None:
    bridge = Bridge(compensation=(0.0, 0.0), shunt=Shunt(59_880.0))
    description = CellDescription(bridges=(bridge,), wires=4, cable=Cable(length_m=1e-6))
    assert "shunt" in description.nodes()
    parts = [*description.parts(), Element("ideal", "Ex+", "Ex-", 1e-6, 10.0)]
    closed = build([*parts, Element("link", "shunt", "Ex-", 1e-6)]).solve()
    assert ratio(build(parts).solve()) == pytest.approx(0.0, abs=1e-9)
    # Exact: R / (4 Rs + 2 R) = 1.456998 mV/V.
    assert ratio(closed) == pytest.approx(-1.456998e-3, rel=1e-6)


def test_temperature_moves_compensation_and_copper() -> None:
    description = CellDescription(cable=CABLE)
    cold, warm = (
        six_pairs(Cells(description, state=CellState((), celsius, celsius)))[0, 0]
        for celsius in (20.0, 30.0)
    )
    # 34 ohm of nickel at 0.5 %/K, and copper by IEC 60228.
    assert warm - cold == pytest.approx(34 * 0.05 + 2 * LEAD * (260 / 250 - 1), rel=1e-5)


@pytest.mark.parametrize(
    ("fault", "pair", "ohms"),
    [
        (Opened("arm A"), ("Ex+", "Ex-"), 734.0 + 2 * LEAD),
        (Shorted("compensation +"), ("Ex+", "Ex-"), 367.0 + 2 * LEAD),
        (Replaced("compensation +", 20.0), ("Ex+", "Ex-"), 387.0 + 2 * LEAD),
        (Added("conductor Ex+", 2.0), ("Ex+", "S+"), 279.5 + 2 * LEAD + 2.0),
        (Scaled("compensation -", 2.0), ("Ex-", "S-"), 279.5 + 2 * LEAD + 17.0),
        (Leak("S+", "S-", 1e-3), ("S+", "S-"), 1e-3),
    ],
)
def test_a_fault_is_put_in_by_name_and_the_readings_follow(
    fault: Opened, pair: tuple[str, str], ohms: float
) -> None:
    found = pair_resistances(Cells(CellDescription(cable=CABLE), [fault]), [pair])[0, 0]
    assert found == pytest.approx(ohms, rel=1e-5)


def test_an_emf_in_a_conductor_adds_to_the_signal() -> None:
    description = CellDescription()
    quiet = point(description).volt("S+", "S-") or 0.0
    warm = point(description, None, SeriesEmf("conductor S+", 5e-6)).volt("S+", "S-") or 0.0
    assert abs(warm - quiet) == pytest.approx(5e-6, rel=1e-6)
    joint = CellState(joint_volts={"S+": 5e-6})
    assert point(description, joint).volt("S+", "S-") == pytest.approx(warm, abs=1e-15)


def test_faults_in_one_element_add_up() -> None:
    """A joint in front of a wire is not what has changed in the wire, however they are listed."""
    parts = with_faults([Element("wire", "a", "b", 1.0)], [Added("wire", 1.0), Scaled("wire", 3.0)])
    assert parts[0].ohms == 4.0


def test_impossible_cells_and_faults_are_refused() -> None:
    with pytest.raises(ValueError, match="arms A, B, C and D"):
        Bridge({"A": 350.0, "B": 350.0})
    with pytest.raises(ValueError, match="4 or 6 wires"):
        CellDescription(wires=5)
    with pytest.raises(ValueError, match="1 to 3 bridges"):
        CellDescription(bridges=())
    with pytest.raises(ValueError, match="no pair of leads or pads: Ex\\+ and Ex\\+"):
        CellDescription(leaks={("Ex+", "Ex+"): 1.0})
    with pytest.raises(CircuitError, match="no such element"):
        with_faults(CellDescription().parts(), [Opened("arm E")])
    with pytest.raises(CircuitError, match="no element ends at 'ground'"):
        with_faults(CellDescription().parts(), [Leak("S+", "ground", 1.0)])
    supply = Regulated("supply", "+", "-", 1.0, 10.0, 0.1)
    with pytest.raises(CircuitError, match="no EMF of its own"):
        with_faults([supply], [SeriesEmf("supply", 1.0)])


def test_a_prefix_keeps_cells_of_one_circuit_apart() -> None:
    parts = [*CellDescription().parts(prefix="cell 1 "), *CellDescription().parts(prefix="cell 2 ")]
    circuit = build(parts)
    solved = circuit.solve()
    assert solved.volt("cell 1 S+", "cell 2 S+") is None
    assert len({part.name for part in parts}) == len(parts)
    assert np.isfinite(solved.volts("cell 1 S+", "cell 1 S-"))
