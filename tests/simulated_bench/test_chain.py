"""The weighing chain: an invented vessel on four cells, sound and with one fault each.

500 kg, 2 mV/V, 351 ohm; dead load 420 kg, live 0 to 1000 kg: 4 mA is 0.42 mV/V, 1 kg is
1 uV/V. The figures for faults were worked out independently with another solver (ours, not
published) and by the closed forms named beside them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulated_bench.cable import Cable
from simulated_bench.cell import CONDUCTORS, Bridge, CellDescription
from simulated_bench.chain import Chain, ChainCell, LiveChain, steady
from simulated_bench.circuit import Values
from simulated_bench.electrical import SourceOutput, contact
from simulated_bench.elements import Added, Fault, Leak, Opened
from simulated_bench.timed_circuit import TimedCircuit
from simulated_bench.transmitter import InputCard, Transmitter

G = 9.81
LEADS = dict.fromkeys(CONDUCTORS, 0.35)
CELL = CellDescription(
    bridges=(Bridge(dict.fromkeys("ABCD", 350.3), (17.5, 17.5)),),
    wires=4,
    cable=Cable(conductor_ohms=LEADS),
    leak_at_pads=np.inf,
    leak_at_plug=np.inf,
)
WIDE_OPEN = Transmitter(
    ratio_at_zero=0.42e-3,
    ratio_at_full=1.42e-3,
    low_amps=-1.0,
    high_amps=1.0,
    step_amps=0.0,
    largest_ratio=1.0,
)
FINE = InputCard(bits=40)
# 0.035 ohm per metre: the figures were worked out so.
HOME_RUN = Cable(conductor_ohms=dict.fromkeys(CONDUCTORS, 1.75))


def chain(**changes: object) -> Chain:
    cell = ChainCell(description=CELL, rated_output=2e-3, capacity_newtons=500 * G)
    usual: dict[str, object] = {
        "cells": [cell] * 4,
        "transmitter": WIDE_OPEN,
        "card": FINE,
        "home_run": HOME_RUN,
        "dead_newtons": 420 * G,
    }
    return Chain(**{**usual, **changes})  # type: ignore[arg-type]


def shown(chain_: Chain, kilograms: float, faults: list[Fault], corner: int | None = None) -> float:
    return float(steady(chain_, chain_.forces(kilograms * G, corner), faults).value[0])


@pytest.mark.parametrize(
    ("faults", "empty", "full", "corners"),
    [
        ([], 0, 1000, (200, 200, 200, 200)),
        (
            [Opened("cell 2 terminal S+"), Opened("cell 2 terminal S-")],
            0,
            1000,
            (240, 80, 240, 240),
        ),
        ([Opened("cell 2 terminal S+")], 0, 1000, (221, 137, 221, 221)),
        ([Opened("cell 2 terminal Ex+")], -60, 797, (189, 120, 189, 189)),
    ],
    ids=["healthy", "signal pair open", "one signal lead open", "excitation open"],
)
def test_what_a_fault_at_one_cell_shows_in_the_control_system(
    faults: list[Fault], empty: float, full: float, corners: tuple[float, ...]
) -> None:
    made = chain()
    assert shown(made, 0, faults) == pytest.approx(empty, abs=1.0)
    assert shown(made, 1000, faults) == pytest.approx(full, abs=1.0)
    found = [shown(made, 200, faults, k) - shown(made, 0, faults) for k in (1, 2, 3, 4)]
    assert found == pytest.approx(corners, abs=0.7)


def test_a_shorted_signal_pair_leaves_next_to_nothing() -> None:
    short: list[Fault] = [Leak("cell 2 pad S+", "cell 2 pad S-", 1e-6)]
    # Closed form: two leads and screws against three cells of 351 ohm in parallel.
    left = 0.71 / (0.71 + 351.0 / 3)
    assert shown(chain(), 0, short) == pytest.approx(420 * (left - 1), abs=0.1)
    assert shown(chain(), 1000, short) == pytest.approx(1420 * left - 420, abs=0.1)


@pytest.mark.parametrize("ohms", [1e6, 1e7])
def test_a_leak_is_a_pure_shift_of_zero(ohms: float) -> None:
    leak: list[Fault] = [Leak("cell 2 S+", "cell 2 Ex-", ohms)]
    empty, full = (shown(chain(), kg, leak) - shown(chain(), kg, []) for kg in (0, 1000))
    # Closed form: a quarter of R / (4 R_leak) with four cells, 1 kg per uV/V.
    assert empty == pytest.approx(-351.0 / (4 * ohms) / 4 * 1e6, rel=0.01)
    assert full == pytest.approx(empty, rel=0.01)


def test_a_plastic_set_of_one_cell_shifts_the_zero_by_a_quarter() -> None:
    cells = list(chain().cells)
    cells[1] = replace(cells[1], zero=0.4e-3)
    assert shown(chain(cells=cells), 0, []) == pytest.approx(100, abs=0.1)
    assert shown(chain(cells=cells), 1000, []) == pytest.approx(1100, abs=0.2)


def test_the_home_run_without_sense_takes_its_share() -> None:
    four_wire = chain(sense="transmitter")
    span = shown(four_wire, 1000, []) - shown(four_wire, 0, [])
    # Uj/Ut = (Rin/N) / (Rin/N + 2 r): 386 ohm, 4 cells, 1.75 ohm.
    expected = (386.0 / 4) / (386.0 / 4 + 3.5)
    assert span / 1000 == pytest.approx(expected, abs=2e-4)
    assert expected - 1 == pytest.approx(-0.035, abs=5e-4)
    sensed = shown(chain(), 1000, []) - shown(chain(), 0, [])
    assert sensed / 1000 == pytest.approx(1.0, abs=1e-4)


def test_a_warmer_home_run_moves_only_the_span_without_sense() -> None:
    warm = {}
    for sense in ("box", "transmitter"):
        made = chain(sense=sense)
        warm[sense] = [
            float(steady(made, made.forces(1000 * G), celsius=t).ratio[0]) for t in (20.0, 50.0)
        ]
    assert warm["box"][1] / warm["box"][0] - 1 == pytest.approx(0.0, abs=3e-4)
    # -0.013 % per K, 0.4 % over 30 K.
    assert warm["transmitter"][1] / warm["transmitter"][0] - 1 == pytest.approx(-0.004, rel=0.15)


def test_missing_sense_links_let_the_excitation_be_sensed_through_the_transmitter() -> None:
    point = steady(chain(sense="missing"), chain().forces(0))
    here = point.volts("transmitter Ex+", "transmitter Ex-")[0]
    assert here == pytest.approx(10.0, rel=1e-2)
    assert point.volts("box Ex+", "box Ex-")[0] < 0.97 * here


def test_a_sense_link_that_comes_loose_is_found_by_its_name() -> None:
    made = chain()
    loose: list[Fault] = [Opened("sense link +"), Opened("sense link -")]
    point = steady(made, made.forces(0), loose)
    assert point.volts("box Ex+", "box Ex-")[0] == pytest.approx(9.63, abs=0.1)
    assert steady(made, made.forces(0)).volts("box Ex+", "box Ex-")[0] > 9.99


def test_the_sum_is_the_mean_weighted_by_the_output_conductances() -> None:
    # x = sum(x_i / Rout_i) / sum(1 / Rout_i): closed form of signals in parallel.
    arms, zeros = (349.0, 350.0, 352.0, 700.0), (0.1e-3, 0.5e-3, -0.2e-3, 0.9e-3)
    cells = []
    for arm, zero in zip(arms, zeros, strict=True):
        bridge = Bridge(dict.fromkeys("ABCD", arm), (0.0, 0.0))
        cable = Cable(conductor_ohms=dict.fromkeys(CONDUCTORS, 1e-9))
        description = replace(CELL, bridges=(bridge,), cable=cable)
        cells.append(ChainCell(description=description, zero=zero))
    made = chain(cells=cells, dead_newtons=0.0, contact_ohms=1e-9)
    expected = sum(x / r for x, r in zip(zeros, arms, strict=True)) / sum(1 / r for r in arms)
    found = steady(made, made.forces(0.0)).volts("box S+", "box S-")
    box = steady(made, made.forces(0.0)).volts("box Ex+", "box Ex-")
    assert float((found / box)[0]) == pytest.approx(expected, rel=1e-5)


def test_trims_take_what_their_formulas_say() -> None:
    first = chain().cells[0]
    trimmed = replace(first, excitation_trim_ohms=5.0)
    shunted = replace(first, signal_shunt_ohms=35_000.0)
    plain, trim, shunt = (
        steady(chain(cells=[cell], dead_newtons=0.0), [400 * G]).volts("box S+", "box S-")[0]
        for cell in (first, trimmed, shunted)
    )
    # Rin / (Rin + r) and R_p / (R_p + Rout).
    assert trim / plain == pytest.approx(386.0 / 391.0, rel=1e-5)
    assert shunt / plain == pytest.approx(35_000 / 35_351, rel=1e-5)


def test_pipes_carry_load_that_no_millivolt_source_reveals() -> None:
    made = chain(pipe_share=0.02, pipe_newtons=-30 * G)
    assert shown(made, 1000, []) - shown(made, 0, []) == pytest.approx(980, abs=0.3)
    assert shown(made, 0, []) == pytest.approx(-30, abs=0.1)


# ---- transmitter, loop, card


def test_limits_and_failure_current_end_the_signal() -> None:
    usual = Transmitter(ratio_at_zero=0.0, ratio_at_full=2e-3)
    # IEC 60381-1 live zero; NE 43: 3.8 and 20.5 mA limits, 3.6 mA failure (as far as known).
    assert usual.amps(np.array([0.0, 1e-3, 2e-3])) == pytest.approx([4e-3, 12e-3, 20e-3])
    assert usual.amps(np.array([-1e-3, 3e-3])) == pytest.approx([3.8e-3, 20.5e-3])
    assert usual.amps(np.array([np.nan, 0.4])) == pytest.approx([3.6e-3, 3.6e-3])
    assert np.diff(np.unique(usual.amps(np.linspace(0, 1e-5, 1000)))).min() == pytest.approx(
        0.25e-6
    )


def test_an_open_bridge_gives_the_failure_current() -> None:
    made = chain(transmitter=Transmitter(ratio_at_full=2e-3))
    broken: list[Fault] = [Opened("home run Ex+"), Opened("home run Se+")]
    assert steady(made, made.forces(0), broken).amps[0] == pytest.approx(3.6e-3, rel=1e-6)


def loop(burden: float, volts: float = 24.0) -> Chain:
    two_wire = replace(WIDE_OPEN, two_wire=True, lift_off_volts=10.0)
    return chain(transmitter=two_wire, card=replace(FINE, burden_ohms=burden, supply_volts=volts))


def test_a_two_wire_loop_clips_at_the_high_end_when_its_supply_is_too_low() -> None:
    for kilograms, amps in ((0.0, 4e-3), (1000.0, 20e-3)):
        made = loop(250.0)
        found = steady(made, made.forces(kilograms * G))
        assert found.amps[0] == pytest.approx(amps, rel=2e-4)
    made = loop(800.0)
    clipped = steady(made, made.forces(1000 * G)).amps[0]
    # (24 V - 10 V) / (20 + 2 x 5 + 800 ohm), less 1 ohm of lift-off.
    assert clipped == pytest.approx(14.0 / 831.0, rel=5e-3)
    assert steady(made, made.forces(0)).amps[0] == pytest.approx(4e-3, rel=2e-4)


def test_an_active_output_stops_at_its_compliance() -> None:
    made = chain(card=replace(FINE, burden_ohms=1200.0))
    assert steady(made, made.forces(1000 * G)).amps[0] == pytest.approx(18.0 / 1210.0, rel=2e-3)


def test_a_leak_across_the_loop_takes_current_from_the_card() -> None:
    made = chain()
    leak: list[Fault] = [Leak("card in", "card common", 25_000.0)]
    whole, less = (steady(made, made.forces(1000 * G), f).amps[0] for f in ([], leak))
    assert less / whole == pytest.approx(25_000 / 25_250, rel=1e-6)


def test_a_card_scaled_from_zero_reads_high_at_the_low_end() -> None:
    made = chain(card=replace(FINE, zero_amps=0.0))
    assert shown(made, 0, []) == pytest.approx(200.0, abs=0.1)
    assert shown(made, 1000, []) == pytest.approx(1000.0, abs=0.2)


def test_milliamperes_fed_in_place_of_the_transmitter() -> None:
    lifted: list[Fault] = [Opened("loop wire +"), Opened("loop wire -")]
    source = SourceOutput(on=True, mode="current", amps=12e-3)
    clips = [contact("source +", "card in"), contact("source -", "card common")]
    made = chain()
    fed = steady(made, made.forces(0), lifted, instruments=[*source.parts(), *clips])
    assert float(fed.value[0]) == pytest.approx(500.0, abs=1e-2)


def test_a_powered_input_is_fed_by_sinking() -> None:
    made = loop(250.0)
    lifted: list[Fault] = [Opened("loop wire +"), Opened("loop wire -")]
    open_ = steady(made, made.forces(0), lifted)
    assert open_.volts("card +", "card in")[0] == pytest.approx(24.0, abs=1e-3)
    sink = SourceOutput(on=True, mode="current", amps=12e-3, sinking=True)
    clips = [contact("source +", "card +"), contact("source -", "card in")]
    fed = steady(made, made.forces(0), lifted, instruments=[*sink.parts(), *clips])
    assert fed.amps[0] == pytest.approx(12e-3, rel=1e-5)
    assert float(fed.value[0]) == pytest.approx(500.0, abs=1e-2)


@pytest.mark.parametrize(
    ("lifted", "earthed", "shown"),
    [
        # S- stays on the cells: the source stands at the middle of the excitation, as they do
        (("S+",), False, 500.0),
        # nothing holds it: it ends at Ex-, 5 V off the middle; at 1 uV for each volt these are
        # 5 uV of 10 mV, which is 0.05 % of 1000 kg (worked by hand)
        (("S+", "S-"), False, 499.5),
        (("S+", "S-"), True, 499.5),
    ],
)
def test_millivolts_fed_at_the_box_show_where_their_common_mode_is(
    lifted: tuple[str, ...], earthed: bool, shown: float
) -> None:
    made = chain(transmitter=Transmitter(
        ratio_at_zero=0.42e-3, ratio_at_full=1.42e-3, earth_ohms=0.1 if earthed else 1e9
    ))  # fmt: skip
    off: list[Fault] = [Opened(f"cell {k} terminal {s}") for k in (1, 2, 3, 4) for s in lifted]
    volts = float(steady(made, made.forces(0)).volts("box Ex+", "box Ex-")[0])
    source = SourceOutput(on=True, volts=0.92e-3 * volts, earth_ohms=0.1 if earthed else 1e10)
    clips = [contact("source +", "box S+"), contact("source -", "box S-")]
    fed = steady(made, made.forces(0), off, instruments=[*source.parts(), *clips])
    assert float(fed.value[0]) == pytest.approx(shown, abs=0.05)


def test_an_earthed_source_on_an_earthed_chain_shorts_an_arm_of_the_cells() -> None:
    made = chain(transmitter=Transmitter(earth_ohms=0.1))
    off: list[Fault] = [Opened(f"cell {k} terminal S+") for k in (1, 2, 3, 4)]
    source = SourceOutput(on=True, volts=0.0, earth_ohms=0.1)
    clips = [contact("source +", "box S+"), contact("source -", "box S-")]
    fed = steady(made, made.forces(0), off, instruments=[*source.parts(), *clips])
    held = float(fed.volts("box S-", "box Ex-")[0])
    assert held < 0.05 * float(fed.volts("box Ex+", "box Ex-")[0])


def watched(live: LiveChain, seconds: float, steps: int) -> None:
    circuit = TimedCircuit(live.parts)
    for _ in range(steps):
        for piece in circuit.step(seconds / steps):
            live.take(piece.point, piece.seconds)


def test_the_transmitter_s_filter_answers_by_its_time_constant_whatever_the_steps() -> None:
    for steps in (1, 10):
        live = LiveChain(chain())
        assert live.value() == pytest.approx(0.0, abs=0.1)
        live.load(1000 * G)
        watched(live, 0.5, steps)
        gone = (live.transmitter_ratio() - 0.42e-3) / 1e-3
        assert gone == pytest.approx(1 - np.exp(-1), rel=1e-3)
        assert live.value() < 1000 * gone
    watched(live, 10.0, 40)
    assert live.value() == pytest.approx(1000.0, abs=0.3)
    assert live.loop_amps() == pytest.approx(20e-3, rel=1e-4)


def test_a_wire_that_breaks_under_way_ends_in_the_failure_current() -> None:
    live = LiveChain(chain(transmitter=Transmitter(ratio_at_full=2e-3)))
    live.faults = [Opened("home run Ex+"), Opened("home run Se+")]
    watched(live, 2.0, 20)
    assert live.loop_amps() == pytest.approx(3.6e-3)


def test_meters_see_an_alternating_excitation_as_such() -> None:
    alternating = Transmitter(excitation="alternating")
    assert (alternating.seen_direct(), alternating.seen_alternating()) == (0.0, 1.0)
    pulsed = Transmitter(excitation="pulsed", duty=0.2)
    assert pulsed.seen_direct() ** 2 + pulsed.seen_alternating() ** 2 == pytest.approx(0.2)


# ---- many chains at once


def test_thousands_of_chains_answer_as_each_alone() -> None:
    rng = np.random.default_rng(8)
    count = 60
    leak = np.where(np.arange(count) % 3 == 0, 10 ** rng.uniform(4, 7, count), np.inf)
    joint = np.where(np.arange(count) % 3 == 1, np.inf, 0.0)
    faults: list[Fault] = [
        Leak("cell 1 S+", "cell 1 Ex-", leak),
        Added("cell 3 terminal S-", joint),
    ]
    made = chain()
    forces: list[Values] = [rng.uniform(0, 3000, count) for _ in range(4)]
    together = steady(made, forces, faults)
    for k in (0, 1, 2, 31, 57):
        single: list[Fault] = [
            Leak("cell 1 S+", "cell 1 Ex-", float(leak[k])),
            Added("cell 3 terminal S-", float(joint[k])),
        ]
        alone = steady(made, [float(np.asarray(f)[k]) for f in forces], single)
        assert together.ratio[k] == pytest.approx(alone.ratio[0], abs=1e-12)
        assert together.amps[k] == pytest.approx(alone.amps[0], abs=1e-12)


def test_chains_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="sense wires"):
        chain(sense="cell")
    with pytest.raises(ValueError, match="at least one cell"):
        chain(cells=[])
    with pytest.raises(ValueError, match="supplies the loop"):
        chain(transmitter=replace(WIDE_OPEN, two_wire=True))
