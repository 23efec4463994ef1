"""The bench as its builders assemble it, against figures of a second algorithm.

The figures come from a nodal solution with 50 digits of the reference bench; they are ours and
not published. Each case is also a lesson of the trade: what a wrong clip, an earthed supply or
an open sense lead really reads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from simulated_bench.circuit import Circuit, Point
from simulated_bench.electrical import Ammeter, InsulationTester, SupplyOutput, Voltmeter
from simulated_bench.elements import Element, Fault, Leak, Opened, Shorted, build
from simulated_bench.regulation import Mode
from tests.simulated_bench.reference import (
    AT_TEN_VOLTS,
    LEADS,
    LOADED,
    SUPPLY_CLIPS,
    TEN_GIGAOHM,
    bench,
    cell,
    clip_all,
    ideal_current,
    ohmmeter,
    on_tester,
    strapped,
    supply,
    voltmeter,
)

OFF = replace(AT_TEN_VOLTS, on=False)
EARTHED = replace(AT_TEN_VOLTS, earth_ohms=0.1)
PAIRS = (
    ("Ex+", "Ex-"),
    ("S+", "S-"),
    ("Ex+", "S+"),
    ("Ex+", "S-"),
    ("Ex-", "S+"),
    ("Ex-", "S-"),
)


def close(value: float | None, figure: float) -> None:
    """Nine printed digits."""
    assert value == pytest.approx(figure, rel=6e-9, abs=1e-22)


def per_volt(point: Point) -> float:
    signal, excitation = point.volt("dmm HI", "dmm LO"), point.volt("Ex+", "Ex-")
    assert signal is not None
    assert excitation is not None
    return signal / excitation


def sensed_ohms(point: Point) -> float:
    volts = point.volt("dmm sense HI", "dmm sense LO")
    assert volts is not None
    return volts / 1e-3


def excited(
    load: float = 0.0,
    clips: Mapping[str, str] = SUPPLY_CLIPS,
    meter: Voltmeter = TEN_GIGAOHM,
    faults: Sequence[Fault] = (),
) -> Circuit:
    return bench(cell(load), supply(clips=clips), voltmeter(meter), faults=faults)


def exchanged(one: str, other: str) -> dict[str, str]:
    return SUPPLY_CLIPS | {one: SUPPLY_CLIPS[other], other: SUPPLY_CLIPS[one]}


# ---- the cell and its readings when all is well


def test_the_six_ideal_resistances_and_the_zero_that_they_predict() -> None:
    figures = (384.699984, 350.699991, 280.189992, 280.204992, 280.209992, 280.194992)
    ohms = {}
    for pair, figure in zip(PAIRS, figures, strict=True):
        point = bench(cell(), [ideal_current(*pair)]).solve()
        ohms[pair] = (point.volt(*pair) or 0.0) / 1e-3
        close(ohms[pair], figure)
    zero = ohms["Ex+", "S-"] + ohms["Ex-", "S+"] - ohms["Ex+", "S+"] - ohms["Ex-", "S-"]
    predicted = zero / (2 * ohms["Ex+", "Ex-"])
    point = bench(cell(), [Element("ideal", "Ex+", "Ex-", 0.002, 10.0)]).solve()
    measured = (point.volt("S+", "S-") or 0.0) / (point.volt("Ex+", "Ex-") or 1.0)
    close(predicted, 3.89914209e-05)
    assert abs(predicted - measured) < 1e-15


def test_a_four_wire_ohmmeter_reads_the_six_within_its_own_input_resistance() -> None:
    figures = (384.699969, 350.699979, 280.189984, 280.204984, 280.209984, 280.194984)
    for pair, figure in zip(PAIRS, figures, strict=True):
        close(sensed_ohms(bench(cell(), ohmmeter(*pair)).solve()), figure)


def test_the_isolation_of_the_instruments_moves_the_measured_zero() -> None:
    point = excited().solve()
    close(point.volt("dmm HI", "dmm LO"), 0.000390706943)
    close(per_volt(point), 3.89990649e-05)
    close(point.volt("Ex+", "Ex-"), 10.0183669)
    close(point.volt("pad Ex+", "pad Ex-"), 10.0000707)
    close(-point.amp("supply"), 0.0281457347)
    assert point.mode("supply") is Mode.CV


@pytest.mark.parametrize(("input_ohms", "volts"), [(1e10, 0.0204273039), (1e7, 0.0204265882)])
def test_the_meter_loads_the_bridge(input_ohms: float, volts: float) -> None:
    point = excited(LOADED, meter=Voltmeter(input_ohms)).solve()
    close(point.volt("dmm HI", "dmm LO"), volts)


def test_a_sense_that_is_strapped_at_the_supply_loses_the_cable() -> None:
    point = bench(cell(LOADED), strapped(), voltmeter()).solve()
    close(point.volt("dmm HI", "dmm LO"), 0.0203878744)
    close(point.volt("Ex+", "Ex-"), 9.99896234)


# ---- ohms while the supply hangs on


@pytest.mark.parametrize(
    ("pair", "ohms"),
    [(("Ex+", "Ex-"), 355.94903), (("S+", "S-"), 350.699976), (("Ex+", "S+"), 273.002968)],
)
def test_a_supply_that_is_off_but_not_disconnected_falsifies_ohms(
    pair: tuple[str, str], ohms: float
) -> None:
    close(sensed_ohms(bench(cell(), supply(OFF), ohmmeter(*pair)).solve()), ohms)


def test_a_charged_output_capacitor_looks_like_a_dead_short_when_offset_compensated() -> None:
    on, off = (
        sensed_ohms(
            bench(
                cell(),
                supply(OFF, capacitor_volts=0.5),
                ohmmeter("Ex+", "Ex-", source_on=source_on),
            ).solve()
        )
        for source_on in (True, False)
    )
    close(on, 499.967594)
    close(on - off, 0.0899780186)


@pytest.mark.parametrize(
    ("sink", "modes", "ohms"),
    [(0.0, [Mode.SINK, Mode.CC], 355.94903), (0.1, [Mode.BOTTOM, Mode.CC], 0.0419950445)],
)
def test_an_output_at_0_volts_is_a_short_only_if_it_can_sink(
    sink: float, modes: list[Mode], ohms: float
) -> None:
    output = replace(AT_TEN_VOLTS, volts=0.0, sink_amps=sink)
    point = bench(cell(), supply(output), ohmmeter("Ex+", "Ex-")).solve()
    assert [point.mode("supply"), point.mode("dmm test current")] == modes
    close(sensed_ohms(point), ohms)


def test_ohms_under_excitation_are_wrong_or_overload() -> None:
    on, off = (
        sensed_ohms(
            bench(cell(LOADED), supply(), ohmmeter("S+", "S-", source_on=source_on)).solve()
        )
        for source_on in (True, False)
    )
    close(on, 371.125711)
    close(on - off, 350.698407)
    point = bench(cell(), supply(), ohmmeter("Ex+", "Ex-")).solve()
    assert point.mode("dmm test current") is Mode.SINK
    close(point.volt("dmm sense HI", "dmm sense LO"), 10.0183669)


# ---- sense leads


def test_open_sense_leads_let_the_output_rise() -> None:
    one = excited(faults=[Opened("conductor Se+")]).solve()
    close(one.volt("pad Ex+", "pad Ex-"), 10.2101983)
    close(one.volt("Ex+", "Ex-"), 10.228844)
    both = excited(faults=[Opened("conductor Se+"), Opened("conductor Se-")]).solve()
    close(both.volt("pad Ex+", "pad Ex-"), 10.4199217)
    close(both.volt("Ex+", "Ex-"), 10.4389164)


def test_crossed_sense_leads_drive_the_supply_to_its_rail() -> None:
    crossed = exchanged("supply sense +", "supply sense -")
    point = excited(clips=crossed).solve()
    assert point.mode("supply") is Mode.TOP
    close(point.volt("pad Ex+", "pad Ex-"), 11.9727188)
    close(point.volt("Se+", "Se-"), 11.9688218)
    close(point.volt("supply sense +", "supply sense -"), -11.9685991)
    limited = replace(AT_TEN_VOLTS, limit_amps=0.028)
    point = bench(cell(), supply(limited, crossed), voltmeter()).solve()
    assert point.mode("supply") is Mode.CC
    close(point.volt("pad Ex+", "pad Ex-"), 7.51761717)


# ---- exchanged leads


def at_the_wrong_leads(load: float, plus: str, minus: str, hi: str, lo: str) -> float:
    """Output per volt at the leads that are fed, sense strapped at the supply."""
    fed = {"supply +": plus, "supply -": minus}
    groups = (cell(load), strapped(clips=fed), voltmeter(hi=hi, lo=lo))
    point = bench(*groups).solve()
    return (point.volt("dmm HI", "dmm LO") or 0.0) / (point.volt(plus, minus) or 1.0)


def test_exchanged_pairs_raise_the_output_by_the_quotient_of_the_resistances() -> None:
    right, wrong = (
        at_the_wrong_leads(LOADED, *leads) - at_the_wrong_leads(0.0, *leads)
        for leads in (("Ex+", "Ex-", "S+", "S-"), ("S+", "S-", "Ex+", "Ex-"))
    )
    close(right, 0.00199999969)
    close(wrong, 0.00219389751)
    close(wrong / right, 1.09694893)
    rin, rout = (
        sensed_ohms(bench(cell(), ohmmeter(*pair)).solve()) for pair in (PAIRS[0], PAIRS[1])
    )
    close(rin / rout, 1.09694894)


def test_one_excitation_lead_exchanged_with_a_signal_lead_saturates() -> None:
    close(at_the_wrong_leads(LOADED, "S+", "Ex-", "Ex+", "S-"), 0.313237471)


def test_exchanged_signal_leads_turn_the_sign() -> None:
    close(at_the_wrong_leads(LOADED, "Ex+", "Ex-", "S-", "S+"), -0.0020389832)


# ---- earth


@pytest.mark.parametrize(
    ("output", "housing", "change"),
    [
        (AT_TEN_VOLTS, 1e11, -7.86149055e-10),
        (AT_TEN_VOLTS, 0.1, -8.46045058e-08),
        (EARTHED, 1e11, -8.6639134e-10),
        (EARTHED, 0.1, -8.76885402e-07),
    ],
)
def test_a_single_leak_shows_only_where_earth_closes_its_loop(
    output: SupplyOutput, housing: float, change: float
) -> None:
    leak = [Leak("S+", "housing", 1e8)]
    groups = (cell(), supply(output), voltmeter())
    wet = per_volt(bench(*groups, housing=housing, faults=leak).solve())
    dry = per_volt(bench(*groups, housing=housing).solve())
    assert wet - dry == pytest.approx(change, rel=2e-7)


# ---- insulation


def insulation(circuit: Circuit) -> float | None:
    return InsulationTester(on=True).ohms(circuit.solve())


@pytest.mark.parametrize(
    ("minus", "guard", "faults", "ohms"),
    [
        (("housing",), (), (), 8.49858361e09),
        (("housing",), ("shield",), (), 9.90099035e09),
        (("shield",), (), (), 8.54700855e09),
        (("shield", "housing"), (), (), 4.9751244e09),
        (("housing",), (), (Leak("S+", "shield", 1e9),), 8.2889284e09),
        (("housing",), ("shield",), (Leak("S+", "shield", 1e9),), 9.90099035e09),
    ],
)
def test_insulation_and_what_the_guard_takes_away(
    minus: tuple[str, ...], guard: tuple[str, ...], faults: tuple[Leak, ...], ohms: float
) -> None:
    close(insulation(bench(cell(), on_tester(LEADS, minus, guard), faults=faults)), ohms)


def test_one_lead_is_as_good_as_six_for_insulation_while_the_bridge_is_whole() -> None:
    close(insulation(bench(cell(), on_tester(("Ex+",), ("housing",)))), 8.49858372e09)


@pytest.mark.parametrize(
    ("output", "housing", "ohms"),
    [
        (OFF, 0.1, 894721154.0),
        (OFF, 1e11, 7.84494693e09),
        (replace(OFF, earth_ohms=0.1), 0.1, 0.259457941),
    ],
)
def test_a_forgotten_supply_spoils_the_insulation_reading(
    output: SupplyOutput, housing: float, ohms: float
) -> None:
    groups = (cell(), supply(output), on_tester(LEADS, ("housing",)))
    close(insulation(bench(*groups, housing=housing)), ohms)


def test_a_tester_on_one_lead_of_an_earthed_bridge_drives_current_through_it() -> None:
    groups = (cell(), supply(replace(OFF, earth_ohms=0.1)), voltmeter())
    circuit = bench(*groups, on_tester(("Ex+",), ("housing",)), housing=0.1)
    close(insulation(circuit), 356.206186)
    point = circuit.solve()
    close(point.volt("pad Ex+", "pad Ex-"), 0.0177408174)
    close(point.volt("dmm HI", "dmm LO"), 6.93156581e-07)


def test_a_tester_between_two_bridge_leads_reads_the_bridge() -> None:
    point = bench(cell(), on_tester(("Ex+",), ("S+",))).solve()
    close(InsulationTester(on=True).ohms(point), 280.229993)
    close(point.amp("insulation shunt"), 4.99360701e-05)


def test_a_tester_on_a_live_earthed_bridge_reads_nonsense() -> None:
    point = bench(cell(), supply(EARTHED), on_tester(("Ex+",), ("housing",)), housing=0.1).solve()
    assert [point.mode("supply"), point.mode("insulation source")] == [Mode.CV, Mode.TOP]
    close(point.amp("insulation shunt"), 3.99411592e-05)
    close(InsulationTester(on=True).ohms(point), 250841.475)


@pytest.mark.parametrize(("plus_first", "ohms"), [(True, 899555632.0), (False, 889938268.0)])
def test_a_galvanic_voltage_alone_makes_half_a_percent_of_polarity(
    plus_first: bool, ohms: float
) -> None:
    leak = [Leak("S+", "housing", 1e9, galvanic_volts=0.3)]
    ends = (LEADS, ("housing",)) if plus_first else (("housing",), LEADS)
    close(insulation(bench(cell(), on_tester(*ends), faults=leak)), ohms)


# ---- open and shorted


@pytest.mark.parametrize(
    ("input_ohms", "bias", "volts"),
    [
        (1e7, 0.0, -4.14951511e-05),
        (1e10, 0.0, -0.0247028822),
        (1e7, 3e-11, -0.000341291016),
        (1e10, 3e-11, -0.203177276),
    ],
)
def test_an_open_signal_lead_reads_a_plausible_zero_on_a_low_input_resistance(
    input_ohms: float, bias: float, volts: float
) -> None:
    circuit = excited(meter=Voltmeter(input_ohms, bias), faults=[Opened("conductor S+")])
    close(circuit.solve().volt("dmm HI", "dmm LO"), volts)


def test_a_meter_with_nothing_clipped_shows_its_bias_current() -> None:
    point = build(Voltmeter(bias_amps=3e-11).parts()).solve()
    close(point.volt("dmm HI", "dmm LO"), -0.3)


def test_an_ammeter_across_the_signal_hides_in_the_supply_current() -> None:
    ammeter = Ammeter(earth_ohms=float("inf"))
    role = "second-dmm"
    clips = clip_all({f"{role} HI": "S+", f"{role} LO": "S-"})
    point = bench(cell(LOADED), supply(), ammeter.parts(role), clips).solve()
    close(ammeter.amps(point, role), 5.74220391e-05)
    close(-point.amp("supply"), 0.0281458496)
    close(point.volt("S+", "S-"), 0.000289407077)


def test_offset_compensation_removes_a_thermal_voltage_and_reversal_removes_more() -> None:
    on, off = (
        sensed_ohms(bench(cell(), ohmmeter("S+", "S-", source_on=s, emf=5e-6)).solve())
        for s in (True, False)
    )
    close(on, 350.704979)
    close(on - off, 350.699979)
    reversed_clips = {
        "supply +": "Ex-",
        "supply -": "Ex+",
        "supply sense +": "Se-",
        "supply sense -": "Se+",
    }
    readings = [
        bench(cell(), supply(clips=clips), voltmeter(emf=5e-6)).solve()
        for clips in (SUPPLY_CLIPS, reversed_clips)
    ]
    forward, back = (point.volt("dmm HI", "dmm LO") or 0.0 for point in readings)
    volts = [point.volt("Ex+", "Ex-") or 0.0 for point in readings]
    close(forward, 0.000395706943)
    close(back, -0.000385548533)
    close((forward - back) / (volts[0] - volts[1]), 3.89911589e-05)
    close((forward + back) / 2, 5.079205e-06)


def test_a_short_between_the_excitation_leads_is_met_by_the_current_limit() -> None:
    output = replace(AT_TEN_VOLTS, limit_amps=0.052)
    short = [Leak("Ex+", "Ex-", 1e-3)]
    point = bench(cell(), supply(output), voltmeter(), faults=short).solve()
    assert point.mode("supply") is Mode.CC
    close(point.volt("Ex+", "Ex-"), 5.19994371e-05)
    close(point.volt("supply +", "supply -"), 0.00213196348)


def test_the_current_limit_takes_over_at_the_right_shunt() -> None:
    output = replace(AT_TEN_VOLTS, limit_amps=0.052)

    def mode(ohms: float) -> Mode:
        leak = [Leak("Ex+", "Ex-", ohms)]
        return bench(cell(), supply(output), faults=leak).solve().mode("supply")

    assert mode(419.98554 * (1 - 1e-7)) is Mode.CC
    assert mode(419.98554 * (1 + 1e-7)) is Mode.CV


def test_two_wire_ohms_add_the_leads_and_kelvin_clips_take_the_cable_away() -> None:
    close(sensed_ohms(bench(cell(), ohmmeter("Ex+", "Ex-", wires=2)).solve()), 384.839969)
    kelvin = ohmmeter("Ex+", "Ex-", sense=("Se+", "Se-"))
    close(sensed_ohms(bench(cell(), kelvin).solve()), 383.999969)
    assert sensed_ohms(bench(cell(), ohmmeter("Ex+", "Se+")).solve()) == pytest.approx(
        0.7, abs=2e-8
    )


@pytest.mark.parametrize(
    ("fault", "figures", "zero"),
    [
        (
            Opened("arm A"),
            (734.699872, 700.709897, 1067.71977, 367.709966, 367.719972, 367.689963),
            -0.476367999,
        ),
        (
            Shorted("arm A"),
            (268.042206, 234.038878, 17.7000009, 251.038876, 251.042207, 251.03221),
            0.435280976,
        ),
    ],
)
def test_a_dead_arm_shows_in_all_six_resistances_and_in_the_zero(
    fault: Opened | Shorted, figures: tuple[float, ...], zero: float
) -> None:
    for pair, figure in zip(PAIRS, figures, strict=True):
        close(sensed_ohms(bench(cell(), ohmmeter(*pair), faults=[fault]).solve()), figure)
    close(per_volt(bench(cell(), supply(), voltmeter(), faults=[fault]).solve()), zero)


def test_a_broken_excitation_conductor_is_fed_on_through_the_sense_lead() -> None:
    broken = [Opened("conductor Ex+")]
    ohms = bench(cell(), ohmmeter("Ex+", "Ex-"), faults=broken).solve()
    close(ohms.volt("dmm sense HI", "dmm sense LO"), 10.0)
    point = bench(cell(LOADED), supply(), voltmeter(), faults=broken).solve()
    assert point.mode("supply") is Mode.TOP
    close(point.volt("pad Ex+", "pad Ex-"), 1.77695493)
    close(point.volt("dmm HI", "dmm LO"), 0.00362981401)


def test_what_hangs_free_has_no_voltage() -> None:
    point = bench(cell(), Voltmeter().parts()).solve()
    assert point.volt("dmm HI", "dmm LO") == 0.0
    free = build([*cell(), *Voltmeter().parts()]).solve()
    assert free.volt("dmm HI", "S+") is None
    assert np.isnan(free.volts("dmm HI", "S+"))
