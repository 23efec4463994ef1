"""One step equals many; a window's mean is that of its parts; memory of load and creep."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import integrate

from simulated_bench.states import Drive, Modes, Plays, creep_terms, phi1, phi2, phi3, wave

rates = st.lists(
    st.one_of(
        st.floats(-2.0, -1e-4),
        st.tuples(st.floats(-0.5, -1e-3), st.floats(0.1, 40.0)).map(lambda x: complex(*x)),
    ),
    min_size=1,
    max_size=4,
)
drives = st.builds(
    Drive,
    st.floats(-30, 30),
    st.floats(-0.01, 0.01),
    st.lists(
        st.one_of(
            st.tuples(st.floats(-5, 5), st.floats(-2.0, -1e-4)),
            st.builds(wave, st.floats(0, 5), st.floats(0.5, 86_400.0), st.floats(0, 6)),
        ),
        max_size=3,
    ).map(tuple),
)


@settings(max_examples=150, deadline=None)
@given(rates, drives, st.floats(1e-3, 5000.0), st.integers(2, 40))
def test_any_number_of_steps_gives_the_same(
    rates: list[complex], drive: Drive, seconds: float, count: int
) -> None:
    one, many = Modes(rates, value=3.0), Modes(rates, value=3.0)
    whole = one.means(seconds, drive)
    one.step(seconds, drive)
    part = seconds / count
    means = [0j] * len(rates)
    for k in range(count):
        ahead = many.means(part, drive.shifted(k * part))
        means = [m + a / count for m, a in zip(means, ahead, strict=True)]
        many.step(part, drive.shifted(k * part))
    assert many.values == pytest.approx(one.values, abs=1e-8)
    assert means == pytest.approx(whole, abs=1e-8)


@settings(max_examples=30, deadline=None)
@given(st.floats(-1.0, -0.01), drives, st.floats(0.1, 30.0))
def test_a_mode_solves_its_differential_equation(rate: float, drive: Drive, seconds: float) -> None:
    mode = Modes([rate], value=2.0)
    found = integrate.solve_ivp(
        lambda t, z: rate * (z - drive.at(t)), (0, seconds), [2.0], rtol=1e-10, atol=1e-11,
        max_step=0.05,
    )  # fmt: skip
    assert mode.ahead(seconds, drive)[0].real == pytest.approx(found.y[0, -1], abs=1e-6)


def test_creep_in_one_step_equals_eighteen_thousand() -> None:
    one, many = Modes(*creep_terms()), Modes(*creep_terms())
    one.step(1800.0, Drive(1.0))
    for _ in range(18_000):
        many.step(0.1, Drive(1.0))
    assert one.level() == pytest.approx(1.0, abs=1e-15)
    assert many.level() == pytest.approx(one.level(), abs=1e-12)


def test_creep_and_its_recovery_have_the_expected_shares() -> None:
    # Arithmetic of 0.4 at 120 s and 0.6 at 1980 s, the shares of common practice.
    figures = {0.5: 0.128586, 1: 0.231181, 2: 0.379988, 5: 0.595468, 10: 0.730824, 15: 0.816253,
               20: 0.887136, 60: 1.190358}  # fmt: skip
    creep = Modes(*creep_terms())
    for minutes, share in figures.items():
        ahead = sum(z.real for z in creep.ahead(60 * minutes, Drive(1.0)))
        assert ahead == pytest.approx(share, abs=5e-7)
    creep.step(1800.0, Drive(1.0))
    creep.step(1800.0)
    assert 1 - creep.level() == pytest.approx(0.809642, abs=5e-7)


def test_a_body_follows_the_day_as_the_closed_form_says() -> None:
    tau, period = 1500.0, 86_400.0
    body = Modes([-1 / tau], value=25.0)
    room = Drive(22.0, terms=(wave(1.5, period, 0.3),))

    def settled(t: float) -> float:
        turn = 2j * math.pi / period
        answer = 1.5 * cmath.exp(1j * (2 * math.pi * t / period + 0.3)) / (1 + turn * tau)
        return 22.0 + answer.imag

    expected = settled(3600.0) + (25.0 - settled(0.0)) * math.exp(-3600.0 / tau)
    assert body.ahead(3600.0, room)[0].real == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("hertz", "cycles", "left"),
    [
        (50.0, 1.0, 0.0),
        (50.0, 10.0, 0.0),
        (50.01, 1.0, 2.0e-4),
        (50.0, 0.2, 0.935),
        (50.0, 1.5, 0.212),
    ],
)
def test_mains_rejection_follows_from_the_mean_over_the_window(
    hertz: float, cycles: float, left: float
) -> None:
    # |sin(pi f T) / (pi f T)|, the answer of an average over T: textbook.
    window = 0.02 * cycles
    expected = abs(math.sin(math.pi * hertz * window) / (math.pi * hertz * window))
    found = abs(phi1(2j * math.pi * hertz * window))
    assert found == pytest.approx(expected, abs=1e-15)
    assert found == pytest.approx(left, rel=0.01, abs=1e-15)


@pytest.mark.parametrize(
    "z", [0.0, 1e-12, -1e-6, 0.3, -0.499, -0.501, -4.0, 0.2 + 0.3j, 5j, -3 + 9j]
)
def test_the_functions_of_the_exponential_are_smooth_where_they_change_their_form(
    z: complex,
) -> None:
    # Defined by phi_k(z) = integral of e^((1-s) z) s^(k-1) / (k-1)! over 0 <= s <= 1.
    s, w = np.polynomial.legendre.leggauss(60)
    s, w = (s + 1) / 2, w / 2
    for k, phi in enumerate((phi1, phi2, phi3), 1):
        weight = s ** (k - 1) / math.factorial(k - 1)
        expected = np.sum(w * np.exp((1 - s) * z) * weight)
        assert phi(complex(z)) == pytest.approx(expected, rel=1e-12)


def along(plays: Plays, loads: NDArray[np.float64]) -> NDArray[np.float64]:
    outputs = []
    for load in loads:
        plays.move(float(load))
        outputs.append(plays.output())
    return np.array(outputs)


def exercised(width: float, count: int) -> Plays:
    plays = Plays(width, count)
    for load in (0.0, 1.0, 0.0):
        plays.move(load)
    return plays


@pytest.mark.parametrize(("count", "error"), [(8, 0.0145), (16, 0.0037)])
def test_a_full_loop_is_a_parabola(count: int, error: float) -> None:
    plays = exercised(1.0, count)
    u = np.linspace(0, 1, 101)
    rising = along(plays, u)
    falling = along(plays, u[::-1])[::-1]
    assert np.abs(falling - rising - 4 * u * (1 - u)).max() < error
    assert np.abs(falling + rising).max() < 1e-14
    assert plays.output() == pytest.approx(0.0, abs=1e-15)


def test_a_minor_loop_is_as_wide_as_the_square_of_its_span() -> None:
    plays = exercised(1.0, 64)
    for load in (0.8, 0.4):
        plays.move(load)
    u = np.linspace(0.4, 0.8, 41)
    rising = along(plays, u)
    falling = along(plays, u[::-1])[::-1]
    assert (falling - rising).max() == pytest.approx(0.4**2, rel=0.01)


def test_the_first_load_after_rest_moves_the_zero() -> None:
    plays = exercised(1.0, 16)
    plays.rest(1e9, 3600.0)
    before = plays.output()
    for load in (1.0, 0.0):
        plays.move(load)
    first = plays.output() - before
    for load in (1.0, 0.0):
        plays.move(load)
    assert first == pytest.approx(1.0)
    assert plays.output() - before == pytest.approx(first)


@given(st.lists(st.floats(-1, 1), min_size=1, max_size=20), st.floats(0, 1))
def test_a_path_that_only_rises_may_be_taken_in_one_go(path: list[float], at: float) -> None:
    one, two = Plays(0.01), Plays(0.01)
    for load in path:
        one.move(load)
        two.move(load)
    end = path[-1] + 1.0
    two.move(path[-1] + at)
    two.move(end)
    one.move(end)
    assert one.output() == pytest.approx(two.output(), abs=1e-15)


def test_a_jack_that_overshoots_turns_once() -> None:
    drive = Drive(100.0, terms=((-110.0, -1 / 3.0), (10.0, -1 / 8.0)))
    turns = drive.turning_points(200.0)
    assert len(turns) == 2
    fine = max(drive.at(t) for t in np.linspace(0, 40, 4001))
    assert turns[0] == pytest.approx(fine, abs=1e-4)
