"""The wet leak's law: its tangent touches it, and a circuit comes to rest on it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulated_bench.circuit import Circuit, CircuitError
from simulated_bench.electrolyte import Electrolyte

laws = st.builds(
    Electrolyte,
    st.floats(1e3, 1e10),
    st.floats(-0.8, 0.8),
    st.floats(0.1, 5.0),
    st.floats(-0.5, 0.5),
)


@given(laws, st.floats(-60, 60))
def test_the_tangent_touches_the_law_and_has_its_slope(law: Electrolyte, volts: float) -> None:
    ohms, emf = law.tangent(np.array(volts))
    current = law.current(volts)
    scale = (abs(volts) + 1.0) / float(law.ohms)
    assert (volts - emf) / ohms == pytest.approx(current, abs=1e-12 * scale)
    step = 1e-5
    slope = (law.current(volts + step) - law.current(volts - step)) / (2 * step)
    assert ohms > 0
    assert 1 / ohms == pytest.approx(slope, rel=1e-5, abs=1e-8 / float(law.ohms))


@given(laws, st.floats(-60, 60), st.floats(1.0, 1e12))
def test_a_circuit_rests_on_the_law(law: Electrolyte, volts: float, ohms: float) -> None:
    circuit = Circuit()
    circuit.add("leak", "a", "b", law.ohms, law=law)
    circuit.add("source", "a", "b", ohms, emf=volts)
    point = circuit.solve()
    across = point.volt("a", "b")
    assert across is not None
    # What rounding of a fraction of a volt makes of it.
    rounding = 1e-12 / float(law.ohms)
    assert point.amp("leak") == pytest.approx(float(law.current(across)), rel=1e-9, abs=rounding)


def test_far_above_the_knee_polarity_divides_the_reading() -> None:
    law = Electrolyte(1e9, asymmetry=0.25)
    assert 50.0 / law.current(50.0) == pytest.approx(1e9 / 1.25)
    assert -50.0 / law.current(-50.0) == pytest.approx(1e9 / 0.75)


def test_a_law_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="asymmetry"):
        Electrolyte(1e9, asymmetry=0.9)
    with pytest.raises(ValueError, match="knee"):
        Electrolyte(1e9, knee_volts=0.0)
    circuit = Circuit()
    circuit.add("leak", "a", "b", 1e9)
    with pytest.raises(CircuitError, match="linear element"):
        circuit.set("leak", law=Electrolyte(1e9))
