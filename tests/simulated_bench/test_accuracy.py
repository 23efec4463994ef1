"""Drawn errors keep the promise of the manual for the year that it is given for, and drift on."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulated_bench.instruments.accuracy import USED, Limit, draw_errors
from simulated_bench.scenario import Scenario
from tests.simulated_bench.serving import led

PROMISED = Limit("dc_voltage", range=0.1, reading_ppm=40.0, range_ppm=20.0)


@dataclass
class Shop:
    seed: int
    years: dict[str, float]
    error_scale: dict[str, float] = field(default_factory=dict)


@given(st.integers(0, 2**32), st.floats(0.0, 1.0))
def test_within_its_year_a_gain_keeps_the_promise(seed: int, years: float) -> None:
    errors = draw_errors(PROMISED, Shop(seed, {"dmm": years}), "dmm")
    assert abs(errors.gain) <= USED * 40e-6
    assert abs(errors.offset) <= USED * 20e-6 * 0.1


def test_the_same_instrument_drifts_in_a_straight_line_and_others_otherwise() -> None:
    gains = [draw_errors(PROMISED, Shop(7, {"dmm": y}), "dmm").gain for y in (0.0, 1.0, 2.0)]
    assert gains[1] != gains[0]
    assert gains[2] - gains[1] == pytest.approx(gains[1] - gains[0])
    slopes = {
        draw_errors(PROMISED, Shop(seed, {"dmm": 1.0}), "dmm").gain
        - draw_errors(PROMISED, Shop(seed, {}), "dmm").gain
        for seed in range(50)
    }
    assert min(slopes) < 0.0 < max(slopes)


def test_long_forgotten_instruments_are_beyond_what_was_promised() -> None:
    gains = [draw_errors(PROMISED, Shop(seed, {"dmm": 20.0}), "dmm").gain for seed in range(100)]
    assert sum(abs(gain) > 40e-6 for gain in gains) > 50


def test_a_meter_read_years_after_its_calibration_shows_another_value() -> None:
    def shown(calibrated: date) -> float:
        scenario = {
            "instruments": {"dmm": {"calibrated": calibrated}, "scanner": {"missing": True}}
        }
        with led(Scenario.model_validate(scenario)) as bench:
            for terminal, lead in (("dmm HI", "Ex+"), ("dmm LO", "Ex-")):
                bench.hand("clip", terminal=terminal, lead=lead)
            bench.say("dmm", "CONF:RES 1000;:RES:OCOM ON")
            return float(bench.ask("dmm", "READ?"))

    new, old = shown(date(2026, 2, 1)), shown(date(2006, 2, 1))
    # 20 years of at most 0.4 of the year's promise, which is some tens of ppm
    assert 2e-6 < abs(old / new - 1.0) < 2e-3
