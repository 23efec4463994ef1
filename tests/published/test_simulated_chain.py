"""The simulated transmitter and input card against the standard signal and its limits."""

from __future__ import annotations

import numpy as np
import pytest

from simulated_bench.transmitter import InputCard, Transmitter


@pytest.mark.parametrize(
    ("share", "amps"), [(0.0, 4e-3), (0.25, 8e-3), (0.5, 12e-3), (0.75, 16e-3), (1.0, 20e-3)]
)
def test_the_live_zero_signal_is_that_of_iec_60381_1(share: float, amps: float) -> None:
    # IEC 60381-1, direct current signals: 4 to 20 mA at 0 to 100 %.
    made = Transmitter(ratio_at_zero=0.42e-3, ratio_at_full=1.42e-3)
    assert made.amps(0.42e-3 + share * 1e-3) == pytest.approx(amps, abs=made.step_amps)
    assert InputCard(bits=24).value(amps) == pytest.approx(1000.0 * share, abs=1e-3)


def test_saturation_and_failure_are_where_ne_43_has_them() -> None:
    # NAMUR NE 43 as several public pages give it: 3.8 to 20.5 mA measure, at or below 3.6 mA and
    # at or above 21 mA failure; whether the limits belong to it differs between pages.
    made = Transmitter(ratio_at_full=2e-3)
    measuring = made.amps(np.linspace(-4e-3, 4e-3, 101))
    assert measuring.min() == pytest.approx(3.8e-3)
    assert measuring.max() == pytest.approx(20.5e-3)
    assert made.amps(np.nan) <= 3.6e-3
    assert Transmitter(failure_amps=21e-3).amps(0.3) >= 21e-3
