"""Charges in time: figures of a fine numerical integration (ours, not published), one against many.

The supply's output capacitor is 470 uF behind 0.05 ohm; the cable's insulation takes its prompt
charge at once and goes on absorbing for hours.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from simulated_bench.capacitors import Capacitor, Charging, absorption
from simulated_bench.circuit import Circuit
from simulated_bench.electrical import InsulationTester, SupplyOutput, contact, earth_parts
from simulated_bench.elements import Element, Part, build
from simulated_bench.regulation import Mode
from simulated_bench.timed_circuit import Piece, TimedCircuit
from tests.simulated_bench.reference import LEADS, POWER_CLIPS, cell, clip_all, ohmmeter, supply

CAPACITOR = "supply capacitor"
FARADS = 470e-6


def timed(
    parts: Callable[[], Sequence[Part]], *capacitors: Capacitor
) -> tuple[TimedCircuit, tuple[Capacitor, ...]]:
    return TimedCircuit(lambda _: [*parts(), *earth_parts()], lambda: capacitors), capacitors


def falling(clipped: bool) -> TimedCircuit:
    output = SupplyOutput()
    straps = {"supply sense +": "supply +", "supply sense -": "supply -"}

    def parts() -> list[Part]:
        if clipped:
            return [*cell(), *supply(output, capacitor_volts=0.0)]
        bare = [contact(a, b) for a, b in straps.items()]
        return [*cell(), *output.parts(capacitor_volts=0.0), *bare]

    return timed(parts, Capacitor(CAPACITOR, FARADS, 10.0))[0]


@pytest.mark.parametrize(
    ("clipped", "figures"),
    [
        (True, (5.50052434, 0.0253857419, 1.63640792e-07)),
        (False, (9.56293044, 6.39662673, 2.61735207)),
    ],
)
def test_off_is_not_zero(clipped: bool, figures: tuple[float, float, float]) -> None:
    circuit = falling(clipped)
    for seconds, volts in zip((0.1, 0.9, 2.0), figures, strict=True):
        circuit.step(seconds)
        found = circuit.now().volt("supply +", "supply -")
        # Straps of 0.02 ohm here and 0.01 there: seven digits where nothing is clipped.
        assert found == pytest.approx(volts, rel=5e-9 if clipped else 1e-7)


def rising(limit: float) -> tuple[TimedCircuit, Capacitor]:
    output = SupplyOutput(on=True, volts=10.0, limit_amps=limit)
    circuit, (capacitor,) = timed(
        lambda: [*cell(), *supply(output, capacitor_volts=0.0)], Capacitor(CAPACITOR, FARADS)
    )
    return circuit, capacitor


@pytest.mark.parametrize(("limit", "seconds"), [(0.1, 0.0552859914), (0.052, 0.13037795)])
def test_the_current_limit_ends_when_the_capacitor_is_charged(limit: float, seconds: float) -> None:
    circuit, _ = rising(limit)
    pieces = circuit.step(0.5)
    assert [piece.point.mode("supply") for piece in pieces] == [Mode.CC, Mode.CV]
    assert pieces[0].seconds == pytest.approx(seconds, rel=1e-8)
    assert sum(piece.seconds for piece in pieces) == pytest.approx(0.5, rel=1e-12)


def test_one_step_through_a_change_of_mode_equals_two_hundred() -> None:
    one, charged = rising(0.1)
    many, slowly = rising(0.1)
    pieces = one.step(0.1)
    small = [piece for _ in range(200) for piece in many.step(0.1 / 200)]
    assert slowly.volts == pytest.approx(charged.volts, abs=1e-12)
    assert mean_volts(small) == pytest.approx(mean_volts(pieces), rel=1e-11)


def mean_volts(pieces: Sequence[Piece]) -> float:
    total = sum(p.seconds * (p.point.volt("S+", "S-") or 0.0) for p in pieces)
    return total / sum(p.seconds for p in pieces)


def test_the_mean_over_a_window_is_that_of_many_short_ones() -> None:
    one, many = falling(clipped=True), falling(clipped=True)
    whole = mean_volts(one.step(0.4))
    parts = mean_volts([p for _ in range(200) for p in many.step(2e-3)])
    assert parts == pytest.approx(whole, rel=1e-9)


def test_coasting_moves_the_charges_as_stepping_does() -> None:
    stepped, slowly = rising(0.1)
    coasted, quickly = rising(0.1)
    for circuit, pass_by in ((stepped, stepped.step), (coasted, coasted.coast)):
        circuit.step(0.01)
        for seconds in (0.02, 0.05, 0.1, 3.0):
            pass_by(seconds)
    assert quickly.volts == pytest.approx(slowly.volts, abs=1e-12)
    alone, kept = falling(clipped=True), falling(clipped=True)
    for circuit in (alone, kept):
        circuit.step(0.05)
    before = kept.solves
    kept.coast(0.25)
    assert kept.solves == before
    alone.step(0.25)
    volts = alone.now().volt("supply +", "supply -")
    assert kept.now().volt("supply +", "supply -") == pytest.approx(volts, rel=1e-12)


def test_ohms_creep_up_while_the_test_current_charges_the_output_capacitor() -> None:
    def parts() -> list[Part]:
        off = supply(SupplyOutput(), capacitor_volts=0.0)
        return [*cell(), *off, *ohmmeter("Ex+", "Ex-")]

    circuit, _ = timed(parts, Capacitor(CAPACITOR, FARADS))
    at = 0.0
    for seconds, ohms in (
        (0.02, 40.1789096),
        (0.2, 248.250898),
        (1.0, 355.045529),
        (5.0, 355.94903),
    ):
        circuit.step(seconds - at)
        at = seconds
        volts = circuit.now().volt("dmm sense HI", "dmm sense LO")
        assert volts is not None
        assert volts / 1e-3 == pytest.approx(ohms, rel=6e-9)


class Insulation:
    """All six leads against shield and housing: tester, discharge through 10 kohm, open."""

    def __init__(self, farads: float) -> None:
        self.state = "+"
        self.capacitors = [Capacitor("prompt", farads)]
        self.branches = [Element("prompt", "pad Ex-", "pad shield", 1.0)]
        for number, (ohms, farads_) in enumerate(absorption(farads, 0.03)):
            self.capacitors.append(Capacitor(f"absorption {number}", farads_))
            branch = Element(f"absorption {number}", "pad Ex-", "pad shield", ohms)
            self.branches.append(branch)
        self.circuit = TimedCircuit(lambda _: self.parts(), lambda: self.capacitors)

    def parts(self) -> list[Part]:
        bare: list[Part] = [*cell(), *self.branches, *earth_parts()]
        if self.state in "+-":
            ends = ("+", "-") if self.state == "+" else ("-", "+")
            bare += InsulationTester(on=True).parts()
            bare += [contact(f"insulation {ends[0]}", lead) for lead in LEADS]
            return bare + [contact(f"insulation {ends[1]}", x) for x in ("shield", "housing")]
        bare.append(Element("discharge", "J", "K", 1e4 if self.state == "discharge" else np.inf))
        bare += [contact("J", lead) for lead in LEADS]
        return bare + [contact("K", other) for other in ("shield", "housing")]

    def go(self, state: str, seconds: float) -> None:
        self.state = state
        self.circuit.changed()
        self.circuit.step(seconds)

    def ohms(self) -> float | None:
        return InsulationTester(on=True).ohms(self.circuit.now())


@pytest.mark.parametrize(
    ("farads", "readings", "come_back", "reversed_"),
    [
        (2.5e-9, (3.6181e09, 4.85460296e09, 4.94443824e09), 0.573636897, 4.78910922e09),
        (5e-8, (5.26929749e08, 3.31625549e09, 4.42484542e09), 1.83828629, 2.79266677e09),
    ],
    ids=["5 m", "100 m"],
)
def test_insulation_rises_with_time_and_remembers(
    farads: float, readings: tuple[float, ...], come_back: float, reversed_: float
) -> None:
    test = Insulation(farads)
    for seconds, ohms in zip((1.0, 14.0, 45.0), readings, strict=True):
        test.go("+", seconds)
        assert test.ohms() == pytest.approx(ohms, rel=6e-9)
    test.go("discharge", 5.0)
    charges = [capacitor.volts for capacitor in test.capacitors]
    test.go("open", 30.0)
    assert test.circuit.now().volt("Ex-", "shield") == pytest.approx(come_back, rel=6e-9)
    for capacitor, volts in zip(test.capacitors, charges, strict=True):
        capacitor.volts = volts
    test.go("-", 15.0)
    assert test.ohms() == pytest.approx(reversed_, rel=6e-9)


def test_absorption_follows_its_law_within_a_third_of_a_percent() -> None:
    share, farads, volts = 0.03, 1e-9, 50.0
    branches = absorption(farads, share)
    for t in np.geomspace(1.0, 1000.0, 60):
        amps = sum(volts / ohms * np.exp(-t / (ohms * c)) for ohms, c in branches)
        assert amps == pytest.approx(share * farads * volts / t, rel=0.0035)


def test_a_lone_rc_follows_its_exponential() -> None:
    circuit = Circuit()
    circuit.add("capacitor", "a", "b", 100.0)
    circuit.add("load", "a", "b", 900.0)
    capacitor = Capacitor("capacitor", 1e-3, 5.0)
    charging = Charging(circuit, [capacitor])
    circuit.set("capacitor", emf=5.0)
    span = charging.span(circuit.solve(), np.array([5.0]), 2.0)
    assert span.after[0] == pytest.approx(5.0 * np.exp(-2.0), rel=1e-13)
    assert span.mean[0] == pytest.approx(5.0 * (1 - np.exp(-2.0)) / 2.0, rel=1e-13)


def test_a_capacitor_across_nothing_keeps_its_charge() -> None:
    parts = [Element("capacitor", "a", "b", 1.0), Element("far", "c", "d", 1.0)]
    kept = Capacitor("capacitor", 1e-6, 3.0)
    circuit = TimedCircuit(lambda _: parts, lambda: [kept])
    circuit.step(1e6)
    assert kept.volts == 3.0
    assert build(parts).solve().volt("a", "c") is None


def test_clips_are_part_of_the_shape() -> None:
    clips: dict[str, str] = {}
    output = SupplyOutput(on=True, volts=10.0)
    circuit = TimedCircuit(lambda _: [*cell(), *output.parts(), *clip_all(clips), *earth_parts()])
    before = circuit.now().volt("pad Ex+", "pad Ex-")
    clips |= POWER_CLIPS
    circuit.changed()
    after = circuit.now().volt("pad Ex+", "pad Ex-")
    assert before == pytest.approx(0.0, abs=1e-6)
    assert after == pytest.approx(10.4, abs=0.1)
