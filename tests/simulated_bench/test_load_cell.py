"""A living cell: what its papers say comes out of the circuit, and time works on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulated_bench.cable import Cable
from simulated_bench.cell import Bridge, CellDescription
from simulated_bench.elements import Added, Element, Fault, Opened, Shorted, build
from simulated_bench.load_cell import Intermittent, LoadCell, Thermal
from simulated_bench.noise import Spikes, Telegraph
from simulated_bench.response import Response
from simulated_bench.rig import DeadWeights, Hydraulic, Rig, weight_newtons
from simulated_bench.room import Room, Wave
from simulated_bench.wetness import Wetness

CAPACITY = 4905.9
IDEAL = Response(capacity_newtons=CAPACITY, rated_output=2e-3, zero=1e-5)
# The papers of an invented 500 kg shear beam.
PAPERS = Response(
    capacity_newtons=CAPACITY,
    rated_output=2.0011e-3,
    zero=-6.4e-6,
    nonlinearity=-9.0e-5,
    hysteresis=1.09e-4,
)
STILL = Room(((0.0, 20.0),))
AT_ONCE = Rig(DeadWeights(placing_tau_s=1e-3, swing=0.0, bounce=0.0))


def cell(response: Response = IDEAL, **more: object) -> LoadCell:
    rig = Rig(DeadWeights(placing_tau_s=1e-3, swing=0.0, bounce=0.0))
    settings = {"room": STILL, "rig": rig} | more
    return LoadCell(CellDescription(), response, **settings)  # type: ignore[arg-type]


def output(cell_: LoadCell, seconds: float = 0.0) -> float:
    """V/V at the pads, as a 6-wire instrument has it."""
    ideal = Element("ideal", "Ex+", "Ex-", 1e-6, 10.0)
    point = build([*cell_.parts(seconds, charges=False), ideal]).solve()
    return (point.volt("S+", "S-") or 0.0) / (point.volt("Se+", "Se-") or 1.0)


def loaded(cell_: LoadCell, share: float, seconds: float = 1.0) -> float:
    cell_.load(share * CAPACITY)
    cell_.advance(seconds)
    return output(cell_)


def exercised(response: Response) -> LoadCell:
    made = cell(response)
    for share in (1.0, 0.0, 1.0, 0.0):
        loaded(made, share)
    return made


@pytest.mark.parametrize("wires", [4, 6])
def test_the_papers_come_out_of_the_circuit(wires: int) -> None:
    bridge = Bridge({"A": 351.0, "B": 350.4, "C": 350.0, "D": 349.7}, (55.0, 0.0))
    description = CellDescription(bridges=(bridge,), wires=wires, cable=Cable(length_m=12.0))
    made = LoadCell(description, IDEAL, STILL, rig=Rig(DeadWeights(1e-3, 0.0, bounce=0.0)))
    ideal = Element("ideal", "Ex+", "Ex-", 1e-6, 10.0)
    at = ("pad Ex+", "pad Ex-") if wires == 6 else ("Ex+", "Ex-")
    outputs = []
    for share in (0.0, 1.0):
        made.load(share * CAPACITY)
        made.advance(1.0)
        point = build([*made.parts(charges=False), ideal]).solve()
        outputs.append((point.volt("S+", "S-") or 0.0) / (point.volt(*at) or 1.0))
    # The arms differ by 0.2 %: the bridge itself is straight to a few parts in 1e6.
    assert outputs == pytest.approx([1e-5, 2.01e-3], abs=2e-8)


def test_nonlinearity_and_hysteresis_are_those_of_the_papers() -> None:
    made = exercised(PAPERS)
    shares = np.linspace(0, 1, 11)
    rising = np.array([loaded(made, share) for share in shares])
    falling = np.array([loaded(made, share) for share in shares[::-1]])[::-1]
    rated = rising[-1] - rising[0]
    assert rising[0] == pytest.approx(PAPERS.zero, abs=1e-9)
    assert rated == pytest.approx(PAPERS.rated_output, rel=1e-6)
    bent = (rising - rising[0] - shares * rated) / rated
    assert bent == pytest.approx(4 * PAPERS.nonlinearity * shares * (1 - shares), abs=2e-6)
    loop = (falling - rising) / rated
    assert loop == pytest.approx(4 * PAPERS.hysteresis * shares * (1 - shares), abs=2e-6)


def test_the_first_load_after_a_rest_moves_the_zero_by_the_hysteresis() -> None:
    made = cell(PAPERS)
    before = output(made)
    loaded(made, 1.0)
    first = loaded(made, 0.0) - before
    loaded(made, 1.0)
    second = loaded(made, 0.0) - before
    assert first == pytest.approx(PAPERS.hysteresis * PAPERS.rated_output, rel=1e-3)
    assert second == pytest.approx(first, rel=1e-3)


def test_creep_and_return_in_one_step_equal_many() -> None:
    creeping = replace(IDEAL, creep=-8e-5)
    one, many = cell(creeping), cell(creeping)
    for made, parts in ((one, 1), (many, 1800)):
        made.load(CAPACITY)
        for _ in range(parts):
            made.advance(1800.0 / parts)
    assert output(many) == pytest.approx(output(one), abs=1e-15)
    # Within 1800 s of the load the whole 30 min creep has come.
    assert output(one) == pytest.approx(1e-5 + 2e-3 * (1 - 8e-5), rel=1e-7)


def test_an_overload_leaves_a_set_and_a_wider_loop() -> None:
    made = exercised(PAPERS)
    zero = output(made)
    loaded(made, 1.9)
    after = loaded(made, 0.0)
    shift = (after - zero) / PAPERS.rated_output
    assert shift == pytest.approx(PAPERS.yield_zero * 0.4, rel=0.02)
    shares = (0.0, 0.5, 1.0)
    for share in (1.0, 0.0):
        loaded(made, share)
    rising = [loaded(made, share) for share in shares]
    falling = loaded(made, 0.5)
    assert (falling - rising[1]) / (rising[2] - rising[0]) > 1.2 * PAPERS.hysteresis
    # A second, smaller overload adds nothing.
    loaded(made, 1.7)
    assert loaded(made, 0.0) == pytest.approx(after, abs=2e-7)


def test_a_shorted_compensation_leg_raises_the_span_and_loses_its_compensation() -> None:
    # Arms 350, legs 17, leads 0: the span rises by 384/367 (closed form).
    spans = {}
    for name, faults in (("whole", ()), ("shorted", (Shorted("compensation +"),))):
        for celsius in (20.0, 40.0):
            made = cell(IDEAL, room=Room(((0.0, celsius),)), faults=faults)
            zero = output(made)
            spans[name, celsius] = loaded(made, 1.0) - zero
    assert spans["shorted", 20.0] / spans["whole", 20.0] == pytest.approx(384 / 367, rel=1e-6)
    assert spans["whole", 40.0] / spans["whole", 20.0] == pytest.approx(1.0, abs=1e-8)
    # 17 ohm of nickel less: 20 K x 0.5 %/K x 17/384 of the span come back.
    assert spans["shorted", 40.0] / spans["shorted", 20.0] - 1 == pytest.approx(4.2e-3, rel=0.1)


def test_temperature_moves_zero_and_span_as_written() -> None:
    warm = replace(IDEAL, zero_per_kelvin=1.4e-5, span_per_kelvin=1.1e-5)
    outputs = []
    for celsius in (20.0, 30.0):
        made = cell(warm, room=Room(((0.0, celsius),)))
        outputs.append((output(made), loaded(made, 1.0)))
    (zero, full), (warm_zero, warm_full) = outputs
    assert (warm_zero - zero) / 2e-3 == pytest.approx(1.4e-4, rel=1e-3)
    assert (warm_full - warm_zero) / (full - zero) - 1 == pytest.approx(1.1e-4, rel=1e-3)


def test_the_body_follows_a_moving_room_whatever_the_steps() -> None:
    room = Room(((0.0, 20.0), (600.0, 24.0), (1800.0, 24.0)), (Wave(0.4, 5400.0, 1.1),))
    one, many = cell(room=room), cell(room=room)
    for at, until in ((0.0, 600.0), (600.0, 1800.0), (1800.0, 9000.0)):
        one.advance(until - at)
        for _ in range(300):
            many.advance((until - at) / 300)
    assert many.body_celsius == pytest.approx(one.body_celsius, abs=1e-10)
    assert one.next_change() is None
    assert cell(room=room).next_change() == 600.0


def test_excitation_warms_the_gauges_at_once_and_the_body_slowly() -> None:
    warming = replace(IDEAL, warm_up_per_watt=1e-4, span_per_watt=-1e-3)
    made = cell(warming, thermal=Thermal(body_tau_s=1200.0))
    ideal = Element("ideal", "Ex+", "Ex-", 1e-6, 10.0)
    zero = output(made)
    made.heated_by(build([*made.parts(charges=False), ideal]).solve())
    assert made.watts == pytest.approx(10.0**2 / 384.0, rel=0.01)
    made.advance(10_000.0)
    assert made.body_celsius == pytest.approx(20 + 2 * made.watts, abs=0.01)
    assert (output(made) - zero) / 2e-3 == pytest.approx(1e-4 * made.watts, rel=1e-3)


def test_a_touched_joint_gives_an_emf_that_dies_away() -> None:
    made = cell()
    zero = output(made)
    made.touch("S+", 4e-6)
    # A rise in the conductor of S+ lowers V(S+) by as much: 4 uV of 10 V.
    assert abs(output(made) - zero) == pytest.approx(4e-7, rel=5e-3)
    made.advance(100.0)
    assert abs(output(made) - zero) == pytest.approx(4e-7 * np.exp(-1), rel=5e-3)
    made.advance(3000.0)
    assert output(made) == pytest.approx(zero, abs=1e-12)


def test_moisture_goes_out_in_the_oven_and_comes_back_through_a_bad_seal() -> None:
    damp = Wetness(start=0.4, seal_tau_s=3 * 86_400.0, siemens=1e-6)
    made = cell(wetness=damp, room=Room(((0.0, 20.0),), humidity_percent=((0.0, 80.0),)))
    joined = [Element(f"j {lead}", lead, "all", 1e-3) for lead in ("Ex+", "Ex-", "S+", "S-")]

    def insulation(sign: float) -> float:
        tester = Element("tester", "all", "shield", 1e6, sign * 50.0)
        point = build([*made.parts(charges=False), *joined, tester]).solve()
        return abs((point.volt("all", "shield") or 0.0) / point.amp("tester"))

    wet = insulation(1.0)
    assert insulation(-1.0) / wet == pytest.approx(1.25 / 0.75, rel=0.05)
    made.put_in(65.0)
    made.room = Room(((0.0, 65.0),))
    made.advance(24 * 3600.0)
    made.room, made.seconds = Room(((0.0, 20.0),), humidity_percent=((0.0, 80.0),)), 0.0
    made.put_in(20.0)
    dry = insulation(1.0)
    made.advance(7 * 86_400.0)
    relapsed = insulation(1.0)
    assert dry > 100 * wet
    assert relapsed < 0.2 * dry


def test_an_intermittent_joint_opens_and_closes_at_its_own_times() -> None:
    joint = Intermittent("conductor S+", 20.0, Telegraph(3, "joint", 10.0, 3.0))
    made = cell(intermittent=[joint])
    seen = set()
    for _ in range(6):
        made.advance(made.next_change() or 0.0)
        parts = {part.name: part.ohms for part in made.parts(charges=False)}
        seen.add(round(float(parts["conductor S+"]), 6))
    assert len(seen) == 2
    assert max(seen) - min(seen) == pytest.approx(20.0)


def test_spikes_reach_the_signal() -> None:
    made = cell(spikes=Spikes(1, "cell", per_hour=360.0))
    zero = output(made)
    readings = []
    for _ in range(200):
        readings.append(output(made, 0.2))
        made.advance(0.2)
    assert max(abs(x - zero) for x in readings) > 1e-8
    assert np.median(np.abs(np.array(readings) - zero)) < 1e-12


def test_a_loose_gauge_lowers_the_output_and_keeps_the_ohms() -> None:
    made = cell()
    full = loaded(made, 1.0)
    made.become(replace(IDEAL, shares={"A": 0.5}, creep=-0.01, creep_shares=((1.0, 20.0),)))
    assert output(made) / full == pytest.approx(1 - 0.5 / 4, abs=0.01)
    made.advance(100.0)
    assert output(made) < 0.99 * (1 - 0.5 / 4) * full + 2e-5


def test_each_seating_has_its_own_small_deviation() -> None:
    made = cell(replace(IDEAL, repeatability=3e-5), seed=5, name="B-1")
    full = [(loaded(made, 1.0), loaded(made, 0.0))[0] for _ in range(40)]
    again = cell(replace(IDEAL, repeatability=3e-5), seed=5, name="B-1")
    assert np.std(full) / 2e-3 == pytest.approx(3e-5, rel=0.4)
    assert loaded(again, 1.0) == full[0]


def test_a_fault_may_come_and_go() -> None:
    made = cell()
    good = output(made)
    made.put_faults([Opened("arm B")])
    assert abs(output(made)) > 0.4
    made.put_faults([])
    assert output(made) == good


def test_too_high_a_test_voltage_pierces_some_cells_for_good() -> None:
    pierced = {}
    for volts in (50.0, 250.0, 500.0):
        count = 0
        for number in range(40):
            made = cell(seed=number, name="B-1")
            tester = Element("tester", "S+", "housing", 1e5, volts)
            count += made.stressed_by(build([*made.parts(charges=False), tester]).solve())
        pierced[volts] = count
    assert pierced[50.0] == 0
    assert 0 < pierced[250.0] < pierced[500.0] < 40


def test_a_pierced_cell_stays_pierced() -> None:
    made = cell()
    zero = output(made)
    tester = Element("tester", "S+", "housing", 1e5, 2000.0)
    assert made.stressed_by(build([*made.parts(charges=False), tester]).solve())
    made.put_faults([])
    assert abs(output(made) - zero) > 1e-3
    leak = build([*made.parts(charges=False), Element("test", "S+", "housing", 1e9, 1.0)]).solve()
    assert (leak.volt("S+", "housing") or 0.0) / -leak.amp("test") == pytest.approx(2e4, rel=0.01)


def warmed(*faults: Fault) -> float:
    made = cell(faults=faults)
    ideal = Element("ideal", "Ex+", "Ex-", 1e-6, 10.0)
    made.heated_by(build([*made.parts(charges=False), ideal]).solve())
    return made.watts


def test_a_cell_is_warmed_by_what_its_bridge_takes_with_its_faults() -> None:
    """Closed forms for four arms of 350 ohm behind two legs of 17 ohm, at 10 V (zero: 1e-5 V/V)."""
    wires = 2 * float(cell().description.cable.ohms("Ex+", 20.0))

    def taken(inside: float) -> float:
        return 10.0**2 * inside / (inside + wires) ** 2

    assert warmed() == pytest.approx(taken(384.0), rel=2e-5)
    assert warmed(Opened("arm A")) == pytest.approx(taken(734.0), rel=2e-5)
    assert warmed(Shorted("arm A")) == pytest.approx(taken(34.0 + 700 * 350 / 1050), rel=2e-5)
    assert warmed(Opened("conductor Ex+"), Opened("conductor Ex-")) == pytest.approx(0, abs=1e-6)
    # The joint in the cable is warm, not the cell.
    assert warmed(Added("conductor Ex+", 384.0)) == pytest.approx(taken(384.0) / 4, rel=5e-3)


# ---- rig and room


def test_a_hung_weight_swings_and_comes_to_rest() -> None:
    rig = Rig(DeadWeights())
    rig.apply(1000.0)
    first = [rig.load.at(t) + rig.swing.at(t) for t in np.linspace(2.0, 4.0, 50)]
    assert max(first) - min(first) > 0.1
    rig.advance(300.0)
    assert rig.load.at(0.0) == pytest.approx(1000.0, abs=1e-9)
    assert rig.swing.at(0.0) == pytest.approx(0.0, abs=1e-6)
    one, two = Rig(), Rig()
    for made in (one, two):
        made.apply(500.0)
    one.advance(7.0)
    for _ in range(70):
        two.advance(0.1)
    assert two.load.at(0.3) + two.swing.at(0.3) == pytest.approx(
        one.load.at(0.3) + one.swing.at(0.3), abs=1e-9
    )


def test_a_jack_overshoots_leaks_and_is_held_back_by_friction() -> None:
    jack = Hydraulic(overshoot=0.02, leak_per_minute=1e-3, ripple=0.0, friction=0.003)
    rig = Rig(jack)
    rig.apply(10_000.0)
    times = np.linspace(0, 60, 6001)
    force = np.array([rig.load.at(t) for t in times])
    assert force.max() == pytest.approx(9970 * 1.02, rel=1e-3)
    assert rig.load.at(600.0) == pytest.approx(9970 * np.exp(-1e-3 * 10), rel=1e-3)
    rig.advance(60.0)
    rig.apply(5_000.0)
    assert rig.load.at(60.0) > 5_000.0


def test_friction_of_a_lever_holds_weights_back_both_ways_and_nothing_at_rest() -> None:
    rig = Rig(DeadWeights(friction=1e-4))
    for newtons, expected in ((1000.0, 999.9), (500.0, 500.05), (0.0, 0.0), (-500.0, -499.95)):
        rig.apply(newtons)
        rig.advance(300.0)
        assert rig.load.at(0.0) == pytest.approx(expected, abs=1e-9)


def test_weights_press_by_their_conventional_mass() -> None:
    # Closed form: F = m g (1 - 1.2 / 8000), OIML R 111 and D 28.
    assert weight_newtons(1.0, 9.80665) == pytest.approx(9.80665 * 0.99985, rel=1e-12)


def test_profiles_are_straight_between_their_points() -> None:
    room = Room(((10.0, 20.0), (20.0, 30.0)), humidity_percent=((0.0, 40.0), (15.0, 60.0)))
    assert [room.temperature(t).at(0.0) for t in (0.0, 15.0, 99.0)] == [20.0, 25.0, 30.0]
    assert room.temperature(12.0).at(3.0) == pytest.approx(25.0)
    assert room.humidity(7.5).at(0.0) == pytest.approx(50.0)
    assert [room.next_knot(t) for t in (0.0, 10.0, 15.0, 20.0)] == [10.0, 15.0, 20.0, None]
    with pytest.raises(ValueError, match="times rise"):
        Room(((1.0, 20.0), (1.0, 21.0)))
    with pytest.raises(ValueError, match="0 to 100"):
        Room(humidity_percent=((0.0, 130.0),))
