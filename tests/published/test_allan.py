"""Allan deviation against published data sets and a general library.

NBS Monograph 140, annex 8.E: nine frequencies. NIST SP 1065, table 31: 1000 random numbers.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from acq.analysis.allan import allan_deviation, best_averaging

NBS = [892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0]


def nist_numbers() -> NDArray[np.float64]:
    """The 1000 numbers of NIST SP 1065: n -> 16807 n mod 2147483647 from 1234567890."""
    numbers = [1234567890]
    for _ in range(999):
        numbers.append(16807 * numbers[-1] % 2147483647)
    return np.array(numbers) / 2147483647


def test_the_nine_readings_of_the_monograph() -> None:
    found = allan_deviation(NBS, 1.0, (1, 2), overlapping=False)

    assert [p.deviation for p in found] == pytest.approx([91.22945, 115.8082], rel=1e-6)


def test_the_thousand_numbers_of_the_handbook() -> None:
    plain = allan_deviation(nist_numbers(), 1.0, (1, 10, 100), overlapping=False)
    overlapping = allan_deviation(nist_numbers(), 1.0, (1, 10, 100))

    assert [p.deviation for p in plain] == pytest.approx(
        [2.922319e-1, 9.965736e-2, 3.897804e-2], rel=1e-6
    )
    assert [p.deviation for p in overlapping] == pytest.approx(
        [2.922319e-1, 9.159953e-2, 3.241343e-2], rel=1e-6
    )


def test_a_general_library_gives_the_same() -> None:
    allantools = pytest.importorskip("allantools", reason="of the dependency group ci")
    rng = np.random.default_rng(1)
    for size in (3, 10, 257, 1000):
        values = rng.standard_normal(size).cumsum() * 1e-6 + 2.0
        for overlapping, other in ((True, allantools.oadev), (False, allantools.adev)):
            ours = allan_deviation(values, 0.5, overlapping=overlapping)
            taus = [point.averaging_s for point in ours]
            times, deviations, _, pairs = other(values, rate=2.0, data_type="freq", taus=taus)
            theirs = dict(zip(times, zip(deviations, pairs, strict=True), strict=True))
            for point in ours:
                if point.averaging_s in theirs:  # the library drops points with one difference
                    deviation, count = theirs[point.averaging_s]
                    assert point.deviation == pytest.approx(deviation, rel=1e-8)
                    assert point.pairs == count


def test_white_noise_falls_with_the_root_and_drift_rises_in_proportion() -> None:
    rng = np.random.default_rng(2)
    white = allan_deviation(rng.standard_normal(20_000), 1.0, (1, 100))
    drift = allan_deviation(np.arange(1000.0), 1.0, (1, 100))

    assert white[1].deviation == pytest.approx(white[0].deviation / 10.0, rel=0.1)
    # a slope of 1 per s: tau / sqrt(2)
    assert [p.deviation for p in drift] == pytest.approx([0.5**0.5, 100 * 0.5**0.5])
    both = allan_deviation(rng.standard_normal(5000) + 1e-3 * np.arange(5000.0), 1.0)
    assert 20.0 < best_averaging(both).averaging_s < 2000.0


def test_a_small_scatter_on_a_large_value_keeps_its_digits() -> None:
    rng = np.random.default_rng(3)
    noise = 1e-9 * rng.standard_normal(1000)
    small, large = (allan_deviation(noise + offset, 1.0, (1, 8)) for offset in (0.0, 1.0))

    for one, other in zip(small, large, strict=True):
        assert one.deviation == pytest.approx(other.deviation, rel=1e-6)


@pytest.mark.parametrize("values", [[], [1.0], [1.0, float("nan")]])
def test_what_has_no_deviation_is_refused(values: list[float]) -> None:
    with pytest.raises(ValueError, match="at least 2 readings"):
        allan_deviation(values, 1.0)
