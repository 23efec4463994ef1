"""The weighing chain against published figures, a hand-worked case and a general circuit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acq.analysis.chain import (
    IEC_60228_FLEXIBLE,
    IEC_60228_SOLID,
    SignalBands,
    SignalState,
    Transmitter,
    conductor_ohms,
    current_for_display,
    current_for_ratio,
    dead_ratio,
    displayed,
    excitation_share,
    excitation_trimmed,
    fed_share,
    joined_ratio,
    kilograms_per_ratio,
    signal_shunted,
    span_ratio,
)
from acq.analysis.chain_bridges import OPEN_OHMS, Bridges, joined, mesh_of
from simulated_bench.circuit import Circuit

# Worked example (ours, computed with a resistor-network solver): four 500 kg cells of 2 mV/V,
# 386 ohm in, 351 ohm out, 420 kg dead, 1000 kg live; a corner load of 200 kg lies 70 % on its
# own cell and 10 % on each other. Kilograms shown: empty, full, then 200 kg over each cell.
EXAMPLE = {
    "healthy": (0, 1000, (200, 200, 200, 200)),
    "both signal leads of cell 2 open": (0.0, 1000.0, (240, 80, 240, 240)),
    "one signal lead of cell 2 open": (0, 1000, (221, 137, 221, 221)),
    "one excitation lead of cell 2 open": (-60, 797, (189, 120, 189, 189)),
}


def test_live_zero_mapping_of_iec_60381_1() -> None:
    # IEC 60381-1: 4-20 mA direct current signal; 0/25/50/75/100 % are 4/8/12/16/20 mA
    for percent, milliamps in ((0, 4.0), (25, 8.0), (50, 12.0), (75, 16.0), (100, 20.0)):
        ratio = 0.42e-3 + percent / 100 * 1e-3
        assert current_for_ratio(ratio, 0.42e-3, 1.42e-3) == pytest.approx(milliamps * 1e-3)
        assert displayed(milliamps * 1e-3, 0.0, 100.0) == pytest.approx(percent)
        assert current_for_display(percent, 0.0, 100.0) == pytest.approx(milliamps * 1e-3)


@pytest.mark.parametrize(
    ("milliamps", "state"),
    [
        # NE 43 (public pages agree on the numbers, not on open or closed; ours: closed)
        (3.59, SignalState.FAILURE_LOW), (3.6, SignalState.FAILURE_LOW),
        (3.61, SignalState.BETWEEN), (3.79, SignalState.BETWEEN),
        (3.8, SignalState.MEASURING), (20.5, SignalState.MEASURING),
        (20.51, SignalState.BETWEEN), (20.99, SignalState.BETWEEN),
        (21.0, SignalState.FAILURE_HIGH), (21.1, SignalState.FAILURE_HIGH),
    ],
)  # fmt: skip
def test_signal_bands_of_ne_43(milliamps: float, state: SignalState) -> None:
    assert SignalBands().state(milliamps * 1e-3) is state


def test_a_transmitter_holds_at_its_limits_and_fails_without_a_bridge() -> None:
    transmitter = Transmitter(0.0, 1e-3)

    assert transmitter.current(-1.0) == 3.8e-3
    assert transmitter.current(1.0) == 20.5e-3
    assert transmitter.current(None) == 21e-3


def test_conductor_resistances_of_iec_60228() -> None:
    # IEC 60228, table for class 5 and class 1, plain copper, ohm/km at 20 degC
    assert [IEC_60228_FLEXIBLE[a] for a in (0.5, 0.75, 1.0, 1.5, 2.5)] == [39, 26, 19.5, 13.3, 7.98]
    assert [IEC_60228_SOLID[a] for a in (0.5, 0.75, 1.0, 1.5, 2.5)] == [36, 24.5, 18.1, 12.1, 7.41]
    assert conductor_ohms(50.0, 39.0) == pytest.approx(1.95)
    # annealed copper, 0.00393 per K at 20 degC (IEC 60028)
    assert conductor_ohms(1000.0, 10.0, 30.0) == pytest.approx(10.393)


@pytest.mark.parametrize(
    ("cells", "input_ohms", "loss"),
    # span loss of 50 m of 0.5 mm2 (35 ohm/km) without sense, by hand: 2 r / (R/N + 2 r)
    [
        (4, 385.0, 0.035),
        (4, 760.0, 0.018),
        (4, 1105.0, 0.0125),
        (6, 385.0, 0.052),
        (6, 760.0, 0.027),
        (6, 1105.0, 0.019),
    ],
)
def test_span_loss_of_a_home_run_without_sense(cells: int, input_ohms: float, loss: float) -> None:
    share = excitation_share([input_ohms] * cells, conductor_ohms(50.0, 35.0))

    assert 1.0 - share == pytest.approx(loss, abs=6e-4)


def test_the_worked_example_of_four_cells() -> None:
    # by hand: 420 kg on 4 x 500 kg of 2 mV/V is 0.42 mV/V; 1 kg is 1 uV/V is 0.016 mA
    zero = dead_ratio([0.0] * 4, 2e-3, 420.0, 500.0)

    assert zero == pytest.approx(0.42e-3)
    assert span_ratio(2e-3, 1000.0, 4, 500.0) == pytest.approx(1e-3)
    assert kilograms_per_ratio(2e-3, 4, 500.0) * 1e-6 == pytest.approx(1.0)
    one = current_for_ratio(zero + 1e-6, zero, zero + 1e-3)
    assert (one - 4e-3) * 1e3 == pytest.approx(0.016)


@pytest.mark.parametrize("fault", EXAMPLE)
def test_faults_of_the_worked_example(fault: str) -> None:
    empty, full, corners = EXAMPLE[fault]
    shown = _shown(fault)

    assert shown[0] == pytest.approx(empty, abs=0.6)
    assert shown[1] == pytest.approx(full, abs=0.6)
    assert [value - shown[0] for value in shown[2:]] == pytest.approx(corners, abs=0.6)


def test_a_leak_is_a_pure_shift_of_zero() -> None:
    # by hand: half the excitation over 1 Mohm through half of one cell's output resistance,
    # a fourth of it for four cells: 0.5 x 351/2 / 4 / 1e6 = 21.9 uV/V = 21.9 kg
    empty, full, *_ = _shown("leak", leak=1e-6)

    assert empty == pytest.approx(-21.9, abs=0.1)
    assert full - empty == pytest.approx(1000.0, abs=0.2)


def test_cells_in_parallel_weigh_by_their_output_resistance() -> None:
    # by hand: (1/300 + 2/600) / (1/300 + 1/600) = 4/3
    assert joined_ratio([1.0, 2.0], [300.0, 600.0]) == pytest.approx(4.0 / 3.0)
    with pytest.raises(ValueError, match="0 ratios"):
        joined_ratio([], [])


def test_the_sums_agree_with_a_general_circuit() -> None:
    rng = np.random.default_rng(3)
    for _ in range(20):
        count = int(rng.integers(1, 7))
        outputs = rng.uniform(300.0, 1100.0, count)
        inputs = outputs * rng.uniform(1.02, 1.2, count)
        ratios = rng.uniform(-3e-3, 3e-3, count)
        trims = rng.uniform(0.0, 20.0, count)
        conductor = float(rng.uniform(0.1, 5.0))
        volts, signal = _solved(inputs, outputs, ratios, trims, conductor)

        share = excitation_share(list(inputs + trims), conductor)
        trimmed = [
            excitation_trimmed(x, r, t) for x, r, t in zip(ratios, inputs, trims, strict=True)
        ]
        assert volts / 10.0 == pytest.approx(share, rel=2e-5)
        assert signal / volts == pytest.approx(joined_ratio(trimmed, list(outputs)), abs=2e-8)


@given(ratio=st.floats(-3e-3, 3e-3), shunt=st.floats(1e3, 1e7))
def test_a_shunt_trim_agrees_with_a_general_circuit(ratio: float, shunt: float) -> None:
    inputs, outputs = np.array([385.0]), np.array([351.0])
    volts, signal = _solved(inputs, outputs, np.array([ratio]), np.zeros(1), 0.001, shunt)

    expected, ohms = signal_shunted(ratio, 351.0, shunt)
    assert signal / volts == pytest.approx(expected, rel=1e-5, abs=1e-9)
    assert ohms == pytest.approx(1.0 / (1.0 / 351.0 + 1.0 / shunt))


def _solved(
    inputs: np.ndarray[tuple[int], np.dtype[np.float64]],
    outputs: np.ndarray[tuple[int], np.dtype[np.float64]],
    ratios: np.ndarray[tuple[int], np.dtype[np.float64]],
    trims: np.ndarray[tuple[int], np.dtype[np.float64]],
    conductor: float,
    shunt: float = math.inf,
) -> tuple[float, float]:
    """Excitation at the box and joined signal by the simulated bench's circuit, 10 V fed.

    The trims are halved into both excitation leads, so that no common mode is added.
    """
    circuit = Circuit()
    circuit.source("supply", "T+", "T-", 1e-6, volts=10.0, amps_max=10.0, emf_max=20.0)
    circuit.add("run+", "T+", "J+", conductor)
    circuit.add("run-", "J-", "T-", conductor)
    circuit.add("shunt", "P", "M", shunt)
    for i, (rin, rout, x, trim) in enumerate(zip(inputs, outputs, ratios, trims, strict=True)):
        leg = (rin - rout + trim) / 2.0
        d = x * rin / rout
        circuit.add(f"leg+{i}", "J+", f"t{i}", leg)
        circuit.add(f"leg-{i}", f"n{i}", "J-", leg)
        for name, a, b, sign in (("A", "t", "P", -1), ("B", "t", "M", 1)):
            circuit.add(f"{name}{i}", f"{a}{i}", f"{b}{i}", rout * (1 + sign * d))
        for name, a, b, sign in (("C", "P", "n", 1), ("D", "M", "n", -1)):
            circuit.add(f"{name}{i}", f"{a}{i}", f"{b}{i}", rout * (1 + sign * d))
        circuit.add(f"p{i}", f"P{i}", "P", 1e-6)
        circuit.add(f"m{i}", f"M{i}", "M", 1e-6)
    point = circuit.solve()
    volts, signal = point.volt("J+", "J-"), point.volt("P", "M")
    assert volts is not None
    assert signal is not None
    return volts, signal


def _shown(fault: str, *, leak: float = 0.0) -> list[float]:
    """Kilograms of the worked example: empty, full, 200 kg over each cell."""
    loads = [[105.0] * 4, [355.0] * 4]
    loads += [[105.0 + (140.0 if i == j else 20.0) for j in range(4)] for i in range(4)]
    numbers = dict.fromkeys(Bridges.__slots__, 0.0)
    numbers |= {"input_ohms": 386.0, "output_ohms": 351.0, "compensation_plus": 0.5}
    arrays = {name: np.full((1, 4), value) for name, value in numbers.items()}
    changed = {
        "both signal leads of cell 2 open": ("s_plus_ohms", "s_minus_ohms"),
        "one signal lead of cell 2 open": ("s_plus_ohms",),
        "one excitation lead of cell 2 open": ("ex_plus_ohms",),
    }.get(fault, ())
    for name in changed:
        arrays[name][0, 1] = OPEN_OHMS
    arrays["leak"][0, 1] = leak
    ratios = 2e-3 * np.array([loads]) / 500.0
    box = joined(mesh_of(Bridges(**arrays).with_axis(), ratios, lifted=False))
    return [float(x) * 1e6 - 420.0 for x in box.ratio[0]]


def test_a_source_s_own_ohms_are_divided_by_the_input() -> None:
    # 350 ohm on 10 Mohm: 35 ppm, as a meter's input on a bridge; common practice, by hand
    assert 1.0 - fed_share(350.0, 10e6) == pytest.approx(35e-6, rel=1e-3)
