from __future__ import annotations

import numpy as np
import pytest
from GTC import dof, ureal
from hypothesis import given
from hypothesis import strategies as st

from acq.analysis.leads import FOUR_WIRE_PAIRS, LeadPair
from acq.analysis.network import Excited, bridge_part, predicted_zero

# six pairs and the zero of one invented bridge, from an independent 50-digit nodal solution
OHMS = {
    "Ex+ Ex-": 384.699984,
    "S+ S-": 350.699991,
    "Ex+ S+": 280.189992,
    "Ex+ S-": 280.204992,
    "Ex- S+": 280.209992,
    "Ex- S-": 280.194992,
}
ZERO = 3.89914209e-05
ROUNDING = 4 * 0.5e-6 / (2 * 384.7)  # of the six printed values
PAIRS = {LeadPair.read(text): ohms for text, ohms in OHMS.items()}


def test_six_pairs_predict_the_zero() -> None:
    assert predicted_zero(PAIRS) == pytest.approx(ZERO, abs=ROUNDING)


def test_arrays_of_cells_are_predicted_element_by_element() -> None:
    cells = {pair: np.array([ohms, 2 * ohms]) for pair, ohms in PAIRS.items()}
    assert predicted_zero(cells) == pytest.approx([ZERO, ZERO], abs=ROUNDING)


def test_a_gain_error_common_to_all_pairs_cancels_from_the_predicted_zero() -> None:
    gain = ureal(1.0, 1e-4)
    shared = {pair: gain * ohms for pair, ohms in PAIRS.items()}
    assert predicted_zero(shared).u == pytest.approx(0.0, abs=1e-15)


def test_noise_of_each_pair_stays_in_the_predicted_zero() -> None:
    noisy = {pair: ureal(ohms, 1e-3, 9) for pair, ohms in PAIRS.items()}
    zero = predicted_zero(noisy)
    # four adjacent pairs of 1 mohm each over twice the input resistance
    assert zero.u == pytest.approx(2e-3 / (2 * 384.7), rel=1e-3)
    assert 35 < dof(zero) < 37


def test_a_missing_pair_is_named() -> None:
    five = {pair: PAIRS[pair] for pair in FOUR_WIRE_PAIRS[:-1]}
    with pytest.raises(ValueError, match=r"S\+ S-"):
        predicted_zero(five)


@given(
    ratio=st.floats(-0.01, 0.01),
    emf=st.floats(-1e-3, 1e-3),
    plus=st.floats(0.5, 15.0),
    minus=st.floats(-15.0, 0.0),
)
def test_the_part_that_follows_the_excitation_is_separated_from_the_part_that_does_not(
    ratio: float, emf: float, plus: float, minus: float
) -> None:
    part = bridge_part(
        Excited(ratio * plus + emf, plus),
        Excited(ratio * minus + emf, minus),
    )
    assert part.ratio == pytest.approx(ratio, abs=1e-15)
    assert part.emf == pytest.approx(emf, abs=1e-14)


def test_a_meters_offset_leaves_the_ratio_by_reversal() -> None:
    offset = ureal(0.0, 2e-6)
    part = bridge_part(Excited(1e-3 + offset, 10.0), Excited(-1e-3 + offset, -10.0))
    assert part.ratio.u == pytest.approx(0.0, abs=1e-15)
    assert part.emf.u == pytest.approx(2e-6)
