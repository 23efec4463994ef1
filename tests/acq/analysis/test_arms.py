from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from acq.analysis.arms import Assumption, arms_in_words, identify, unseen
from acq.analysis.leads import FOUR_WIRE_PAIRS, LeadPair, lead_pairs
from acq.analysis.network import BridgeElements, Floats, pair_resistances
from acq.analysis.population import Meters, Spread

SYMMETRICAL = Assumption(share=0.5, split_ohms=0.3, conductor_ohms=0.35, conductor_uncertainty=0.01)
EXACT = Meters(gain=1e-9, offset_ohms=1e-6, noise_ohms=1e-4)
SURE = Spread(contact_ohms=1e-6, conductor_each=1e-6)


def readings(
    arms: Floats, legs: tuple[float, float], wires: int = 4, conductor: float = 0.35
) -> Floats:
    cells = len(arms)
    elements = BridgeElements(
        arms, np.broadcast_to(legs, (cells, 2)).astype(float), np.full((cells, 6), conductor)
    )
    return pair_resistances(elements, lead_pairs(wires))


@pytest.mark.parametrize("wires", [4, 6])
def test_arms_come_back_from_pairs_with_the_noise_of_a_good_meter(wires: int) -> None:
    # common practice, no source: arms +8 % and -3 % came back to the meter's noise of 5 mohm
    arms = np.array([[378.54, 350.5, 339.985, 350.5]])
    rng = np.random.default_rng(1)
    read = readings(arms, (17.5, 17.5), wires)
    noisy = read + 0.005 * rng.normal(size=read.shape)
    found = identify(lead_pairs(wires), noisy, SYMMETRICAL)
    assert found.arms == pytest.approx(arms, abs=0.05)
    assert found.legs[0] == pytest.approx(35.0, abs=0.1)
    assert 0.0 < found.arm_uncertainty.max() < 0.7


def test_a_shorted_leg_under_the_symmetrical_assumption_reads_as_two_arms_down_and_two_up() -> None:
    # common practice, no source: two arms -5 %, two arms +5 %
    found = identify(FOUR_WIRE_PAIRS, readings(np.full((1, 4), 350.5), (0.0, 17.5)), SYMMETRICAL)
    assert found.arms[0] / 350.5 == pytest.approx([0.95, 0.95, 1.05, 1.05], abs=0.005)
    told = identify(
        FOUR_WIRE_PAIRS,
        readings(np.full((1, 4), 350.5), (0.0, 17.5)),
        Assumption(share=0.0, conductor_ohms=0.35, conductor_uncertainty=0.01),
    )
    assert told.arms[0] == pytest.approx(np.full(4, 350.5), abs=0.02)


def test_an_open_arm_is_told_as_open_and_leaves_the_others_alone() -> None:
    found = identify(
        FOUR_WIRE_PAIRS,
        readings(np.array([[350.0, 1e12, 350.0, 351.0]]), (17.5, 17.5)),
        SYMMETRICAL,
    )
    said = arms_in_words(found)
    assert said[1] == "arm B: open"
    assert found.arms[0, [0, 2, 3]] == pytest.approx([350.0, 350.0, 351.0], abs=0.05)


def test_an_open_pair_leaves_nothing_to_tell() -> None:
    read = readings(np.full((2, 4), 350.0), (17.5, 17.5))
    read[1, 0] = np.inf
    found = identify(FOUR_WIRE_PAIRS, read, SYMMETRICAL)
    assert np.isfinite(found.arms[0]).all()
    assert np.isnan(found.arms[1]).all()
    assert "cannot be told" in arms_in_words(found, 1)[0]


def test_a_missing_pair_is_named() -> None:
    pairs = [pair for pair in FOUR_WIRE_PAIRS if pair != LeadPair.of("S+", "S-")]
    with pytest.raises(ValueError, match=r"S\+ S-"):
        identify(pairs, np.ones((1, 5)), SYMMETRICAL)


def test_six_wires_show_their_conductors_themselves() -> None:
    read = readings(np.full((1, 4), 350.0), (17.5, 17.5), wires=6, conductor=1.8)
    found = identify(lead_pairs(6), read, SYMMETRICAL)
    assert found.conductor[0] == pytest.approx(1.8, abs=1e-3)
    assert found.arms[0] == pytest.approx(np.full(4, 350.0), abs=0.02)


def test_the_same_arms_as_a_general_least_squares_fit() -> None:
    rng = np.random.default_rng(3)
    arms = 350.0 * (1.0 + 0.02 * rng.normal(size=(20, 4)))
    read = readings(arms, (16.0, 16.0)) + 0.002 * rng.normal(size=(20, 6))
    found = identify(FOUR_WIRE_PAIRS, read, SYMMETRICAL, meters=EXACT, spread=SURE)

    def rest(unknowns: Floats, ohms: Floats) -> Floats:
        elements = BridgeElements(
            unknowns[None, :4],
            np.full((1, 2), 0.5 * unknowns[4]),
            np.full((1, 6), 0.35),
        )
        return np.asarray(pair_resistances(elements, FOUR_WIRE_PAIRS)[0] - ohms)

    assumption = Assumption(conductor_ohms=0.35, conductor_uncertainty=1e-7)
    found = identify(FOUR_WIRE_PAIRS, read, assumption, covariance=1e-8 * np.eye(6), spread=SURE)
    for cell in range(20):
        fit = least_squares(rest, [350.0] * 4 + [32.0], args=(read[cell],), xtol=1e-14, ftol=1e-14)
        assert found.arms[cell] == pytest.approx(fit.x[:4], abs=2e-4)


@pytest.mark.parametrize("wires", [4, 6])
def test_stated_intervals_hold_the_arms_as_often_as_stated(wires: int) -> None:
    rng = np.random.default_rng(wires)
    cells, meters = 3000, Meters()
    arms = 350.0 + rng.normal(size=(cells, 4))
    split = 0.3 * rng.normal(size=cells)
    conductor = 0.35 + 0.01 * rng.normal(size=(cells, 1))
    each = np.hypot(0.0035, 0.002) * rng.normal(size=(cells, 6))
    elements = BridgeElements(arms, np.stack([17.5 + split, 17.5 - split], -1), conductor + each)
    read = pair_resistances(elements, lead_pairs(wires))
    read = read * (1.0 + meters.gain * rng.normal(size=(cells, 1)))
    read = read + meters.offset_ohms * rng.normal(size=(cells, 1))
    read = read + meters.noise_ohms * rng.normal(size=read.shape)
    found = identify(lead_pairs(wires), read, SYMMETRICAL)
    held = np.abs(found.arms - arms) < 1.96 * found.arm_uncertainty
    assert 0.93 < held.mean() < 0.97
    assert found.chi_square.mean() == pytest.approx(found.freedom, rel=0.15)


def test_what_cannot_be_seen_is_said() -> None:
    said = " ".join(unseen(SYMMETRICAL, 4))
    assert "symmetrical" in said
    assert "Polarity" in said
    assert "four wires" in said
    assert "four wires" not in " ".join(unseen(SYMMETRICAL, 6))
    assert "one-sided at Ex+" in Assumption(share=1.0).name
    assert "learnt" in Assumption(share=0.48).name
